"""Cuts: the sound of each beat, taken out of a recording in one pass and bounded memory.

Input: a saved recording and its reading. Output: one cut per beat, in order of time, with the places of contact and
drop in it. Times are in seconds. Those of the reading are true seconds: its timebase converts them to frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Reading
from torsionbeat.sound.recording import SavedRecording

__all__ = ["AFTER_S", "BEFORE_S", "BeatCut", "beat_cuts", "chosen_beats"]

BEFORE_S, AFTER_S = 0.08, 0.30
"""Seconds before the contact and after the drop: room noise before, and the ring of a plate after (0.2 s and less)."""

BLOCK_FRAMES = 262_144
"""Frames read at a time: a megabyte of one channel."""

Samples = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BeatCut:
    """The sound of one beat.

    Parameters
    ----------
    number : int
        The beat's number, as in ``Swings``.
    side : str
        ``a`` or ``b``.
    time_s : float
        Middle of the lift passage in the recording, true seconds.
    samples : ndarray of float32, shape (n,)
        Full scale 1; zeros where the recording has a gap.
    contact_s, drop_s : float
        Seconds from the first sample; ``contact_s`` is nan where no contact was heard.
    """

    number: int
    side: str
    time_s: float
    samples: Samples
    contact_s: float
    drop_s: float


def chosen_beats(count: int, wanted: int | None) -> npt.NDArray[np.int64]:
    """Rows of this many beats spread evenly over ``count``, in pairs of neighbours so that both sides are included.

    Examples
    --------
    >>> chosen_beats(10, 4)
    array([0, 1, 8, 9])
    """
    if wanted is None or wanted >= count:
        return np.arange(count)
    firsts = (
        np.linspace(0, count - 2, max(wanted // 2, 1)).round().astype(np.int64)
        if count > 1
        else np.zeros(1, int)
    )
    return np.unique(np.concatenate([firsts, np.minimum(firsts + 1, count - 1)]))[:wanted]


def beat_cuts(
    recording: SavedRecording,
    reading: Reading,
    *,
    beats: int | None = None,
    channel: int | None = None,
    before_s: float = BEFORE_S,
    after_s: float = AFTER_S,
) -> Iterator[BeatCut]:
    """Cut the beats of a reading out of its recording.

    Parameters
    ----------
    recording : SavedRecording
    reading : Reading
        Of this recording.
    beats : int, optional
        How many, spread over the night; None: all.
    channel : int, optional
        Counted from 0; None: the mean of all.
    before_s, after_s : float
        Seconds to take before the contact (or the drop, where no contact is heard) and after the drop.

    Yields
    ------
    BeatCut
        In order of time.

    Raises
    ------
    InputError
        The recording has no such channel, or ``beats`` is below 1.
    """
    if channel is not None and not 0 <= channel < recording.channels:
        raise InputError(
            f"channel {channel + 1} was asked for; {recording.name} has {recording.channels} channel(s)"
        )
    if beats is not None and beats < 1:
        raise InputError(f"{beats} beats were asked for; give at least 1")
    swings = reading.swings
    rows = chosen_beats(len(swings), beats)
    rate_hz = recording.sample_rate_hz * (1 + 1e-6 * reading.timebase.offset_ppm)  # frames in a true second
    half_s = np.nan_to_num(swings.lift_passage_s[rows]) / 2
    contact_s, drop_s = swings.time_s[rows] - half_s, swings.time_s[rows] + half_s
    lost = _lost_frames(drop_s * rate_hz, reading.timebase.steps, rate_hz)
    contact_s, drop_s = contact_s - lost / rate_hz, drop_s - lost / rate_hz
    first = np.maximum(np.round((contact_s - before_s) * rate_hz), 0).astype(np.int64)
    last = np.round((drop_s + after_s) * rate_hz).astype(np.int64)
    sounds = _windows(recording, first, last, channel)
    for row, start, one, two, samples in zip(rows, first, contact_s, drop_s, sounds, strict=True):
        heard = bool(np.isfinite(swings.lift_passage_s[row]))
        yield BeatCut(
            number=int(swings.number[row]),
            side=str(swings.side[row]),
            time_s=float(swings.time_s[row]),
            samples=samples,
            contact_s=float(one - start / rate_hz) if heard else float("nan"),
            drop_s=float(two - start / rate_hz),
        )


def _lost_frames(frames: FloatArray, steps: Sequence[tuple[int, float]], rate_hz: float) -> FloatArray:
    """How many lost frames, known to the timebase, lie before each true place: they are not in the recording.

    The inverse of ``Heard.laid_out``: after each ``(frame, seconds)`` of the steps everything was counted too early.
    """
    if not steps:
        return np.zeros(len(frames))
    at, size_s = np.array(sorted(steps), np.float64).T
    later = np.concatenate([[0.0], np.cumsum(size_s * rate_hz)])
    middles = at + (later[:-1] + later[1:]) / 2  # no beat is heard within what was lost
    found: FloatArray = later[np.searchsorted(middles, frames)]
    return found


def _windows(
    recording: SavedRecording,
    first: npt.NDArray[np.int64],
    last: npt.NDArray[np.int64],
    channel: int | None,
) -> Iterator[Samples]:
    """The samples from each ``first`` to each ``last`` frame; both rise, and windows may overlap."""
    open_windows: list[tuple[int, Samples]] = []
    coming = 0
    for block in recording.blocks(BLOCK_FRAMES):
        mono = block.samples.mean(axis=1) if channel is None else block.samples[:, channel]
        start, stop = block.start_frame, block.start_frame + len(mono)
        while coming < len(first) and first[coming] < stop:
            open_windows.append((int(first[coming]), np.zeros(int(last[coming] - first[coming]), np.float32)))
            coming += 1
        for begin, samples in open_windows:
            low, high = max(begin, start), min(begin + len(samples), stop)
            if low < high:
                samples[low - begin : high - begin] = mono[low - start : high - start]
        while open_windows and open_windows[0][0] + len(open_windows[0][1]) <= stop:
            yield open_windows.pop(0)[1]
    yield from (samples for _, samples in open_windows)
    for number in range(coming, len(first)):  # the recording ends before them: silence
        yield np.zeros(int(last[number] - first[number]), np.float32)
