"""The microphones of this computer, and a check whether one is well placed at the movement."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.source import Flag, LiveSound, Microphone, Playback, blocks_within, opened, stopped_by
from torsionbeat.errors import InputError
from torsionbeat.live.level import Level, LevelMeter
from torsionbeat.live.microphone_check import Placing, PlacingEar
from torsionbeat.sound import devices as sound_devices
from torsionbeat.sound.devices import Device

__all__ = [
    "CheckMicrophoneRequest",
    "CheckMicrophoneResult",
    "CheckState",
    "check_microphone",
    "devices",
]

CHECK_S = 120.0
"""Two minutes hold four beats of a clock of 60 s, enough to decide whether its sounds are heard."""

SHORTEST_S = 10.0
"""A shorter time does not hold two beats of the quickest of these clocks."""


def devices() -> tuple[Device, ...]:
    """List the microphones; empty where there is none.

    Raises
    ------
    DeviceError
        PortAudio is not installed, or the sound system does not answer.
    """
    return tuple(sound_devices.list_devices())


@dataclass(frozen=True, slots=True)
class CheckMicrophoneRequest:
    """The check to make: source of the sound, length, and known values of the clock."""

    sound: Microphone | Playback = Microphone(channels=2)
    clock: KnownClock = KnownClock()
    duration_s: float = CHECK_S

    def __post_init__(self) -> None:
        if not SHORTEST_S <= self.duration_s <= 3600:
            raise InputError(
                f"the check is to last {self.duration_s:g} s; listen for at least 10 s and at most an hour"
            )


@dataclass(frozen=True, slots=True)
class CheckState:
    """The check so far: microphone, time, loudness, and whether no sound arrives."""

    name: str
    heard_s: float
    duration_s: float
    level: Level = Level()
    away: bool = False


@dataclass(frozen=True, slots=True)
class CheckMicrophoneResult:
    """The result (``placing.best`` is None where no tick is heard), and the failures during the check."""

    placing: Placing
    heard_s: float
    remarks: tuple[str, ...]


def check_microphone(
    request: CheckMicrophoneRequest,
    *,
    on_state: Callable[[CheckState], None] | None = None,
    cancel: Flag | None = None,
    source: LiveSound | None = None,
) -> CheckMicrophoneResult:
    """Listen for a short time, on two channels if available, and report what is heard.

    Parameters
    ----------
    request : CheckMicrophoneRequest
    on_state : callable, optional
        Called with the state about once a second, and when no sound arrives.
    cancel : Flag, optional
        Ends the check early; the sound up to then is judged.
    source : LiveSound, optional
        An open source to listen to instead of ``request.sound``.

    Raises
    ------
    InputError
        No such clock, a value out of range, or a recording that cannot be read.
    DeviceError
        The microphone cannot be opened.
    """
    clock = request.clock.clock()
    with opened(request.sound, source) as live:
        ear, meter = PlacingEar(live.sample_rate_hz, live.channels, clock), LevelMeter.of(live.sample_rate_hz)
        state = CheckState(live.name, 0.0, request.duration_s)

        def silent() -> None:
            if on_state is not None:
                on_state(replace(state, level=Level(), away=True))

        with stopped_by(live, cancel):
            for block in blocks_within(live, request.duration_s, silent):
                ear.feed(block)
                state = replace(state, heard_s=block.stop_frame / live.sample_rate_hz)
                if meter.take(block.samples) and on_state is not None:
                    on_state(replace(state, level=meter.level))
        return CheckMicrophoneResult(ear.finish(), state.heard_s, tuple(live.remarks))
