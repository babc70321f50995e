"""Which period? From rising strength to the pattern of one clock, or to none.

Input: rising strength at a few hundred frames a second. The score of a period (`cadence`) shows that a sound repeats, but not
that it is a clock (a sentence repeats its syllables, rain its drops). So each candidate period is verified: a track must run
through all its periods, with its partner half a period away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.tracks.bands import STRONGEST
from torsionbeat.tracks.cadence import (
    ONE_PERIOD,
    Cadence,
    autocorrelation,
    candidates,
    of_short_sounds,
    parts_of,
    without_other_cadence,
)
from torsionbeat.tracks.pattern import (
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

__all__ = ["NEAR_NOMINAL", "Found", "Wanted", "find_clock", "find_second_clock"]

FloatArray = npt.NDArray[np.float32]

_LEAST_SCORE = 4.5
"""Score of a cadence near the given period, above which its track is tried."""
_LEAST_SCORE_UNTOLD = 5.6
"""The same without a given period: many more periods are tried, and chance reaches higher."""
NEAR_NOMINAL = 0.045
"""Share by which a clock may be off the given period: an hour a day, more than any regulator corrects."""


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
    correlation = _correlation(rising, frame_s, longest)
    for interval_s in others_s:
        correlation = without_other_cadence(correlation, frame_s, interval_s)
    best: Found | None = None
    nominal = wanted.nominal_period_s
    if nominal is not None:
        best = _near(correlation, rising, frame_s, wanted, nominal, others_s)
        if best is not None and not _settled(best):
            # Told at twice its period, a clear clock is none at that period, and something faint may be one near it, farther off.
            half = _near(correlation, rising, frame_s, wanted, nominal / 2, others_s)
            if (
                half is not None
                and _settled(half)
                and abs(2 * half.period_s - nominal) < abs(best.period_s - nominal)
            ):
                best = half
    if best is None:
        tried = candidates(correlation, frame_s, wanted.shortest_s, longest, _LEAST_SCORE_UNTOLD, 5)
        best = _best_of(tried, correlation, rising, frame_s, wanted, others_s)
        if best is not None and nominal is not None and best.period_s < 0.7 * nominal:
            return _behind(rising, frame_s, best, wanted) or best
    return best


def _correlation(rising: FloatArray, frame_s: float, longest_s: float) -> FloatArray:
    """Autocorrelation of short sounds, without hums, over forty of the longest periods searched."""
    lags = int(min(0.62 * len(rising), 40 * longest_s / frame_s))
    return of_short_sounds(autocorrelation(rising, lags, frame_s=frame_s))


def _near(
    correlation: FloatArray,
    rising: FloatArray,
    frame_s: float,
    wanted: Wanted,
    period_s: float,
    others_s: tuple[float, ...] = (),
    *,
    least: float = _LEAST_SCORE,
    count: int = 6,
) -> Found | None:
    """The clock with a period near the given one, of so many cadences that score more than the least."""
    low = period_s * (1 - NEAR_NOMINAL)
    high = min(period_s * (1 + NEAR_NOMINAL), len(rising) * frame_s / 1.1)
    if low >= high:  # a stretch of hardly more than one period cannot be correlated with itself
        return None
    near = Wanted(period_s, low, high, min(wanted.fraction_s, 0.45 * min(wanted.shortest_s, low)))
    tried = candidates(correlation, frame_s, low, high, least, count)
    return _best_of(tried, correlation, rising, frame_s, near, others_s)


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
    correlation = _correlation(cleared, frame_s, nominal)
    found = _near(correlation, cleared, frame_s, wanted, nominal, least=_LEAST_SCORE_UNTOLD, count=4)
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


def _best_of(
    tried: list[Cadence],
    correlation: FloatArray,
    rising: FloatArray,
    frame_s: float,
    wanted: Wanted,
    others_s: tuple[float, ...],
) -> Found | None:
    proved: list[Found] = []
    for cadence in tried:
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
    for part_s in parts_of(cadence, correlation, frame_s, min(wanted.fraction_s, 0.45 * wanted.shortest_s)):
        pattern = pattern_at(rising, part_s / frame_s)
        found = _followed(pattern, part_s, cadence, rising, frame_s, wanted)
        if found is not None:
            return found
        ticks = [part_s / other_s for other_s in others_s]
        if any(abs(number - round(number)) < ONE_PERIOD * number for number in ticks):
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
