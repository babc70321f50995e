"""Other clocks in the room: find fast and steady ticks, and remove them from the strength.

A quartz clock that steps each second, a pendulum clock, a balance ticking five times a second: all repeat far more
often than a torsion clock. Input: strength, shape (frames, bands). Output: the intervals heard, and strength in
which each moment is measured against the same moment of the neighbouring ticks. A sound in every tick is removed;
a sound in one only (a beat of the torsion clock) stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from torsionbeat.tracks.bands import rising
from torsionbeat.tracks.cadence import (
    SHORTEST_TICK_S,
    autocorrelation,
    of_short_sounds,
    score_periods,
    strongest_cadences,
)
from torsionbeat.tracks.densities import log_student

__all__ = [
    "EvenTrain",
    "OtherClock",
    "even_train",
    "evenly_ticking",
    "find_other_clock",
    "slide_s",
    "without_other_clock",
    "without_other_clocks",
]

FloatArray = npt.NDArray[np.float32]
FineArray = npt.NDArray[np.float64]

_LONGEST_S = 2.2
"""A seconds pendulum beats every second, tick and tock two seconds apart."""
_LEAST_SCORE = 25.0
"""In units of the correlation's scatter where nothing repeats."""
_ENOUGH_S = 1800.0
"""Half an hour holds some thousand ticks: more would add nothing."""
_FEW_MULTIPLES_S = 1.05
"""Of longer intervals there are fewer than 80 multiples, so that a sound clear in their sum is clear in each of them."""
_ROWS = 48
"""Rows compared at a time: enough for a median, few enough to follow a clock that drifts."""
_MOST_OTHERS, _MOST_HUMS = 3, 2
"""A workshop may have more; so many clocks are taken out one after the other, and so many hums."""
_HUMS = 2 / 3
"""Share of what repeats, by lines of its spectrum, that is faster than any clock in a hum. In a clock of ten ticks a second every
other line is that fast; of mains, fans and motors 0.8 to 1 was, of clocks 0.1 to 0.3."""
# A small alarm clock ticks five times a second, a long pendulum once in two seconds.
_SHORTEST_TRAIN_S, _LONGEST_TRAIN_S = 0.15, 2.3
_LEAST_TICKS, _MOST_PEAKS = 6, 36
"""An even train has six ticks or more, two of them among the loudest peaks."""
_TICK_S, _TICK_HEARD, _TICKS_DB = 0.005, 0.97, 20.0
"""Scale of a tick's distance from its time (at most three times this); share of ticks heard; range of their levels."""
_TRAIN = 0.01
"""Share of rooms in which another clock ticks."""
# Criteria of an even train; explained below the next line.
_TICKS, _ALIKE_DB, _OFTEN = 4, 4.0, 0.5
_EVEN, _EVEN_FRAMES = 0.01, 12.0
"""Limits for the ticks of an ordinary clock: number of sounds, difference in loudness, share of beats, and deviation from even
spacing (share of the step, or 6 ms)."""


@dataclass(frozen=True, slots=True)
class OtherClock:
    """Another sound that repeats: the interval from one sound to the same sound again, and how clear it is.

    ``hums``: it repeats much faster than any clock (mains, a fan), and the interval is only a multiple.
    """

    interval_s: float
    score: float
    hums: bool = False


def find_other_clock(strength: FloatArray, frame_s: float, longest_s: float) -> OtherClock | None:
    """The clearest fast and steady repetition, or None.

    Repetition over short distances proves nothing (the syllables of a sentence repeat too). Only sounds that keep step
    over at least ten intervals and ten seconds count.

    Parameters
    ----------
    strength : ndarray
        shape (frames, bands).
    frame_s : float
        Length of a frame.
    longest_s : float
        Longest interval looked for.
    """
    longest_s = min(_LONGEST_S, longest_s)
    if longest_s <= SHORTEST_TICK_S or len(strength) * frame_s < 30:
        return None
    # Half an hour holds hundreds of ticks: a longer stretch need not be correlated with itself.
    up = rising(strength[: round(_ENOUGH_S / frame_s)], 6.0)
    lags = int(min(len(up) // 2, 90 / frame_s))
    correlation = of_short_sounds(autocorrelation(up, lags))
    correlation[: int(10 / frame_s)] = 0
    width = 3
    multiples = int(min(400, lags * frame_s / SHORTEST_TICK_S))
    periods, scores = _score_from(correlation, frame_s, longest_s, multiples, width)
    best = strongest_cadences(periods, scores, 1)
    if not best or best[0].score < _LEAST_SCORE:
        return None
    mean = scores * np.sqrt(periods)
    clear = scores > _LEAST_SCORE
    first = int(np.flatnonzero(clear & (mean > 0.7 * mean[clear].max()))[0])
    near = (periods >= periods[first]) & (periods < periods[first] * 1.01)
    chosen = int(np.argmax(np.where(near, scores, 0)))
    interval_s = float(periods[chosen])
    if not _every_interval(correlation, frame_s, interval_s):
        return None
    return OtherClock(interval_s, float(scores[chosen]), _hums(correlation, frame_s, interval_s))


def _hums(correlation: FloatArray, frame_s: float, interval_s: float) -> bool:
    """Whether what repeats is a hum: the lines of its spectrum that hold most are multiples of one faster than any clock."""
    series = correlation[int(10 / frame_s) :].astype(np.float64)
    spectrum = np.abs(np.fft.rfft((series - series.mean()) * np.hanning(len(series))))
    lines = np.arange(1, int(interval_s / (2 * frame_s)) + 1)
    places = np.rint(lines * len(series) * frame_s / interval_s).astype(np.int64)
    heights = np.max(
        [spectrum[np.clip(places + step, 0, len(spectrum) - 1)] for step in range(-2, 3)], axis=0
    )
    fast = lines[lines > interval_s / SHORTEST_TICK_S]
    most = max((float(heights[lines % line == 0].sum()) for line in fast), default=0.0)
    return most > _HUMS * float(heights.sum())


def _every_interval(correlation: FloatArray, frame_s: float, interval_s: float) -> bool:
    """Whether the sound repeats at every multiple of the interval, and not only at every third or eighth.

    The greatest of three neighbours is above zero by chance. Of a slow sound there are few multiples, and those of a clock of
    eight intervals are much of their mean: they are counted from what chance gives.
    """
    multiples = np.arange(int(10 / interval_s) + 1, int(len(correlation) * frame_s / interval_s) - 1)
    lags = np.rint(multiples * interval_s / frame_s).astype(np.int64)
    heights = np.maximum.reduce([correlation[lags + step] for step in (-1, 0, 1)])
    if interval_s > _FEW_MULTIPLES_S:
        anywhere = correlation[int(10 / frame_s) :]
        heights = heights - np.median(np.maximum.reduce([anywhere[:-2], anywhere[1:-1], anywhere[2:]]))
    return bool(np.quantile(heights, 0.25) > 0.3 * heights.mean())


def _score_from(
    correlation: FloatArray, frame_s: float, longest_s: float, multiples: int, width: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Score of each interval, over all its multiples within the correlation."""
    total = len(correlation) * frame_s
    all_periods, all_scores = [], []
    low = SHORTEST_TICK_S
    while low < longest_s:
        high = min(low * 1.5, longest_s)
        periods, scores = score_periods(
            correlation, frame_s, low, high, multiples=min(multiples, int(total / high)), width=width
        )
        inside = periods < high
        all_periods.append(periods[inside])
        all_scores.append(scores[inside])
        low = high
    return np.concatenate(all_periods), np.concatenate(all_scores)


def without_other_clock(
    strength: FloatArray, frame_s: float, other: OtherClock
) -> tuple[FloatArray, npt.NDArray[np.float16]]:
    """Strength with the other clock's ticks measured against each other instead of against the room.

    Two intervals make a row, so that tick and tock are kept separate; 48 rows are compared at a time, and the
    rows follow the other clock as it drifts. Also returns what the other clock adds to the room at each
    moment, in units of strength, shape as ``strength``.

    Parameters
    ----------
    strength : ndarray
        shape (frames, bands).
    frame_s : float
        Length of a frame.
    other : OtherClock
    """
    from scipy.ndimage import maximum_filter1d

    out = strength.copy()
    added: npt.NDArray[np.float16] = np.zeros(strength.shape, np.float16)
    row_s = 2 * other.interval_s
    columns = int(row_s / frame_s)
    if columns < 8:
        return out, added
    start_s = 0.0
    row = row_s
    frames = len(strength)
    reference: FloatArray | None = None
    while True:
        starts = np.rint((start_s + row * np.arange(_ROWS)) / frame_s).astype(np.int64)
        starts = starts[starts + columns + 4 < frames]
        if len(starts) < 6:
            break
        index = starts[:, None] + np.arange(columns + 2)[None, :]
        block = strength[np.minimum(index, frames - 1)]
        low, high = np.quantile(block, [0.5, 0.84], axis=0).astype(np.float32)
        profile = low.sum(axis=1)
        if reference is not None:
            shift = _best_shift(reference, profile)
            if shift:
                start_s += shift * frame_s
                row += shift * frame_s / _ROWS * 0.5
                if start_s < 0:
                    start_s += row
                starts = np.rint((start_s + row * np.arange(_ROWS)) / frame_s).astype(np.int64)
                starts = starts[(starts >= 0) & (starts + columns + 4 < frames)]
                index = starts[:, None] + np.arange(columns + 2)[None, :]
                block = strength[np.minimum(index, frames - 1)]
                low, high = np.quantile(block, [0.5, 0.84], axis=0).astype(np.float32)
                profile = low.sum(axis=1)
        reference = profile
        middle = maximum_filter1d(low, 3, axis=0, mode="wrap")
        spread = maximum_filter1d(np.maximum(high - low, 0), 3, axis=0, mode="wrap")
        busy = middle > 0.6
        middle = np.where(busy, middle, 0)
        spread = np.where(busy, np.maximum(spread, 1), 1)
        left = (block - middle) / spread
        left -= np.clip(left, -3, 3).mean(axis=0)
        out[index] = left
        added[index] = np.where(busy, middle + spread, 0)
        start_s += row * len(starts)
        if len(starts) < _ROWS:
            break
    return out, added


def without_other_clocks(
    strength: FloatArray, frame_s: float, longest_s: float
) -> tuple[FloatArray, tuple[OtherClock, ...], npt.NDArray[np.float16] | None]:
    """Strength without the other clocks that are heard (at most three); those clocks; and what they add (None without any).

    A hum that repeats as steadily is taken out too, and is no clock: it is there at every moment, and so in the room's floor.

    Parameters
    ----------
    strength : ndarray
        shape (frames, bands).
    frame_s : float
        Length of a frame.
    longest_s : float
        Longest interval looked for.
    """
    found: list[OtherClock] = []
    added: npt.NDArray[np.float16] | None = None
    while True:
        other = find_other_clock(strength, frame_s, longest_s)
        if other is None or any(abs(other.interval_s / known.interval_s - 1) < 0.01 for known in found):
            break
        strength, more = without_other_clock(strength, frame_s, other)
        if not other.hums:
            added = more if added is None else added + more
        found.append(other)
        if sum(one.hums == other.hums for one in found) == (_MOST_HUMS if other.hums else _MOST_OTHERS):
            break
    return strength, tuple(one for one in found if not one.hums), added


def _best_shift(reference: FloatArray, profile: FloatArray, reach: int = 6) -> int:
    """Frames by which the profile is later than the reference."""
    cut_reference = np.clip(reference, 0, 20)
    cut = np.clip(profile, 0, 20)
    overlap = [float(np.dot(cut_reference, np.roll(cut, -shift))) for shift in range(-reach, reach + 1)]
    return int(np.argmax(overlap)) - reach


@dataclass(frozen=True, slots=True)
class EvenTrain:
    """The peaks that an evenly ticking clock explains, the natural logarithm of its odds over the room, and its interval."""

    used: npt.NDArray[np.bool_]
    score: float
    interval_s: float = np.nan


def even_train(
    times: FineArray, levels: FineArray, rarity: FineArray, duration_s: float, longest_s: float
) -> EvenTrain:
    """The even train of peaks that explains most; no peaks and a score of 0 where none has six ticks.

    For a stretch that is too short for `find_other_clock`. A train of which every second or third tick explains more, at an
    interval longer than is looked for, is the clock's own drops and a few sounds between them.

    Parameters
    ----------
    times, levels, rarity : ndarray
        shape (peaks,), in order of time: seconds, dB, and the logarithm of one over the density of such peaks per second and dB.
    duration_s : float
    longest_s : float
        Longest interval looked for.
    """
    best = EvenTrain(np.zeros(len(times), bool), 0.0)
    if len(times) < _LEAST_TICKS:
        return best
    t = np.sort(times[np.argsort(-levels)[:_MOST_PEAKS]])
    first, second = np.triu_indices(len(t), 1)
    interval = t[second] - t[first]
    longest_s = min(longest_s, _LONGEST_TRAIN_S)
    fits = (interval > _SHORTEST_TRAIN_S) & (interval < longest_s)
    start, interval = t[first[fits]], interval[fits]
    for _ in range(2):
        start, interval = _through(times, start, interval)
    for one in range(len(start)):
        at, step = float(start[one]), float(interval[one])
        train = _scored(times, rarity, duration_s, at, step)
        if np.count_nonzero(train.used) < _LEAST_TICKS or train.score <= best.score:
            continue
        slower = [
            (at + phase * step, times_slower * step)
            for times_slower in (2, 3)
            for phase in range(times_slower)
        ]
        if all(
            slow_s < longest_s or _scored(times, rarity, duration_s, first_s, slow_s).score < train.score
            for first_s, slow_s in slower
        ):
            best = train
    return best


def _through(times: FineArray, start: FineArray, interval: FineArray) -> tuple[FineArray, FineArray]:
    """Start and interval (trains) of the straight line through the peaks near the ticks of each train with six or more."""
    number = np.rint((times - start[:, None]) / interval[:, None])
    near = np.abs(times - start[:, None] - number * interval[:, None]) < 3 * _TICK_S
    last = np.maximum.accumulate(np.where(near, number, -np.inf), axis=1)
    new = near[:, 1:] & (number[:, 1:] > last[:, :-1])
    enough = near[:, 0] + np.count_nonzero(new, axis=1) >= _LEAST_TICKS
    number, near = number[enough], near[enough]
    count = np.maximum(np.count_nonzero(near, axis=1), 1)
    middle, middle_s = (number * near).sum(axis=1) / count, (times * near).sum(axis=1) / count
    apart = (number - middle[:, None]) * near
    interval = (apart * (times - middle_s[:, None])).sum(axis=1) / (apart**2).sum(axis=1)
    rising = interval > 0
    return (middle_s - interval * middle)[rising], interval[rising]


def _scored(
    times: FineArray, rarity: FineArray, duration_s: float, start: float, interval: float
) -> EvenTrain:
    """The peaks that one train takes (the likeliest at each tick), and its score."""
    number = np.rint((times - start) / interval)
    gap = times - start - number * interval
    value = np.log(_TICK_HEARD) + rarity + log_student(gap, 0.0, _TICK_S) - np.log(_TICKS_DB)
    missing = np.log(1 - _TICK_HEARD)
    first, last = int(np.ceil(-start / interval)), int((duration_s - start) / interval)
    inside = (number >= first) & (number < last) & (np.abs(gap) < 3 * _TICK_S) & (value > missing)
    index = np.flatnonzero(inside)
    index = index[np.lexsort((-value[index], number[index]))]
    index = index[np.diff(number[index], prepend=-np.inf) > 0]
    used = np.zeros(len(times), bool)
    used[index] = True
    score = value[index].sum() + missing * max(last - first - len(index), 0)
    return EvenTrain(used, float(score + np.log(_TRAIN / np.sqrt(max(len(index), 1)))), interval)


def slide_s(period_s: float, interval_s: float, duration_s: float) -> float:
    """Seconds by which a clock slides along another's ticks in a stretch: next to nothing where its period is a whole number."""
    ticks = max(round(period_s / interval_s), 1)
    return abs(period_s - ticks * interval_s) * duration_s / period_s


def evenly_ticking(side: list[tuple[float, float, float]]) -> bool:
    """Whether the sounds of a side are the ticks of an ordinary clock: four or more, alike, whole steps apart.

    Each sound is (place, loudness, share of the beats in which it is certain), in order of place. A whole number of
    another clock's ticks repeats like a period too. The sounds of an escapement are neither evenly spaced nor equally loud.
    """
    sure = [(place, loudness) for place, loudness, share in side if share >= _OFTEN]
    if len(sure) < _TICKS:
        return False
    places, loudness = zip(*sure, strict=True)
    gaps = [after - before for before, after in pairwise(places)]
    step = min(gaps)
    if step <= 0:
        return False
    even = all(abs(gap / step - round(gap / step)) * step < max(_EVEN * gap, _EVEN_FRAMES) for gap in gaps)
    return even and max(loudness) - min(loudness) < _ALIKE_DB
