"""The account of a handful of beats, straight from the peaks of the sound, before any sound of the clock is known.

With fewer than nine periods no track stands out by itself. So the peaks of rising strength are taken as points in time and
loudness, and every clock that pairs of them suggest (period, phase, lift passage or none, out of beat or one side only) is
scored: each sound that it foretells is there, at its time and as loud as its kind, or is missing, against the chance that the
room puts a peak there; then what clocks are like, and the price of each number that was fitted (Laplace; P. Gregory and
T. Loredo, Astrophys. J. 398 (1992) 146). An ordinary clock that ticks in the room is the rival of every such account: its
ticks are taken out first.

Times are seconds from the start of the stretch, levels dB over the background-noise deviation; a score is the
natural logarithm of the odds over a room without a clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from torsionbeat.hearing.account import log_of_beat_error, log_of_passage, log_student

__all__ = ["NEAR", "FewBeats", "few_beats", "peaks_of"]

FloatArray = npt.NDArray[np.float64]

SCATTER_S = 0.005
"""Scale of the distance of a sound from its time: jitter of a poor clock, and the 4 ms of a peak's own grid."""
HEARD = 0.97
"""Share of beats whose sound gives a peak."""
SPREAD_DB = 4.0
"""Scale of a sound's level about the median of its kind and side."""
LEAST_DB = 7.0
"""Peaks of 5 times the background-noise deviation and more."""
_MOST_FITTED = 40
"""Guesses of each kind that are fitted: four live starts, asked at three moments each, gave the same with 20, 40 and 120; 40
take half the time of 120."""
_MOST_PEAKS = 36
"""The loudest that suggest clocks: pairs of them; all peaks are weighed."""
NEAR = 0.045
"""The period lies within this share of the one told, as in `search`."""
_PARTS, _MOST_STEPS, _SHORTEST_S = (2, 3, 5), 3, 4.0
"""A period told may be so many times the true one, and those times each other; no torsion clock is faster than the last, in
seconds (common practice, no source)."""
_NEAR_PART, _OF_A_PART = 0.01, 0.01
"""A part of the best period lies within this share of the true one; and the share of recordings in which it is the true one."""
_FRAMES_PER_S = 2000.0
"""Frames of `bands.FRAME_S`."""
_SHORTEST_PASSAGE_S, _LONGEST_PASSAGE, _FARTHEST_OUT = 0.04, 0.075, 0.08
"""Passages and distances from half a period that are thought of: `account` gives no more any weight."""
_SAME_S, _SAME_PERIOD, _SAME_PASSAGE_S = 0.02, 0.003, 0.015
_GRID_S = 0.012
_ONE_SIDED, _NO_CONTACT = 0.02, 0.15
"""Share of clocks of which one side only is heard, and of which no contact is."""
_CONTACT_DB = (-5.0, 5.0)
_SHORTEST_TRAIN_S, _LONGEST_TRAIN_S = 0.15, 2.3
_LEAST_TICKS, _LEAST_TRAIN, _MOST_TRAINS = 6, 10.0, 2
"""An even train of six ticks or more, with a score above 10, is an ordinary clock: two of them are looked for."""
_PLACE_S = 0.02
"""Longest distance of a peak from where a sound is foretold."""
_LOUDER = 0.15
"""Of two peaks at one place the louder one is taken, so much a dB."""
_EDGE_S = 0.05
_MISSING = float(np.log(1 - HEARD))


@dataclass(frozen=True, slots=True)
class FewBeats:
    """One account: period, time of a drop of the first side, lift passage (None: no contact heard), by how much the second
    side's drop comes later than half a period after the first's (None: one side only), score and share of all probability."""

    period_s: float
    drop_s: float
    passage_s: float | None
    out_of_half_s: float | None
    score: float
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class _Peaks:
    """Peaks, and how rare each is in this room: the logarithm of one over their density per second and dB."""

    times: FloatArray
    levels: FloatArray
    rarity: FloatArray
    duration_s: float
    gaps: tuple[tuple[float, float], ...]

    @staticmethod
    def of(
        times: FloatArray, levels: FloatArray, duration_s: float, gaps: tuple[tuple[float, float], ...]
    ) -> _Peaks:
        apart = (levels[:, None] - levels[None, :]) / 3.0
        density = np.exp(-0.5 * apart**2).sum(axis=1) / (3.0 * np.sqrt(2 * np.pi))
        return _Peaks(times, levels, -np.log((density + 0.02) / duration_s), duration_s, gaps)

    def without(self, used: npt.NDArray[np.bool_]) -> _Peaks:
        return replace(self, times=self.times[~used], levels=self.levels[~used], rarity=self.rarity[~used])

    def sounding(self, times: FloatArray) -> npt.NDArray[np.bool_]:
        """Which times lie within the stretch and outside its gaps: only there can a sound be missing."""
        inside = (times > _PLACE_S) & (times < self.duration_s - _EDGE_S)
        for start, end in self.gaps:
            inside &= (times < start - _EDGE_S) | (times > end + _PLACE_S)
        return inside


def peaks_of(rising: npt.NDArray[np.float32], frame_s: float) -> tuple[FloatArray, FloatArray]:
    """Times in seconds and levels in dB of the peaks of rising strength (frames, bands), not cut off."""
    from scipy.ndimage import maximum_filter1d

    series = rising.max(axis=1)
    at = np.flatnonzero((series == maximum_filter1d(series, 9)) & (series > 10 ** (LEAST_DB / 10)))
    return at.astype(np.float64) * frame_s, 10 * np.log10(series[at].astype(np.float64))


def few_beats(
    times: FloatArray,
    levels: FloatArray,
    duration_s: float,
    nominal_s: float,
    *,
    near: float = NEAR,
    longest_train_s: float = _LONGEST_TRAIN_S,
    gaps: tuple[tuple[float, float], ...] = (),
    rivals: tuple[tuple[float, float], ...] = (),
) -> list[FewBeats]:
    """Accounts of a stretch, the best first, each with its share of their whole probability.

    Parameters
    ----------
    times, levels : array, shape (peaks,)
        What `peaks_of` gives.
    duration_s : float
    nominal_s, near : float
        The period lies within the share ``near`` of ``nominal_s``.
    longest_train_s : float
        What ticks evenly at longer intervals is no ordinary clock but may be this one.
    gaps : tuple of (start, end)
        Stretches without any sound: what is foretold there is not missing.
    rivals : tuple of (period, share)
        Other periods, in seconds, that the clock may have, and in which share of cases it has them.
    """
    if len(times) < 4:
        return []
    peaks = _Peaks.of(times, levels, duration_s, gaps)
    for _ in range(_MOST_TRAINS):
        used, score = _even_train(peaks, min(longest_train_s, _LONGEST_TRAIN_S))
        if score < _LEAST_TRAIN:
            break
        peaks = peaks.without(used)
    weighed = _weighed(peaks, nominal_s, near, 1 - sum(share for _, share in rivals))
    for period_s, share in rivals:
        weighed += _weighed(peaks, period_s, near, share)
    if rivals:
        weighed += _in_parts(peaks, weighed, [nominal_s, *(period_s for period_s, _ in rivals)], near)
    weighed.sort(key=lambda one: -one.score)
    if not weighed:
        return []
    total = logsumexp([one.score for one in weighed])
    return [replace(one, share=float(np.exp(one.score - total))) for one in weighed]


def _in_parts(peaks: _Peaks, weighed: list[FewBeats], periods_s: list[float], near: float) -> list[FewBeats]:
    """Accounts at whole parts of the best period so far, as long as those are better.

    A clock that goes four times in the period told gives that period an account of a quarter of its beats.
    """
    out: list[FewBeats] = []
    best = max(weighed, key=lambda one: one.score, default=None)
    for _ in range(_MOST_STEPS):
        if best is None:
            break
        parts_s = [best.period_s / parts for parts in _PARTS]
        new_s = [
            part_s
            for part_s in parts_s
            if part_s > _SHORTEST_S and all(abs(part_s / known_s - 1) > near for known_s in periods_s)
        ]
        more = [one for part_s in new_s for one in _weighed(peaks, part_s, _NEAR_PART, _OF_A_PART)]
        periods_s = [*periods_s, *new_s]
        out += more
        better = max(more, key=lambda one: one.score, default=best)
        if better.score <= best.score:
            break
        best = better
    return out


def _weighed(peaks: _Peaks, nominal_s: float, near: float, prior: float) -> list[FewBeats]:
    """Accounts near one period, of which the share ``prior`` of clocks is, each that says something of its own once."""
    guesses = _likely(peaks, _guesses(peaks, nominal_s, near))
    found = [_fitted(peaks, guess, near) for guess in guesses]
    found.sort(key=lambda one: -one.score)
    kept: list[FewBeats] = []
    for one in found[:400]:
        if np.isfinite(one.score) and all(not _same(one, other) for other in kept):
            kept.append(one)
    return [replace(one, score=one.score + float(np.log(prior))) for one in kept]


def _guesses(peaks: _Peaks, nominal_s: float, near: float) -> list[FewBeats]:
    """Every clock that two loud peaks a whole number of periods apart, with the peaks round them, suggest."""
    loud = np.argsort(-peaks.levels)[:_MOST_PEAKS]
    t = np.sort(peaks.times[loud])
    out: dict[tuple[int | None, ...], FewBeats] = {}
    first, second = np.triu_indices(len(t), 1)
    turns = np.rint((t[second] - t[first]) / nominal_s)
    periods = (t[second] - t[first]) / np.maximum(turns, 1)
    fits = (turns >= 1) & (np.abs(periods / nominal_s - 1) <= near)
    for i, j, period in zip(first[fits], second[fits], periods[fits], strict=True):
        start = float(t[i] % period)
        before = np.concatenate([t[i] - t, t[j] - t])
        passages = before[(before > _SHORTEST_PASSAGE_S) & (before < _LONGEST_PASSAGE * period)]
        aside = (t - start) % period - period / 2
        asides = aside[np.abs(aside) < _FARTHEST_OUT * period]
        for out_of_half in (None, *map(float, asides)):
            for passage in (None, *map(float, passages)):
                key = tuple(
                    None if value is None else round(value / _GRID_S)
                    for value in (period, start, out_of_half, passage)
                )
                out.setdefault(key, FewBeats(float(period), start, passage, out_of_half, 0.0))
    return list(out.values())


def _likely(peaks: _Peaks, guesses: list[FewBeats]) -> list[FewBeats]:
    """Of each kind (one side or two, with contact or without) the guesses that explain most, before any is fitted.

    All guesses at once: of each sound due the nearest peak before or after it, whichever explains more. Fitting moves a
    guess by some milliseconds, so its score here is within some nats of the fitted one, and hundreds are kept.
    """
    kept: list[FewBeats] = []
    kinds: dict[tuple[bool, bool], list[FewBeats]] = {}
    for one in guesses:
        kinds.setdefault((one.passage_s is None, one.out_of_half_s is None), []).append(one)
    for alike in kinds.values():
        if len(alike) > _MOST_FITTED:
            order = np.argsort(-_roughly(peaks, alike), kind="stable")[:_MOST_FITTED]
            alike = [alike[number] for number in order]
        kept += alike
    return kept


def _roughly(peaks: _Peaks, guesses: list[FewBeats]) -> FloatArray:
    """Score of what each guess foretells, the levels left out. All guesses have the same kinds of sounds."""
    drop, period, late, passage = (
        np.array([float(getattr(one, name) or 0.0) for one in guesses])
        for name in ("drop_s", "period_s", "out_of_half_s", "passage_s")
    )
    rows = np.arange(-2, int(peaks.duration_s / period.min()) + 3)
    score = np.zeros(len(guesses))
    for half, lateness, sound in _kinds(guesses[0]):
        first = drop + half * period + lateness * late + sound * passage
        due = first[:, None] + (rows - np.floor(drop / period)[:, None]) * period[:, None]
        after = np.clip(np.searchsorted(peaks.times, due), 1, len(peaks.times) - 1)
        best = np.full(due.shape, _MISSING)
        for near in (after - 1, after):
            gap = (peaks.times[near] - due) / SCATTER_S
            best = np.maximum(best, np.log(HEARD) + peaks.rarity[near] - 2 * np.log1p(gap**2 / 3))
        score += np.where(peaks.sounding(due), best, 0.0).sum(axis=1)
    return score


def _same(one: FewBeats, other: FewBeats) -> bool:
    """Whether two accounts say the same, the sides named alike or the other way round."""
    if abs(one.period_s / other.period_s - 1) > _SAME_PERIOD:
        return False
    if (one.passage_s is None) != (other.passage_s is None) or (one.out_of_half_s is None) != (
        other.out_of_half_s is None
    ):
        return False
    if abs((one.passage_s or 0.0) - (other.passage_s or 0.0)) > _SAME_PASSAGE_S:
        return False

    def whole(turns: float) -> bool:
        return abs(turns - round(turns)) * one.period_s < _SAME_S

    between = (other.drop_s - one.drop_s) / one.period_s
    if one.out_of_half_s is None or other.out_of_half_s is None:
        return whole(between)
    if whole(between) and abs(one.out_of_half_s - other.out_of_half_s) < _SAME_S:
        return True
    turned = between - 0.5 - one.out_of_half_s / one.period_s
    return whole(turned) and abs(one.out_of_half_s + other.out_of_half_s) < _SAME_S


def _kinds(guess: FewBeats) -> list[tuple[float, float, float]]:
    """Sounds of a period: how each depends on the period, on the second side's lateness and on the passage."""
    sides = [(0.0, 0.0)] if guess.out_of_half_s is None else [(0.0, 0.0), (0.5, 1.0)]
    sounds = (0.0,) if guess.passage_s is None else (0.0, -1.0)
    return [(half, late, sound) for half, late in sides for sound in sounds]


def _fitted(peaks: _Peaks, guess: FewBeats, near: float) -> FewBeats:
    """The guess set by least squares on the peaks it takes, and its score."""
    score, design, seen, _ = _laid(peaks, guess)
    columns = [0, 1]
    columns += [2] if guess.out_of_half_s is not None else []
    columns += [3] if guess.passage_s is not None else []
    if len(seen) >= max(3, len(columns)):
        solved = dict(zip(columns, np.linalg.lstsq(design[:, columns], seen, rcond=None)[0], strict=True))
        if 0.9 < solved[1] / guess.period_s < 1.1:
            guess = replace(
                guess,
                drop_s=float(solved[0]),
                period_s=float(solved[1]),
                out_of_half_s=None if guess.out_of_half_s is None else float(solved[2]),
                passage_s=None if guess.passage_s is None else float(solved[3]),
            )
    score, _, seen, levels = _laid(peaks, guess)
    return replace(guess, score=score + _of_clocks(guess, len(seen), levels, near))


def _laid(peaks: _Peaks, guess: FewBeats) -> tuple[float, FloatArray, FloatArray, list[float | None]]:
    """Score of what the guess foretells; design and times of the peaks it takes; by kind the median level."""
    score = 0.0
    design, seen, medians = [], [], []
    first = int(np.floor(-guess.drop_s / guess.period_s)) - 1
    rows = np.arange(first, first + int(np.ceil(peaks.duration_s / guess.period_s)) + 3)
    for half, late, sound in _kinds(guess):
        due: FloatArray = guess.drop_s + (rows.astype(np.float64) + half) * guess.period_s
        due = due + late * (guess.out_of_half_s or 0.0) + sound * (guess.passage_s or 0.0)
        inside = peaks.sounding(due)
        due, number = due[inside], rows[inside]
        taken = _likeliest(peaks, due)
        heard = taken >= 0
        score += _MISSING * np.count_nonzero(~heard)
        taken, due, number = taken[heard], due[heard], number[heard]
        medians.append(float(np.median(peaks.levels[taken])) if len(taken) else None)
        if not len(taken):
            continue
        there = np.log(HEARD) + peaks.rarity[taken] + log_student(peaks.times[taken] - due, 0.0, SCATTER_S)
        there += log_student(peaks.levels[taken], medians[-1] or 0.0, SPREAD_DB)
        score += float(np.logaddexp(there, _MISSING).sum())
        ones = np.ones(len(taken))
        design.append(np.column_stack([ones, number + half, late * ones, sound * ones]))
        seen.append(peaks.times[taken])
    if not seen:
        return score, np.zeros((0, 4)), np.zeros(0), medians
    return score, np.concatenate(design), np.concatenate(seen), medians


def _likeliest(peaks: _Peaks, due: FloatArray) -> npt.NDArray[np.int64]:
    """Index of the peak that is likeliest the sound due at each time; -1 where there is none near."""
    low = np.searchsorted(peaks.times, due - _PLACE_S)
    high = np.searchsorted(peaks.times, due + _PLACE_S)
    out = np.full(len(due), -1, np.int64)
    for number in np.flatnonzero(high > low):
        near = slice(low[number], high[number])
        weight = peaks.rarity[near] - 0.5 * ((peaks.times[near] - due[number]) / SCATTER_S) ** 2
        out[number] = low[number] + np.argmax(weight + _LOUDER * peaks.levels[near])
    return out


def _of_clocks(guess: FewBeats, count: int, levels: list[float | None], near: float) -> float:
    """Score of what clocks are like, with the price of each number fitted: how narrowly it is fixed against its range."""
    width = float(np.log(SCATTER_S * np.sqrt(2 * np.pi / max(count, 1))))
    score = width - np.log(2 * near * guess.period_s) + width - np.log(guess.period_s)
    period = guess.period_s * _FRAMES_PER_S
    if guess.out_of_half_s is None:
        score += np.log(_ONE_SIDED)
    else:
        score += (
            width + log_of_beat_error(guess.out_of_half_s * _FRAMES_PER_S, period) + np.log(_FRAMES_PER_S)
        )
    if guess.passage_s is None:
        return float(score + np.log(_NO_CONTACT))
    score += width + np.log(1 - _NO_CONTACT)
    score += log_of_passage(guess.passage_s * _FRAMES_PER_S, period) + np.log(_FRAMES_PER_S)
    for drop, contact in zip(levels[::2], levels[1::2], strict=True):
        if drop is not None and contact is not None:
            # one level for both kinds was in the range of the room's; a pair of a clock is closer than that
            score += float(log_student(contact - drop, *_CONTACT_DB)) + np.log(20.0)
    return float(score)


def _even_train(peaks: _Peaks, longest_s: float) -> tuple[npt.NDArray[np.bool_], float]:
    """Peaks that an evenly ticking clock explains, and its score over the room."""
    nothing = np.zeros(len(peaks.times), bool)
    best = (nothing, 0.0)
    loud = np.argsort(-peaks.levels)[:_MOST_PEAKS]
    t = np.sort(peaks.times[loud])
    for i in range(len(t)):
        for j in range(i + 1, len(t)):
            if not _SHORTEST_TRAIN_S < t[j] - t[i] < longest_s:
                continue
            fitted = _train_through(peaks.times, float(t[i]), float(t[j] - t[i]))
            if fitted is None:
                continue
            used, score = _score_of_train(peaks, *fitted)
            if np.count_nonzero(used) >= _LEAST_TICKS and score > best[1]:
                best = (used, score)
    return best


def _train_through(times: FloatArray, start: float, interval: float) -> tuple[float, float] | None:
    """Start and interval of the train through the peaks near its ticks, fitted twice; None with fewer than six."""
    for _ in range(2):
        number = np.rint((times - start) / interval)
        near = np.abs(times - start - number * interval) < 3 * SCATTER_S
        if len(np.unique(number[near])) < _LEAST_TICKS:
            return None
        interval, start = (float(value) for value in np.polyfit(number[near], times[near], 1))
        if interval <= 0:
            return None
    return start, interval


def _score_of_train(peaks: _Peaks, start: float, interval: float) -> tuple[npt.NDArray[np.bool_], float]:
    number = np.rint((peaks.times - start) / interval)
    gap = peaks.times - start - number * interval
    # its ticks' levels lie within some 20 dB
    value = np.log(HEARD) + peaks.rarity + log_student(gap, 0.0, SCATTER_S) - np.log(20.0)
    value[np.abs(gap) >= 3 * SCATTER_S] = -np.inf
    used = np.zeros(len(peaks.times), bool)
    score = 0.0
    for tick in range(int(np.ceil(-start / interval)), int((peaks.duration_s - start) / interval)):
        here = np.flatnonzero(number == tick)
        top = int(here[np.argmax(value[here])]) if len(here) else -1
        if top >= 0 and value[top] > _MISSING:
            score += float(value[top])
            used[top] = True
        else:
            score += _MISSING
    return used, score + float(np.log(0.01 / max(int(np.count_nonzero(used)), 1) ** 0.5))
