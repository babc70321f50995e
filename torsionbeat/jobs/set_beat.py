"""Set a clock in beat: after each swing the offset, its uncertainty, and the direction to turn.

Input: live sound, and known values of the clock. Output: a state after each beat. Nothing is kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.sides import KnownSides, LiveSides, known_sides
from torsionbeat.bench.source import Flag, LiveSound, Microphone, Playback, blocks_within, opened, stopped_by
from torsionbeat.errors import NothingHeardError
from torsionbeat.live.beat_trace import BeatSetting, BeatTrace
from torsionbeat.live.follower import Follower
from torsionbeat.live.level import Level, LevelMeter
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.beatsetting import BeatAdvice, beat_advice
from torsionbeat.theory.limits import arc_within, within

__all__ = ["BeatState", "SetBeatRequest", "SetBeatResult", "set_beat"]


@dataclass(frozen=True, slots=True)
class SetBeatRequest:
    """The sound and the clock for setting the beat.

    Parameters
    ----------
    sound : Microphone or Playback
    clock : KnownClock
        With its lift, the arc and the offset in degrees are measured where contacts are heard.
    arc_deg : float or None
        Arc (end to end) counted by eye, where only the drop is heard.
    share_above_fork : float
        Where the fork rides on the strip: free length above the fork over the active length; else 1.
    duration_s : float or None
        Length; None: until stopped, or the recording ends.
    """

    sound: Microphone | Playback = Microphone()
    clock: KnownClock = KnownClock()
    arc_deg: float | None = None
    share_above_fork: float = 1.0
    duration_s: float | None = None

    def __post_init__(self) -> None:
        if self.arc_deg is not None:
            arc_within(self.arc_deg)
        within(
            "share of the strip above the fork", self.share_above_fork, 0, 1, "", "free length above over all"
        )


@dataclass(frozen=True, slots=True)
class BeatState:
    """The beat so far.

    Attributes
    ----------
    name : str
        Name of the microphone or recording.
    heard_s : float
        Length so far, including lost stretches.
    learning : bool
        The clock's sounds are still being learnt; ``setting`` is then None.
    setting : BeatSetting or None
        The present beat setting.
    advice : BeatAdvice or None
        Direction and angle to turn; None where no arc is known.
    period_s : float or None
        The clock's period, once learnt.
    beats : int
        Number of beats heard so far.
    level : Level
    side_names : (str, str)
        Names of the directions of the balance at a beat of side a and b; empty unless the sides were taught and are recognised.
    away : bool
        No sound arrives: the figures are not current.
    """

    name: str
    heard_s: float = 0.0
    learning: bool = True
    setting: BeatSetting | None = None
    advice: BeatAdvice | None = None
    period_s: float | None = None
    beats: int = 0
    level: Level = Level()
    away: bool = False
    side_names: tuple[str, str] = ("", "")

    @property
    def in_beat(self) -> bool:
        """Whether the clock is in beat and this is confirmed."""
        advice, setting = self.advice, self.setting
        return setting is not None and setting.settled and advice is not None and not advice.needed


@dataclass(frozen=True, slots=True)
class SetBeatResult:
    """The last state, and the failures on the way."""

    state: BeatState
    remarks: tuple[str, ...]


def set_beat(
    request: SetBeatRequest,
    *,
    on_state: Callable[[BeatState], None] | None = None,
    cancel: Flag | None = None,
    source: LiveSound | None = None,
) -> SetBeatResult:
    """Follow a clock beat by beat until stopped.

    Parameters
    ----------
    request : SetBeatRequest
    on_state : callable, optional
        Called with the state at the beginning, at each beat and about once a second, or while no sound arrives.
    cancel : Flag, optional
        Ends the job; the last state is the result.
    source : LiveSound, optional
        An open source to listen to instead of ``request.sound``.

    Raises
    ------
    NothingHeardError
        No clock was heard.
    InputError
        No such clock, a value out of range, or a recording that cannot be read.
    DeviceError
        The microphone cannot be opened.
    """
    clock = request.clock.clock()
    with opened(request.sound, source) as live:
        state = BeatState(live.name)
        tell = on_state or (lambda _: None)
        tell(state)

        def silent() -> None:
            tell(replace(state, setting=None, advice=None, level=Level(), away=True))

        sides = LiveSides(_known(request.clock))
        follower = Follower(live.sample_rate_hz, clock.nominal_period_s)
        trace = BeatTrace(live.sample_rate_hz, clock.lift_deg, request.arc_deg)
        meter = LevelMeter.of(live.sample_rate_hz)
        with stopped_by(live, cancel):
            for block in blocks_within(live, request.duration_s, silent):
                was_learning, setting = follower.learning, state.setting
                beats = follower.feed(block.samples[:, 0], block.start_frame)
                for beat in sides.beats(beats, follower.voices):
                    assert follower.period_s is not None
                    setting = trace.take(beat, follower.period_s)
                new_level = meter.take(block.samples)
                state = replace(state, heard_s=block.stop_frame / live.sample_rate_hz, level=meter.level)
                if beats or follower.learning != was_learning:
                    state = _state(state, follower, setting, len(beats), request, clock, sides.names)
                    tell(state)
                elif new_level:
                    tell(state)
        remarks = tuple(live.remarks)
    if not state.beats:
        raise NothingHeardError(
            "no clock was heard; see with listen --check whether the microphone is well placed, and give --period"
        )
    return SetBeatResult(state, remarks)


def _state(
    state: BeatState,
    follower: Follower,
    setting: BeatSetting | None,
    beats: int,
    request: SetBeatRequest,
    clock: Clock,
    names: tuple[str, str],
) -> BeatState:
    setting = None if follower.learning else setting
    advice = None
    if setting is not None and setting.offset_deg is not None and follower.period_s is not None:
        advice = beat_advice(
            setting.beat_error_ms,
            setting.arc_deg,
            follower.period_s,
            lift_deg=clock.lift_deg or 0.0,
            offset_deg=setting.offset_deg,
            share_above_fork=request.share_above_fork,
            side_names=names,
            sides_shown=True,
        )
    return replace(
        state,
        learning=follower.learning,
        setting=setting,
        advice=advice,
        period_s=follower.period_s,
        beats=state.beats + beats,
        side_names=names,
    )


def _known(clock: KnownClock) -> KnownSides | None:
    """The clock's sides from the bench log; None for a clock without a name there."""
    if clock.name is None:
        return None
    from torsionbeat.benchlog import open_log

    with open_log(clock.log, must_exist=True) as log:
        return known_sides(log, clock.name)
