"""Which period? From rising strength to the pattern of one clock, or to none.

Input: rising strength at a few hundred frames a second. The autocorrelation of each band (Wiener-Khinchin, by FFT) shows every
pair of like sounds at its distance; a clock of period T puts a peak at T, 2 T, 3 T ... The mean of the autocorrelation over
those multiples, divided by its scatter in a room without a clock, is the score of a cadence. Without any repetition it is about
normal with unit variance, so that a few million periods tried reach about 5.3 by chance.

The score of a period shows that a sound repeats, but not that it is a clock (a sentence repeats its syllables, rain its
drops). So each candidate period is verified: a track must run through all its periods, with its partner half a period away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.bands import STRONGEST
from torsionbeat.hearing.pattern import (
    CLEAR_TRACK_SCORE,
    FEW_ROWS,
    LEAST_TRACK_SCORE,
    LONGEST_LIFT,
    Pattern,
    clear,
    halves,
    least_score,
    one_sided,
    pattern_at,
    sounds_round,
)

__all__ = [
    "Cadence",
    "Found",
    "Wanted",
    "autocorrelation",
    "find_clock",
    "find_second_clock",
    "of_short_sounds",
    "score_periods",
    "steady_places",
    "strongest_cadences",
    "without_other_cadence",
]

FloatArray = npt.NDArray[np.float32]

_LEAST_SCORE = 4.5
"""Score of a cadence near the given period, above which its track is tried."""
_LEAST_SCORE_UNTOLD = 5.6
"""The same without a given period: many more periods are tried, and chance reaches higher."""
_NEAR_NOMINAL = 0.045
"""Share by which a clock may be off the given period: an hour a day, more than any regulator corrects."""
_ONE_PERIOD = 5e-4  # periods nearer than this share of themselves are one
_STEADY_CELL_S, _STEADY_MISSING, _LEAST_STEADY_ROWS = 0.02, -4.5, 3
"""Width of a phase, score of a row without a peak there (97 of 100 sounds are heard, the softest peaks have no rarity); rows."""
_STEADY_TRIED, _STEADY_PLACES, _PERIODS_TOGETHER = 60, 8, 64
"""Clearest places looked at of so many periods, places given (a clock has four sounds), and periods evaluated together."""
OUT_OF_HALF = 0.08
"""Share of the period by which the second side's sound may be from half a period after the first's."""
_SLOW = 250
"""Pooled frames (a second): a sound that repeats does so within a few, what repeats over more of them is the room's loudness."""


@dataclass(frozen=True, slots=True)
class Cadence:
    """A period in seconds and its score."""

    period_s: float
    score: float


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is known before listening: the nominal period, if any, and the range in which to search."""

    nominal_period_s: float | None
    shortest_s: float
    longest_s: float
    fraction_s: float = 1.8
    """Shortest distance of beats that is accepted for the clock when whole fractions of a period are tried."""
    heard: bool = False
    """Whether the clock was heard with that period before, in the same sound."""


@dataclass(frozen=True, slots=True)
class Found:
    """A clock: its pattern, its rough period and the score of its cadence."""

    pattern: Pattern
    period_s: float
    score: float


def autocorrelation(rising: FloatArray, lags: int, strongest: float = 6.0) -> FloatArray:
    """Autocorrelation summed over bands, shape (lags,), in units of its scatter where nothing repeats.

    ``rising`` has shape (frames, bands).

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    lags : int
        Number of lags.
    strongest : float
        Larger values count as this.
    """
    from scipy import fft

    frames = len(rising)
    lags = min(lags, frames - 1)
    size = fft.next_fast_len(frames + lags, real=True)
    summed = np.zeros(size // 2 + 1, np.float32)
    used = 0
    for band in range(rising.shape[1]):
        series = np.clip(rising[:, band], -2, strongest).astype(np.float32)
        series -= series.mean()
        variance = float(series.var())
        if variance <= 0:
            continue
        spectrum = fft.rfft(series, size)
        summed += (spectrum.real**2 + spectrum.imag**2) / np.float32(variance)
        used += 1
    total = fft.irfft(summed, size)[:lags].astype(np.float64)
    if used:
        total /= np.sqrt(used * (frames - np.arange(lags, dtype=np.float64)))
    out: FloatArray = total.astype(np.float32)
    return out


def of_short_sounds(correlation: FloatArray) -> FloatArray:
    """Autocorrelation minus its running mean over a second: what comes and goes slowly, as a fan that turns to and fro, repeats
    over seconds and would hide the ticks.

    Parameters
    ----------
    correlation : ndarray
        shape (lags,).
    """
    from scipy.ndimage import uniform_filter1d

    slow: FloatArray = uniform_filter1d(correlation, _SLOW)
    return correlation - slow


def score_periods(
    correlation: FloatArray,
    frame_s: float,
    shortest_s: float,
    longest_s: float,
    *,
    multiples: int,
    width: int,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Periods tried, in seconds, and the score of each.

    ``width`` frames of the autocorrelation are pooled, which allows for that much spread of the single beat.

    Parameters
    ----------
    correlation : ndarray
        shape (lags,).
    frame_s : float
        Length of a frame.
    shortest_s : float
    longest_s : float
    multiples : int
        Multiples of a period that are summed.
    width : int
        Frames that are pooled.
    """
    from scipy.ndimage import uniform_filter1d

    pooled = uniform_filter1d(correlation, width) * np.sqrt(width) if width > 1 else correlation
    multiples = max(1, min(multiples, int(len(pooled) * frame_s / shortest_s)))
    step = frame_s * max(width, 2) / 2 / multiples
    periods = np.arange(shortest_s, longest_s + step, step)
    score = np.zeros(len(periods))
    count = np.zeros(len(periods))
    for multiple in range(1, multiples + 1):
        lag = np.rint(multiple * periods / frame_s).astype(np.int64)
        inside = int(np.searchsorted(lag, len(pooled)))
        score[:inside] += pooled[lag[:inside]]
        count[:inside] += 1
    return periods, np.where(count > 0, score / np.sqrt(np.maximum(count, 1)), 0.0)


def strongest_cadences(
    periods: npt.NDArray[np.float64], scores: npt.NDArray[np.float64], count: int
) -> list[Cadence]:
    """The best periods, each at least 500 ppm from the better ones: nearer, a track follows either.

    Parameters
    ----------
    periods : ndarray
        shape (n,), seconds.
    scores : ndarray
        shape (n,).
    count : int
        Number of periods wanted.
    """
    left = scores.copy()
    found: list[Cadence] = []
    for _ in range(count):
        best = int(np.argmax(left))
        if not left[best] > 0:
            break
        found.append(Cadence(float(periods[best]), float(left[best])))
        left[np.abs(periods - periods[best]) < _ONE_PERIOD * periods[best]] = 0
    return found


def without_other_cadence(correlation: FloatArray, frame_s: float, interval_s: float) -> FloatArray:
    """Autocorrelation minus its values at the neighbouring multiples of another clock's interval.

    Parameters
    ----------
    correlation : ndarray
        shape (lags,).
    frame_s : float
        Length of a frame.
    interval_s : float
        Of the other clock, from one sound to the same sound again.
    """
    lags = len(correlation)
    index = np.arange(lags)
    steps = np.rint(np.arange(-12, 13) * interval_s / frame_s).astype(np.int64)
    around = correlation[np.minimum(np.abs(index[None, :] + steps[:, None]), lags - 1)]
    out: FloatArray = (correlation - np.median(around, axis=0)).astype(np.float32)
    return out


def steady_places(
    times: npt.NDArray[np.float64],
    rarity: npt.NDArray[np.float64],
    duration_s: float,
    nominal_s: float,
    near: float,
) -> npt.NDArray[np.float64]:
    """Where peaks, however soft, repeat at a period near the given one: a few places, the clearest first.

    Every period and every phase is tried. A row of a period counts by the rarity of the peak that it has at the phase.

    Parameters
    ----------
    times : array, shape (peaks,)
        Seconds.
    rarity : array, shape (peaks,)
        Logarithm of one over the density of such peaks in this room.
    duration_s : float
    nominal_s, near : float
        Periods within the share ``near`` of ``nominal_s`` are tried.

    Returns
    -------
    array, shape (places, 3)
        Time of one sound, period, and by how much the clearest place of the other side is later than half a period after it.
    """
    rows = int(np.ceil(duration_s / (nominal_s * (1 - near))))
    if rows < _LEAST_STEADY_ROWS or not len(times):
        return np.zeros((0, 3))
    periods = np.arange(nominal_s * (1 - near), nominal_s * (1 + near), _STEADY_CELL_S / rows)
    cells = int(nominal_s * (1 + near) / _STEADY_CELL_S) + 2
    clearest: list[tuple[float, float, float]] = []
    for first in range(0, len(periods), _PERIODS_TOGETHER):
        some = periods[first : first + _PERIODS_TOGETHER, None]
        cell = (times % some / _STEADY_CELL_S).astype(np.int64) + cells * np.arange(len(some))[:, None]
        # Two peaks are farther apart than a cell is wide: a row has one in it or none.
        weights = np.broadcast_to(rarity - _STEADY_MISSING, cell.shape)
        total = np.bincount(cell.ravel(), weights.ravel(), len(some) * cells).reshape(-1, cells)
        total[:, :-1] += total[:, 1:]
        for place in np.argpartition(-total, _STEADY_TRIED, axis=None)[:_STEADY_TRIED].tolist():
            number, at = divmod(place, cells)
            clearest.append((-float(total[number, at]), float(some[number, 0]), (at + 1) * _STEADY_CELL_S))
    found: list[tuple[float, float]] = []
    for _, period, start in sorted(clearest):
        middle = start + period * (rows // 2)
        turns = [(middle - one - other * (rows // 2)) / period for one, other in found]
        if all(abs(turn - round(turn)) * period > 3 * _STEADY_CELL_S for turn in turns):
            found.append((start, period))
        if len(found) == _STEADY_PLACES:
            break
    return np.array([(*place, _late(times, rarity, *place)) for place in found]).reshape(-1, 3)


def _late(
    times: npt.NDArray[np.float64], rarity: npt.NDArray[np.float64], start: float, period: float
) -> float:
    """By how much the clearest place of the other side is later than half a period after one of this side."""
    late = (times - start) % period - period / 2
    cell = ((late + period) / _STEADY_CELL_S).astype(np.int64)
    near = np.abs(late) < OUT_OF_HALF * period
    if not near.any():
        return 0.0
    total = np.bincount(cell[near], rarity[near] - _STEADY_MISSING)
    best = int(np.argmax(total))
    return float(np.median(late[near & (cell == best)]))


def find_clock(
    rising: FloatArray, frame_s: float, wanted: Wanted, others_s: tuple[float, ...] = ()
) -> Found | None:
    """The clock with the given period, or else the clearest one; None where there is none.

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    frame_s : float
        Length of a frame.
    wanted : Wanted
        Known data of the clock, and the limits of the search.
    others_s : tuple of float
        Intervals of other clocks that are heard.
    """
    duration_s = len(rising) * frame_s
    longest = min(wanted.longest_s, duration_s / 1.5)
    if longest <= wanted.shortest_s:
        return None
    if wanted.heard and (as_before := _as_before(rising, frame_s, wanted)) is not None:
        return as_before
    lags = int(min(0.62 * len(rising), 40 * longest / frame_s))
    correlation = of_short_sounds(autocorrelation(rising, lags))
    for interval_s in others_s:
        correlation = without_other_cadence(correlation, frame_s, interval_s)
    best: Found | None = None
    nominal = wanted.nominal_period_s
    low = high = 0.0
    if nominal is not None:
        low, high = nominal * (1 - _NEAR_NOMINAL), min(nominal * (1 + _NEAR_NOMINAL), duration_s / 1.1)
    if low < high:  # a stretch of hardly more than one period cannot be correlated with itself
        near = Wanted(nominal, low, high, min(wanted.fraction_s, 0.45 * wanted.shortest_s))
        best = _best_of(
            _candidates(correlation, frame_s, low, high, _LEAST_SCORE, 6),
            correlation,
            rising,
            frame_s,
            near,
            others_s,
        )
    if best is None:
        tried = _candidates(correlation, frame_s, wanted.shortest_s, longest, _LEAST_SCORE_UNTOLD, 5)
        best = _best_of(tried, correlation, rising, frame_s, wanted, others_s)
        if best is not None and nominal is not None and best.period_s < 0.7 * nominal:
            return _behind(rising, frame_s, best, wanted) or best
    return best


def _as_before(rising: FloatArray, frame_s: float, wanted: Wanted) -> Found | None:
    """The clock with the period it had before, if both its sides are clear; no other period is then tried."""
    assert wanted.nominal_period_s is not None
    pattern = pattern_at(rising, wanted.nominal_period_s / frame_s)
    if pattern is None or pattern.second is None:
        return None
    found = Found(pattern, wanted.nominal_period_s, min(pattern.first.score, pattern.second.score))
    return found if _settled(found) else None


def _behind(rising: FloatArray, frame_s: float, faster: Found, wanted: Wanted) -> Found | None:
    """The clock with the given period, masked by a faster one with a whole multiple of its period near it."""
    nominal = wanted.nominal_period_s
    if nominal is None or nominal > len(rising) * frame_s / 3:
        return None
    cleared = _without_sounds(rising, faster)
    lags = int(min(0.62 * len(cleared), 40 * nominal / frame_s))
    correlation = of_short_sounds(autocorrelation(cleared, lags))
    low, high = nominal * (1 - _NEAR_NOMINAL), nominal * (1 + _NEAR_NOMINAL)
    near = Wanted(nominal, low, high, min(wanted.fraction_s, 0.45 * wanted.shortest_s))
    tried = _candidates(correlation, frame_s, low, high, _LEAST_SCORE_UNTOLD, 4)
    found = _best_of(tried, correlation, cleared, frame_s, near)
    if found is None or found.pattern.second is None:
        return None
    scores = (found.pattern.first.score, found.pattern.second.score)
    return found if min(scores) > CLEAR_TRACK_SCORE else None


def _without_beats(rising: FloatArray, found: Found) -> FloatArray:
    """Strength with the beats of a clock taken out."""
    cleared = rising.copy()
    reach = int(LONGEST_LIFT * found.pattern.period_frames / 2)
    for track in (found.pattern.first, found.pattern.second):
        if track is not None:
            for frame in track.frames:
                cleared[max(frame - reach, 0) : max(frame + reach, 0)] = 0
    return cleared


def _without_sounds(rising: FloatArray, found: Found) -> FloatArray:
    """Strength without the sounds that keep step with a clock, and nothing else removed: another clock's may be close by."""
    cleared = rising.copy()
    for track in (found.pattern.first, found.pattern.second):
        if track is not None:
            for sound in sounds_round(rising, track, found.pattern.period_frames):
                if sound.score > 0:
                    clear(cleared, sound.frames)
    return cleared


def _candidates(
    correlation: FloatArray, frame_s: float, low: float, high: float, least: float, count: int
) -> list[Cadence]:
    """Periods worth a trial, the best first, for several amounts of spread."""
    found: list[Cadence] = []
    for width in (3, 9):
        for multiples in (6, 30):
            periods, scores = score_periods(correlation, frame_s, low, high, multiples=multiples, width=width)
            found += [
                cadence for cadence in strongest_cadences(periods, scores, count) if cadence.score > least
            ]
    found.sort(key=lambda cadence: -cadence.score)
    kept: list[Cadence] = []
    for cadence in found:
        if all(abs(cadence.period_s / other.period_s - 1) > _ONE_PERIOD for other in kept):
            kept.append(cadence)
    return kept[:count]


def _mean_correlation(correlation: FloatArray, frame_s: float, period_s: float) -> float:
    """Mean of the autocorrelation near the first multiples of a period, minus the value by chance."""
    values, chance = [], []
    for multiple in range(1, 31):
        lag = round(multiple * period_s / frame_s)
        reach = 2 + multiple // 8
        if lag + 4 * reach >= len(correlation):
            break
        values.append(float(correlation[lag - reach : lag + reach + 1].max()))
        beside = correlation[max(lag - 100, 0) : lag + 100]
        pieces = (
            beside[: len(beside) // (2 * reach + 1) * (2 * reach + 1)].reshape(-1, 2 * reach + 1).max(axis=1)
        )
        chance.append(float(np.median(pieces)))
    return float(np.mean(values) - np.mean(chance)) if values else 0.0


def _parts(cadence: Cadence, correlation: FloatArray, frame_s: float, fraction_s: float) -> list[float]:
    """Whole fractions of a period at which the sound repeats as well as at the period itself, the shortest first; then the
    period."""
    whole = _mean_correlation(correlation, frame_s, cadence.period_s)
    parts = [cadence.period_s / number for number in range(10, 1, -1)]
    return [
        part_s
        for part_s in parts
        if part_s >= fraction_s and _mean_correlation(correlation, frame_s, part_s) > 0.7 * whole
    ] + [cadence.period_s]


def _best_of(
    candidates: list[Cadence],
    correlation: FloatArray,
    rising: FloatArray,
    frame_s: float,
    wanted: Wanted,
    others_s: tuple[float, ...] = (),
) -> Found | None:
    proved: list[Found] = []
    for cadence in candidates:
        if any(_related(cadence.period_s, found.period_s) for found in proved):
            continue
        if proved and _settled(proved[0]) and cadence.score < 0.3 * proved[0].score:
            break
        found = _prove(cadence, correlation, rising, frame_s, wanted, others_s)
        if found is not None:
            proved.append(found)
    if not proved:
        return None
    return max(proved, key=lambda found: _clearness(found.pattern))


def find_second_clock(rising: FloatArray, frame_s: float, first: Found, wanted: Wanted) -> float | None:
    """Period of another torsion clock, searched between the beats of the first; None where there is none.

    Parameters
    ----------
    rising : ndarray
        shape (frames, bands): how far each band rises above the room.
    frame_s : float
        Length of a frame.
    first : Found
        The clock that was found.
    wanted : Wanted
        Known data of the clock, and the limits of the search.
    """
    cleared = _without_beats(rising, first)
    found = find_clock(cleared, frame_s, replace(wanted, nominal_period_s=None))
    if found is None or found.pattern.second is None or abs(found.period_s / first.period_s - 1) < 0.001:
        return None
    scores = (found.pattern.first.score, found.pattern.second.score)
    return found.period_s if min(scores) > CLEAR_TRACK_SCORE and found.score > 15 else None


def _settled(found: Found) -> bool:
    """Whether a clock is so clear that much weaker cadences need no trial."""
    second = found.pattern.second
    return second is not None and min(found.pattern.first.score, second.score) > 4 * LEAST_TRACK_SCORE


def _clearness(pattern: Pattern) -> float:
    """How surely the beat is followed: both sides' scores, limited where a higher one adds nothing."""
    total = 0.0
    for track in (pattern.first, pattern.second):
        if track is not None:
            total += min(track.score, 60.0) * (
                1 + float(np.mean(np.minimum(track.strengths, STRONGEST))) / 50
            )
    return total


def _related(one_s: float, other_s: float) -> bool:
    """Whether one period is a small whole multiple, or a ratio of small numbers, of the other."""
    ratio = max(one_s, other_s) / min(one_s, other_s)
    return any(abs(ratio * parts - round(ratio * parts)) < 0.004 * ratio * parts for parts in (1, 2, 3))


def _prove(
    cadence: Cadence,
    correlation: FloatArray,
    rising: FloatArray,
    frame_s: float,
    wanted: Wanted,
    others_s: tuple[float, ...],
) -> Found | None:
    """Follow the beat at the shortest fraction of a period at which the sound repeats, or else at a longer one, or the period.

    Two beats that differ a little repeat at half the period too, and the rest of another clock at a tenth, but only the whole
    one can be followed.
    """
    for part_s in _parts(cadence, correlation, frame_s, min(wanted.fraction_s, 0.45 * wanted.shortest_s)):
        pattern = pattern_at(rising, part_s / frame_s)
        found = _followed(pattern, part_s, cadence, rising, frame_s, wanted)
        if found is not None:
            return found
        ticks = [part_s / other_s for other_s in others_s]
        if any(abs(number - round(number)) < _ONE_PERIOD * number for number in ticks):
            continue  # what repeats there is the rest of that clock's ticks
        if _is_a_beat(pattern, both_sides=part_s > 0.45 * cadence.period_s):
            return None
    return None


def _is_a_beat(pattern: Pattern | None, *, both_sides: bool) -> bool:
    """Whether a track is that of another clock's beat, or its period if it has ``both_sides``: a multiple is then no clock's."""
    if pattern is None or pattern.first.score <= CLEAR_TRACK_SCORE:
        return False
    second = pattern.second
    return not both_sides or (
        second is not None and second.score > CLEAR_TRACK_SCORE and not one_sided(pattern)
    )


def _followed(
    pattern: Pattern | None,
    part_s: float,
    cadence: Cadence,
    rising: FloatArray,
    frame_s: float,
    wanted: Wanted,
) -> Found | None:
    """The beat followed at one distance, if there is one: whether that is a whole period or half of one."""
    if pattern is None:
        return None
    rows = len(pattern.first.frames)
    least = least_score(rows) * (1.5 if pattern.second is None and rows >= FEW_ROWS else 1.0)
    if pattern.first.score < least:
        return None
    if pattern.second is not None and wanted.shortest_s <= part_s <= wanted.longest_s:
        return Found(pattern, part_s, cadence.score)
    if pattern.second is not None and part_s < wanted.shortest_s:
        return None  # A faster clock than the one wanted: two of its periods are not one of that clock's.
    if wanted.shortest_s <= 2 * part_s <= wanted.longest_s and rows >= 3:
        if one_sided(pattern):
            whole = pattern_at(rising, 2 * part_s / frame_s)
            return _followed(whole, 2 * part_s, cadence, rising, frame_s, wanted)
        return Found(halves(rising, pattern), 2 * part_s, cadence.score)
    return Found(pattern, part_s, cadence.score) if wanted.shortest_s <= part_s <= wanted.longest_s else None
