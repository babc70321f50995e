"""Analysis: from a recording on disk to its reading. Every saved recording is read through this module."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from os import PathLike

from torsionbeat.errors import InputError
from torsionbeat.hearing.heard import Heard
from torsionbeat.hearing.listener import Listener
from torsionbeat.reading.figures import Clock, Reading, Timebase
from torsionbeat.reading.measuring import reading_of
from torsionbeat.reading.movement import with_movement
from torsionbeat.sound.block import Block, read_ahead
from torsionbeat.sound.kept import with_room_tone
from torsionbeat.sound.recording import SavedRecording, open_recording
from torsionbeat.sound.remarks import Remark
from torsionbeat.sound.timebase import stated_timebase, unknown_timebase
from torsionbeat.tracks.reference import ReferenceEar, check_reference

__all__ = ["Analysis", "Listening", "analyse", "analyse_fully", "hear"]

BANDED_AHEAD = 400
"""Blocks whose bands are kept while a chapter is heard: 73 minutes at 48 kHz, 55 MB, as much as a chapter takes to hear."""
_GIVES_WAY = 5
"""Niceness of the thread that hears chapters. On two cores it otherwise takes a third of one from decoding, which lasts longest:
a night of 8 hours took 20 s instead of 19."""


@dataclass(frozen=True, slots=True)
class Listening:
    """How to listen: the range of full periods searched, and what is known of the recorder's crystal.

    ``channel``, counted from 0, is the only one that is heard; None: the one that hears the clock best.
    ``reference_interval_s`` is that of a quartz clock or of time-signal pips in the same recording, known to within
    ``reference_tolerance_ppm`` either way: its ticks measure the crystal.
    """

    shortest_period_s: float = 4.0
    longest_period_s: float = 121.0
    sample_clock_ppm: float | None = None
    sample_clock_tolerance_ppm: float = 0.0
    reference_interval_s: float | None = None
    reference_tolerance_ppm: float = 5.0
    channel: int | None = None

    def __post_init__(self) -> None:
        low, high = self.shortest_period_s, self.longest_period_s
        if not 0.3 <= low < high <= 600:
            raise InputError(
                f"periods from {low:g} to {high:g} s were asked for; the shortest must be at least 0.3 s, the longest at "
                "most 600 s, and the shortest below the longest"
            )
        if not 0 <= self.sample_clock_tolerance_ppm <= 1000:
            raise InputError(
                f"the tolerance of the recorder's ppm is {self.sample_clock_tolerance_ppm:g}; it must lie between 0 and 1000"
            )
        if self.reference_interval_s is not None:
            check_reference(self.reference_interval_s, self.reference_tolerance_ppm)
            if self.sample_clock_ppm is not None:
                raise InputError(
                    "the recorder's crystal is stated, and a reference clock is to measure it; give one of the two"
                )


@dataclass(frozen=True, slots=True)
class Analysis:
    """A reading together with what was heard, for the plots."""

    reading: Reading
    heard: Heard


def hear(
    recording: SavedRecording,
    clock: Clock,
    listening: Listening,
    progress: Callable[[int], None] | None = None,
    block_frames: int = 524288,
    reference: ReferenceEar | None = None,
) -> Heard:
    """Listen to a whole recording, with a second ear for a reference clock if one is given.

    Parameters
    ----------
    recording : SavedRecording
    clock : Clock
        What is known of it.
    listening : Listening
        How to listen.
    progress : callable, optional
        Called with the frames read so far.
    block_frames : int
        Frames taken at a time; the figures do not depend on it.
    reference : ReferenceEar, optional
        A second ear, for a reference clock.

    Raises
    ------
    InputError
        The channel asked for is not there.
    """
    one = listening.channel
    if one is not None and not 0 <= one < recording.channels:
        raise InputError(
            f"channel {one + 1} was asked for; {recording.name} has {recording.channels} (counted from 1)"
        )
    listener = Listener(
        recording.sample_rate_hz,
        recording.channels if one is None else 1,
        nominal_period_s=clock.nominal_period_s,
        shortest_period_s=listening.shortest_period_s,
        longest_period_s=listening.longest_period_s,
    )
    ahead = read_ahead(recording.blocks(block_frames))
    blocks: Iterable[Block] = ahead
    if reference is not None:
        blocks = _overheard(blocks, reference)
    if recording.not_kept:
        blocks = with_room_tone(blocks, recording.not_kept, recording.sample_rate_hz)
    chosen = (
        (block.samples if one is None else block.samples[:, one], block.start_frame) for block in blocks
    )
    banded = read_ahead(listener.banded(chosen), BANDED_AHEAD)
    try:
        with ThreadPoolExecutor(1, "analysis", _give_way) as analysis:
            for piece in banded:
                analysis.submit(listener.take, piece).result()
                if progress is not None:
                    progress(listener.samples)
    finally:
        banded.close()
        ahead.close()
    return listener.finish()


def _give_way() -> None:
    """Let the other threads of this program go first: what decodes takes longest, and what it waits for delays the end."""
    if sys.platform == "linux":  # there a priority is a thread's own
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _GIVES_WAY)


def _overheard(blocks: Iterable[Block], reference: ReferenceEar) -> Iterator[Block]:
    """The same blocks, heard by another ear on the way: only sound that was recorded, no room tone."""
    for block in blocks:
        reference.feed(block.samples, block.start_frame)
        yield block


def analyse_fully(
    path: str | PathLike[str],
    clock: Clock | None = None,
    listening: Listening | None = None,
    progress: Callable[[int, int | None], None] | None = None,
) -> Analysis:
    """Read a recording and measure the clock in it; see :func:`analyse`.

    Parameters
    ----------
    path : str or PathLike[str]
    clock : Clock, optional
        What is known of it.
    listening : Listening, optional
        How to listen.
    progress : callable, optional
        Called with the frames read so far, and the frames stated for the whole, or None.
    """
    clock = clock or Clock()
    listening = listening or Listening()
    with open_recording(path) as recording:
        stated = recording.frames_stated

        def told(frames: int) -> None:
            if progress is not None:
                progress(frames, stated)

        reference = _reference(recording, listening)
        heard = hear(recording, clock, listening, told, reference=reference)
        timebase, remarks = _timebase(recording, listening), tuple(recording.remarks)
        if reference is not None:
            timebase, unheard = reference.timebase_or(timebase, heard.sounds.sample)
            remarks = (*remarks, Remark("reference-not-heard", unheard)) if unheard else remarks
        reading = reading_of(heard, clock, timebase, recording.name, remarks, recording.recorder)
        return Analysis(with_movement(reading, heard), heard)


def analyse(
    path: str | PathLike[str],
    clock: Clock | None = None,
    *,
    sample_clock_ppm: float | None = None,
    sample_clock_tolerance_ppm: float = 0.0,
    reference_interval_s: float | None = None,
    reference_tolerance_ppm: float = 5.0,
) -> Reading:
    """Measure the clock in a recording.

    Parameters
    ----------
    path : path-like
        A sound file, or a folder in which a live recording was kept.
    clock : Clock, optional
        What is known of the clock: nominal period, lift, limits.
    sample_clock_ppm, sample_clock_tolerance_ppm : float
        How fast the recorder's crystal runs, and the standard uncertainty of that. By default the folder's own
        journal counts, or else 50 ppm either way.
    reference_interval_s, reference_tolerance_ppm : float
        Interval of a quartz clock or of time-signal pips in the same recording, and its tolerance in ppm either way.
        They measure the crystal. Where they are not heard, a remark says so.

    Returns
    -------
    Reading
        Period, rate, beat error, offset and arc with their uncertainties. The period is the mean over the stretch
        heard, from the first beat to the last.

    Raises
    ------
    InputError
        The recording cannot be read.
    NothingHeardError
        It holds no clock that can be measured.
    """
    listening = Listening(
        sample_clock_ppm=sample_clock_ppm,
        sample_clock_tolerance_ppm=sample_clock_tolerance_ppm,
        reference_interval_s=reference_interval_s,
        reference_tolerance_ppm=reference_tolerance_ppm,
    )
    return analyse_fully(path, clock, listening).reading


def _reference(recording: SavedRecording, listening: Listening) -> ReferenceEar | None:
    if listening.reference_interval_s is None:
        return None
    return ReferenceEar(
        recording.sample_rate_hz, listening.reference_interval_s, listening.reference_tolerance_ppm
    )


def _timebase(recording: SavedRecording, listening: Listening) -> Timebase:
    own = recording.timebase or unknown_timebase()
    if listening.sample_clock_ppm is None:
        return own
    stated = stated_timebase(listening.sample_clock_ppm, listening.sample_clock_tolerance_ppm)
    return replace(stated, steps=own.steps, silent=own.silent)
