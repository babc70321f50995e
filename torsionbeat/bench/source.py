"""The source of live sound: a microphone, or a recording played like one.

Input: a ``Microphone`` or a ``Playback``. Output: an open source of blocks, which ends on request or when its time is over.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from torsionbeat.errors import InputError
from torsionbeat.live.session import AWAY_S, STATE_S, Source, moments_of, silent_s
from torsionbeat.sound.block import Block
from torsionbeat.sound.timebase import Timebase, unknown_timebase

__all__ = ["Flag", "LiveSound", "Microphone", "Playback", "blocks_within", "opened", "stopped_by"]

QUEUE_S = 90.0
"""Length of the queue for slow moments of the computer (s): longer than the analysis of a whole night takes."""

BLOCK_FRAMES = 2048
"""Same block size as the microphone: 43 ms at 48 kHz, well below the time between two beats."""

LOOK_EVERY_S = 0.1
"""Delay of a stop request (s): too short to be noticed by hand."""


class Flag(Protocol):
    """A signal to end the work, for example a ``threading.Event``."""

    def is_set(self) -> bool:
        """Whether the work is to end."""


class LiveSound(Source, Protocol):
    """A source that can be stopped."""

    @property
    def synchronised(self) -> bool | None:
        """Whether the computer's clock was synchronised by network time throughout."""

    def stop(self) -> None:
        """End the blocks soon."""


@dataclass(frozen=True, slots=True)
class Microphone:
    """A sound input: its number or part of its name (None: the default input), and its settings.

    Parameters
    ----------
    device : int, str or None
    sample_rate_hz : float
    channels : int
        1 to 8.
    """

    device: int | str | None = None
    sample_rate_hz: float = 48_000.0
    channels: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.channels <= 8:
            raise InputError(f"{self.channels} channels cannot be listened to; use 1 to 8")
        if not 8_000 <= self.sample_rate_hz <= 384_000:
            raise InputError(
                f"the sample rate is {self.sample_rate_hz:g} Hz; rates from 8000 to 384000 Hz can be used"
            )


@dataclass(frozen=True, slots=True)
class Playback:
    """A recording played like a microphone, for trials and practice without one.

    Parameters
    ----------
    recording : Path
    pace : float or None
        Speed relative to real time; None: as fast as it can be analysed.
    """

    recording: Path
    pace: float | None = None

    def __post_init__(self) -> None:
        if self.pace is not None and not 0.1 <= self.pace <= 1000:
            raise InputError(f"the pace is {self.pace:g} times real time; it must lie between 0.1 and 1000")


class _Played:
    """The open recording of a ``Playback``; replaces a microphone."""

    def __init__(self, playback: Playback) -> None:
        from torsionbeat.sound.recording import open_recording

        self._recording = open_recording(playback.recording)
        self._pace = playback.pace
        self._stopped = threading.Event()
        self.name = self._recording.name
        self.sample_rate_hz = self._recording.sample_rate_hz
        self.channels = self._recording.channels
        self.on_event: Callable[..., None] | None = None

    @property
    def remarks(self) -> list[str]:
        return list(self._recording.remarks)

    @property
    def timebase(self) -> Timebase:
        return self._recording.timebase or unknown_timebase()

    @property
    def synchronised(self) -> bool | None:
        return None

    def stop(self) -> None:
        self._stopped.set()

    def blocks(self) -> Iterator[Block]:
        began = time.monotonic()
        for block in self._recording.blocks(BLOCK_FRAMES):
            if self._pace is not None:
                due_s = block.stop_frame / self.sample_rate_hz / self._pace
                self._stopped.wait(max(began + due_s - time.monotonic(), 0))
            if self._stopped.is_set():
                return
            yield block

    def close(self) -> None:
        self._recording.close()


@contextlib.contextmanager
def opened(sound: Microphone | Playback, given: LiveSound | None = None) -> Iterator[LiveSound]:
    """Open a source, or use the given one, which its owner closes.

    Parameters
    ----------
    sound : Microphone or Playback
    given : LiveSound, optional
        An open source to use instead.

    Raises
    ------
    DeviceError
        The microphone cannot be opened.
    InputError
        The recording cannot be read.
    """
    if given is not None:
        yield given
    elif isinstance(sound, Playback):
        with contextlib.closing(_Played(sound)) as played:
            yield played
    else:
        from torsionbeat.sound import capture

        with capture.LiveSource(
            sound.device,
            sample_rate_hz=sound.sample_rate_hz,
            channels=sound.channels,
            queue_blocks=int(QUEUE_S * sound.sample_rate_hz / BLOCK_FRAMES),
        ) as source:
            yield source


@contextlib.contextmanager
def stopped_by(source: LiveSound, *flags: Flag | None) -> Iterator[None]:
    """Stop a source soon after one of the flags is set, while the ``with`` block lasts.

    Parameters
    ----------
    source : LiveSound
    *flags : Flag or None
    """
    over = threading.Event()

    def look() -> None:
        while not over.wait(LOOK_EVERY_S):
            if any(flag is not None and flag.is_set() for flag in flags):
                source.stop()

    watch = threading.Thread(target=look, daemon=True, name="watch over a listening")
    watch.start()
    try:
        yield
    finally:
        over.set()
        watch.join()


def blocks_within(
    source: LiveSound, duration_s: float | None, on_silence: Callable[[], None]
) -> Iterator[Block]:
    """Yield the blocks of a source until it is stopped or the duration is reached.

    Parameters
    ----------
    source : LiveSound
    duration_s : float or None
    on_silence : callable
        Called about once a second while nothing arrives.
    """
    told_s = 0.0
    for block in moments_of(source, duration_s):
        if block is None:
            now_s = time.monotonic()
            if silent_s(source) >= AWAY_S and now_s - told_s >= STATE_S:
                told_s = now_s
                on_silence()
            continue
        yield block
        if duration_s is not None and block.stop_frame >= duration_s * source.sample_rate_hz:
            return
