"""The account of a handful of beats, straight from the peaks of the sound, before any sound of the clock is known.

With fewer than nine periods no track stands out by itself. So the peaks of rising strength are taken as points in time and
loudness, and every clock that pairs of them suggest (period, phase, lift passage or none, out of beat or one side only) is
scored. Each sound that it predicts is present, at its time and as loud as its kind, or missing, against the probability that the
room puts a peak there. The prior of clocks and a penalty for each fitted number are added (Laplace; P. Gregory and T. Loredo,
Astrophys. J. 398 (1992) 146). An ordinary clock that ticks in the room is a rival of every account: its ticks are removed first.

Times are seconds from the start of the stretch, levels dB over the background-noise deviation; a score is the
natural logarithm of the odds over a room without a clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from torsionbeat.hearing.account import (
    log_of_beat_error,
    log_of_levels,
    log_of_passage,
    log_student,
)
from torsionbeat.hearing.other_clocks import even_train, slide_s
from torsionbeat.hearing.search import OUT_OF_HALF, steady_places
from torsionbeat.hearing.sounds_again import DISTINCT_S, clear_delays, score_of_echoes

__all__ = ["NEAR", "SAME_PERIOD", "SAME_S", "FewBeats", "few_beats"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SCATTER_S = 0.005
"""Scale of the distance of a sound from its time: jitter of a poor clock, and the 4 ms of a peak's own grid."""
HEARD = 0.97
"""Share of beats whose sound gives a peak."""
SPREAD_DB = 4.0
"""Scale of a sound's level about the median of its kind and side."""
_MOST_FITTED = 40
"""Guesses of each kind that are fitted: four live starts, evaluated at three moments each, gave the same with 20, 40 and 120; 40
take half the time of 120."""
_JOINED = 4
"""Best accounts that are joined: with the loudest peaks alone one noisy start in thirty was sure of half the period."""
_SHIFTS = (
    (1, 1),
    (-1, -1),
    (1, 0),
    (-1, 0),
    (0, 1),
    (0, -1),
)  # passages by which either side's drop is moved
_CLEAR_PASSAGES, _WITH_ECHOES = 3, 24
"""Passages added to each of the best accounts, and best accounts whose echoes are looked for: the others are farther off."""
_MOST_PEAKS = 36
"""Number of loudest peaks whose pairs suggest clocks; all peaks are scored."""
NEAR = 0.045
"""The period is within this share of the given one, as in `search`."""
_PARTS, _MOST_STEPS, _SHORTEST_S = (2, 3, 5), 3, 4.0
"""A given period may be one of these multiples of the true one, or a product of several (at most the second number); no torsion
clock has a period below the last, in seconds (common practice, no source)."""
_NEAR_PART, _OF_A_PART = 0.01, 0.01
"""A part of the best period lies within the first share of the true one; it is the true one in the second share of recordings."""
_FRAMES_PER_S = 2000.0
"""Frames of `bands.FRAME_S`."""
_SHORTEST_PASSAGE_S, _LONGEST_PASSAGE = 0.04, 0.075
"""Passages that are considered: `account` gives larger ones no weight."""
# Accuracy of figures from so few beats: two accounts nearer than that are one (no source).
SAME_S, SAME_PERIOD, _SAME_PASSAGE_S = 0.02, 0.003, DISTINCT_S
_GRID_S = 0.012  # below `SAME_S`, so that two accounts of one clock fall into one cell or its neighbour
_CELLS = 1 << 15
"""Grid cells for each number: 2**14 of 12 ms either way are 196 s, more than any period; four numbers make one of 60 bits."""
_ROUNDING = 1e-11
"""Eigenvalues below this share of the largest are zero: those of whole numbers go down to 1e-8 with 135 rows."""
_HALF, _LATE, _AHEAD = np.array([[0.0, 0.0, 0.5, 0.5], [0.0, 0.0, 1.0, 1.0], [0.0, -1.0, 0.0, -1.0]])[
    ..., None
]
"""Coefficients of period, lateness of the second side and passage for each sound: drop and contact of each side."""
_ONE_SIDED, _NO_CONTACT = 0.02, 0.15
"""Share of clocks with only one side heard, and with no contact heard."""
_LEAST_TRAIN, _MOST_TRAINS = 10.0, 4
"""An even train with a score above 10 is an ordinary clock, or its ticks or its tocks: those of two clocks are looked for."""
_PLACE_S = 0.02
"""Longest distance of a peak from where a sound is predicted."""
_LOUDER = 0.15
"""Score for each dB: of two peaks at one place the louder is preferred."""
_EDGE_S = 0.05  # a sound so near to an end or a gap is not heard whole
_MISSING = float(np.log(1 - HEARD))  # score of a missing sound


@dataclass(frozen=True, slots=True)
class FewBeats:
    """One account: period, time of a drop of the first side, lift passage (None: no contact heard), lateness of the second
    side's drop against half a period after the first's (None: one side only), score and share of all probability."""

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

    def without(self, used: BoolArray) -> _Peaks:
        return replace(self, times=self.times[~used], levels=self.levels[~used], rarity=self.rarity[~used])

    def sounding(self, times: FloatArray) -> BoolArray:
        """Which times lie within the stretch and outside its gaps: a sound can be missing only at those."""
        inside = (times > _PLACE_S) & (times < self.duration_s - _EDGE_S)
        for start, end in self.gaps:
            inside &= (times < start - _EDGE_S) | (times > end + _PLACE_S)
        return inside


def few_beats(
    times: FloatArray,
    levels: FloatArray,
    duration_s: float,
    nominal_s: float,
    *,
    near: float = NEAR,
    longest_train_s: float = np.inf,
    gaps: tuple[tuple[float, float], ...] = (),
    rivals: tuple[tuple[float, float], ...] = (),
    suggested: FloatArray | None = None,
    told: bool = True,
) -> list[FewBeats]:
    """Accounts of a stretch, the best first, each with its share of their whole probability.

    Parameters
    ----------
    times, levels : array, shape (peaks,)
        Result of `bands.peaks_of`.
    duration_s : float
    nominal_s, near : float
        The period lies within the share ``near`` of ``nominal_s``.
    longest_train_s : float
        Even ticks at longer intervals are not an ordinary clock's, but may be this one's.
    gaps : tuple of (start, end)
        Stretches without any sound: a sound predicted there does not count as missing.
    rivals : tuple of (period, share)
        Other periods, in seconds, that the clock may have, and the share of cases in which it has them.
    suggested : array, shape (guesses, 4), optional
        Clocks that something else found and that are scored too: drop, period, lateness of the second side and passage in
        seconds, NaN where there is no second side or no contact.
    told : bool
        Whether the period was given beforehand, and not found in this sound.
    """
    if len(times) < 4:
        return []
    peaks = _Peaks.of(times, levels, duration_s, gaps)
    ticks_s: list[float] = []
    while len(ticks_s) < _MOST_TRAINS:
        train = even_train(peaks.times, peaks.levels, peaks.rarity, duration_s, longest_train_s)
        if train.score < _LEAST_TRAIN:
            break
        peaks = peaks.without(train.used)
        ticks_s.append(train.interval_s)
    priors = ((nominal_s, 1 - sum(share for _, share in rivals)), *rivals)
    places = steady_places(peaks.times, peaks.rarity, duration_s, nominal_s, near)
    steady = np.column_stack([np.tile(places, (2, 1)), np.full(2 * len(places), np.nan)])
    steady[: len(places), 2] = np.nan
    suggested = steady if suggested is None else np.concatenate([suggested, steady])
    weighed = [
        account
        for period_s, prior in priors
        for account in _weighed(peaks, period_s, near, prior, suggested if period_s == nominal_s else None)
    ]
    again = np.concatenate([_joined(weighed), _with_clear_passages(peaks, weighed)])
    weighed = _near_each(peaks, again, near, priors)
    again = np.concatenate([_moved_by_passages(weighed), _with_clear_passages(peaks, weighed)])
    weighed = _near_each(peaks, again, near, priors)
    if rivals:
        weighed += _in_parts(peaks, weighed, [period_s for period_s, _ in priors], near)
    told_s = [period_s for period_s, _ in priors] if told else []
    weighed = [one for one in weighed if not _residue(one.period_s, told_s, ticks_s, duration_s)]
    if not weighed:
        return []
    weighed, scores = _with_echoes(peaks, weighed)
    # What the one period shows of echoes the other must be allowed too, with the peaks that go with it.
    turned_guesses = _halved_or_doubled([_guess_of(one) for one in weighed[:_JOINED]])
    turned = _near_each(peaks, np.array(turned_guesses).reshape(-1, 4), near, priors)
    turned, more = _with_echoes(peaks, turned)
    weighed, scores = _each_once([*weighed, *turned], np.concatenate([scores, more]))
    shares = np.exp(scores - logsumexp(scores)).tolist()
    return [replace(one, share=share) for one, share in zip(weighed, shares, strict=True)]


def _with_echoes(peaks: _Peaks, weighed: list[FewBeats]) -> tuple[list[FewBeats], FloatArray]:
    """The accounts, and their scores with those of their echoes, the best first."""
    weighed = sorted(weighed, key=lambda one: -one.score)
    scores = np.array([one.score for one in weighed])
    scores[:_WITH_ECHOES] += [_echoes(peaks, one) for one in weighed[:_WITH_ECHOES]]
    order = np.argsort(-scores, kind="stable")
    return [weighed[place] for place in order.tolist()], scores[order]


def _each_once(weighed: list[FewBeats], scores: FloatArray) -> tuple[list[FewBeats], FloatArray]:
    """Accounts of one clock merged: the best of them, the best clock first."""
    order = np.argsort(-scores, kind="stable")
    kept = order[_first_of_each(np.array([_guess_of(weighed[place]) for place in order.tolist()]))]
    return [weighed[place] for place in kept.tolist()], scores[kept]


def _residue(period_s: float, told_s: list[float], ticks_s: list[float], duration_s: float) -> bool:
    """Whether a clock with a period that nobody told keeps step with even ticks: it is some of them, or their echoes."""
    untold = all(abs(period_s / one_s - 1) > NEAR for one_s in told_s)
    return untold and any(slide_s(period_s, tick_s, duration_s) < SAME_S for tick_s in ticks_s)


def _echoes(peaks: _Peaks, account: FewBeats) -> float:
    """Score of what follows the account's own sounds: it decides between accounts, and does not count for a clock."""
    taken = _laid(peaks, np.array([_guess_of(account)]))[1][0]
    drops, contacts = (np.unique(sounds[sounds >= 0]) for sounds in (taken[::2], taken[1::2]))
    return score_of_echoes(peaks.times, peaks.levels, peaks.rarity, drops, contacts)


def _in_parts(peaks: _Peaks, weighed: list[FewBeats], periods_s: list[float], near: float) -> list[FewBeats]:
    """Accounts at whole parts of the best period so far, while those are better.

    A clock with a quarter of the given period also supports an account at the given period, with a quarter of its beats.
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


def _weighed(
    peaks: _Peaks, nominal_s: float, near: float, prior: float, suggested: FloatArray | None = None
) -> list[FewBeats]:
    """Distinct accounts near one period, which the share ``prior`` of clocks has."""
    likely = _likely(peaks, _guesses(peaks, nominal_s, near))
    if suggested is not None:
        likely = np.concatenate([likely, suggested])
    return _distinct(peaks, likely, near, prior)


def _distinct(peaks: _Peaks, guesses: FloatArray, near: float, prior: float) -> list[FewBeats]:
    """Distinct accounts that guesses near one period come to, which the share ``prior`` of clocks has."""
    guesses, scores = _fitted(peaks, guesses, near)
    return [
        _account(guesses[number], float(scores[number] + np.log(prior))) for number in _first_of_each(guesses)
    ]


def _first_of_each(guesses: FloatArray) -> list[int]:
    """Numbers of the guesses that are not the same account as one before them."""
    same = _same(guesses)
    kept: list[int] = []
    for number in range(len(guesses)):
        if not same[number, kept].any():
            kept.append(number)
    return kept


def _near_each(
    peaks: _Peaks, guesses: FloatArray, near: float, priors: tuple[tuple[float, float], ...]
) -> list[FewBeats]:
    """Distinct accounts near each period, with the share of clocks that has it."""
    return [
        account
        for period_s, prior in priors
        for account in _distinct(peaks, guesses[np.abs(guesses[:, 1] / period_s - 1) <= near], near, prior)
    ]


def _joined(weighed: list[FewBeats]) -> FloatArray:
    """The accounts again, with each of the best ones joined to the second sides and the passages of the others.

    Few of a soft clock's peaks are among the loudest, so the guess of all its sounds may be missing where its parts are there.
    A clock at half the period, with one side, is one at the whole with two in beat; and the other way round.
    """
    rows = _best_first(weighed)
    best = rows[:_JOINED] + _halved_or_doubled(rows[:_JOINED])
    lates, passages = (
        {np.nan, *(row[place] for row in best if not np.isnan(row[place]))} for place in (2, 3)
    )
    more = [
        (drop, period, late, passage) for drop, period, *_ in best for late in lates for passage in passages
    ]
    return np.array([*rows, *more]).reshape(-1, 4)


def _halved_or_doubled(guesses: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Guesses with one side at twice their period, with two in beat; then those in beat at half of it, with one."""
    out: list[tuple[float, ...]] = [
        (drop, 2 * period, 0.0, passage) for drop, period, late, passage in guesses if np.isnan(late)
    ]
    return out + [
        (drop, period / 2, np.nan, passage) for drop, period, late, passage in guesses if abs(late) < SAME_S
    ]


def _moved_by_passages(weighed: list[FewBeats]) -> FloatArray:
    """The accounts again, and the best ones with either side's drop, or both, moved by a passage: it may be a contact."""
    rows = _best_first(weighed)
    moved = [
        (drop + one * passage, period, late + (other - one) * passage, passage)
        for drop, period, late, passage in rows[:_JOINED]
        if not np.isnan(passage)
        for one, other in _SHIFTS
    ]
    return np.array([*rows, *moved]).reshape(-1, 4)


def _with_clear_passages(peaks: _Peaks, weighed: list[FewBeats]) -> FloatArray:
    """The best accounts with the passages that all peaks show before their drops, or after what are contacts then, however soft:
    beside another clock half the sounds may not be among the loudest, and then no guess has their passage."""
    rows = []
    for drop_s, period_s, late_s, _ in _best_first(weighed)[:_JOINED]:
        taken = _laid(peaks, np.array([(drop_s, period_s, late_s, np.nan)]))[1][0, ::2]
        ahead = peaks.times[np.unique(taken[taken >= 0]), None] - peaks.times[None, :]
        for apart, later in ((ahead, 0.0), (-ahead, 1.0)):
            within_s = (_SHORTEST_PASSAGE_S, _LONGEST_PASSAGE * period_s)
            passages = clear_delays(apart, peaks.rarity, within_s, _CLEAR_PASSAGES)
            rows += [(drop_s + later * passage_s, period_s, late_s, passage_s) for passage_s in passages]
    return np.array(rows).reshape(-1, 4)


def _best_first(weighed: list[FewBeats]) -> list[tuple[float, ...]]:
    """The accounts as guesses, the best first."""
    return [_guess_of(one) for one in sorted(weighed, key=lambda one: -one.score)]


def _guess_of(account: FewBeats) -> tuple[float, ...]:
    """An account as a guess: the reverse of `_account`."""
    numbers = (account.drop_s, account.period_s, account.out_of_half_s, account.passage_s)
    return tuple(np.nan if number is None else number for number in numbers)


def _account(guess: FloatArray, score: float) -> FewBeats:
    drop_s, period_s, late_s, passage_s = (None if np.isnan(value) else float(value) for value in guess)
    return FewBeats(period_s or 0.0, drop_s or 0.0, passage_s, late_s, score)


def _guesses(peaks: _Peaks, nominal_s: float, near: float) -> FloatArray:
    """Every clock that two loud peaks a whole number of periods apart, with the peaks round them, suggest.

    Shape (guesses, 4), here and below: drop, period, lateness of the second side and passage in seconds, NaN where there is no
    second side or no contact.
    """
    loud = np.argsort(-peaks.levels)[:_MOST_PEAKS]
    t = np.sort(peaks.times[loud])
    first, second = np.triu_indices(len(t), 1)
    turns = np.rint((t[second] - t[first]) / nominal_s)
    periods = (t[second] - t[first]) / np.maximum(turns, 1)
    fits = (turns >= 1) & (np.abs(periods / nominal_s - 1) <= near)
    one, other, period = t[first[fits], None], t[second[fits], None], periods[fits, None]
    start = one % period
    none = np.full(period.shape, np.nan)
    late = np.hstack([none, (t - start) % period - period / 2])
    ahead = np.hstack([none, one - t, other - t])
    pair, lift = np.nonzero(
        np.isnan(ahead) | ((ahead > _SHORTEST_PASSAGE_S) & (ahead < _LONGEST_PASSAGE * period))
    )
    passage = ahead[pair, lift]
    # A loud sound of the second side is its drop, or its contact: then the drop comes a lift later.
    lates = late[pair][:, None, :] + np.column_stack([np.zeros_like(passage), passage])[:, :, None]
    of, role, side = np.nonzero(np.isnan(lates) | (np.abs(lates) < OUT_OF_HALF * period[pair][:, :, None]))
    # the first of each cell is kept below: in the order of pairs, roles, sides, lifts
    order = np.lexsort((lift[of], side, role, pair[of]))
    of, role, side = of[order], role[order], side[order]
    pair = pair[of]
    made = np.column_stack([start[pair, 0], period[pair, 0], lates[of, role, side], passage[of]])
    places = np.where(np.isnan(made), _CELLS // 2 - 1, np.rint(made / _GRID_S)).astype(np.int64) + _CELLS // 2
    cells = places @ (_CELLS ** np.arange(4))
    return np.asarray(made[np.sort(np.unique(cells, return_index=True)[1])])


def _likely(peaks: _Peaks, guesses: FloatArray) -> FloatArray:
    """The guesses of each kind (one side or two, with contact or without) that explain most, before any is fitted.

    All guesses are scored at once. Each sound due takes the nearest peak before or after it, whichever explains more. Fitting
    moves a guess by some milliseconds, so its score here is within some nats of the fitted one, and hundreds are kept.
    """
    kinds = np.isnan(guesses[:, 2:]) @ [2, 1]
    kept = []
    for kind in range(4):
        alike = guesses[kinds == kind]
        if len(alike) > _MOST_FITTED:
            alike = alike[np.argsort(-_roughly(peaks, alike), kind="stable")[:_MOST_FITTED]]
        kept.append(alike)
    return np.concatenate(kept)


def _roughly(peaks: _Peaks, guesses: FloatArray) -> FloatArray:
    """Score of the sounds that each guess predicts, without their levels. All guesses have the same kinds of sounds."""
    drop, period, late, passage = np.nan_to_num(guesses).T
    rows = np.arange(-2, int(peaks.duration_s / period.min()) + 3)
    score = np.zeros(len(guesses))
    for half, lateness, sound in np.hstack([_HALF, _LATE, _AHEAD])[_sounds(guesses[0])]:
        first = drop + half * period + lateness * late + sound * passage
        due = first[:, None] + (rows - np.floor(drop / period)[:, None]) * period[:, None]
        after = np.clip(np.searchsorted(peaks.times, due), 1, len(peaks.times) - 1)
        best = np.full(due.shape, _MISSING)
        for near in (after - 1, after):
            gap = (peaks.times[near] - due) / SCATTER_S
            best = np.maximum(best, np.log(HEARD) + peaks.rarity[near] - 2 * np.log1p(gap**2 / 3))
        score += np.where(peaks.sounding(due), best, 0.0).sum(axis=1)
    return score


def _sounds(guesses: FloatArray) -> BoolArray:
    """Which of the four sounds each guess has (guesses, 4)."""
    late, passage = np.isnan(guesses[..., 2:3]), np.isnan(guesses[..., 3:4])
    return np.asarray(~(late & (_LATE[:, 0] != 0)) & ~(passage & (_AHEAD[:, 0] != 0)))


def _same(guesses: FloatArray) -> BoolArray:
    """Whether each account (rows) equals each other one, with the sides named alike or exchanged."""
    one, other = guesses[:, None, :], guesses[None, :, :]
    drop, period, late, passage = np.moveaxis(np.nan_to_num(one), 2, 0)
    drop_2, period_2, late_2, passage_2 = np.moveaxis(np.nan_to_num(other), 2, 0)

    def whole(turns: FloatArray) -> BoolArray:
        return np.asarray(np.abs(turns - np.rint(turns)) * period < SAME_S)

    alike = (np.isnan(one) == np.isnan(other)).all(axis=2)
    alike &= (np.abs(period / period_2 - 1) <= SAME_PERIOD) & (np.abs(passage - passage_2) <= _SAME_PASSAGE_S)
    between = (drop_2 - drop) / period
    turned = whole(between - 0.5 - late / period) & (np.abs(late + late_2) < SAME_S) & ~np.isnan(one[..., 2])
    return np.asarray(alike & ((whole(between) & (np.abs(late - late_2) < SAME_S)) | turned))


def _fitted(peaks: _Peaks, guesses: FloatArray, near: float) -> tuple[FloatArray, FloatArray]:
    """The guesses, each fitted by least squares to the peaks it takes, and their scores; the best first."""
    if not len(guesses):
        return guesses, np.zeros(0)
    taken = _laid(peaks, guesses)[1]
    heard, number = taken >= 0, _numbers(peaks, guesses)
    columns = np.stack(np.broadcast_arrays(1.0, number, _LATE, _AHEAD), axis=-1)
    design = (columns * heard[..., None]).reshape(len(guesses), -1, 4)
    rest = np.where(heard, peaks.times[taken] - _due(guesses, number), 0.0).reshape(len(guesses), -1, 1)
    # Parameters that the peaks do not determine (no contact, or one side) get the minimum-norm solution. Not `pinv`: it would
    # lose half the digits of the numbers themselves.
    turned = design.swapaxes(-1, -2)
    size, axes = np.linalg.eigh(turned @ design)
    back = axes.swapaxes(-1, -2)
    told = size > _ROUNDING * size[:, -1:]
    step = (back @ (turned @ rest))[..., 0] / np.where(told, size, 1.0)
    before = (back @ np.nan_to_num(guesses)[..., None])[..., 0]
    after = (axes @ (told * (before + step))[..., None])[..., 0]
    after[np.isnan(guesses)] = np.nan
    enough = np.count_nonzero(heard, axis=(1, 2)) >= np.maximum(
        3, np.count_nonzero(~np.isnan(guesses), axis=1)
    )
    good = enough & (np.abs(after[:, 1] / guesses[:, 1] - 1) < 0.1)
    guesses = np.where(good[:, None], after, guesses)
    scores, taken, levels = _laid(peaks, guesses)
    scores += _of_clocks(guesses, np.count_nonzero(taken >= 0, axis=(1, 2)), levels, near)
    # Two guesses often end in one account, apart from rounding: their order must not depend on rounding.
    order = np.lexsort((np.round(guesses[:, 0], 6), -np.round(scores, 6)))
    order = order[np.isfinite(scores[order])]
    return guesses[order], scores[order]


def _numbers(peaks: _Peaks, guesses: FloatArray) -> FloatArray:
    """Place of every sound in periods from the drop (guesses, sounds, rows); the first and last rows lie outside the stretch."""
    drop, period = guesses[:, :2].T
    rows = (
        np.arange(int(np.ceil(peaks.duration_s / period.min())) + 3) + np.floor(-drop / period)[:, None] - 1
    )
    return np.asarray(rows[:, None, :] + _HALF)


def _due(guesses: FloatArray, number: FloatArray) -> FloatArray:
    """When every sound is due (guesses, sounds, rows), in seconds."""
    drop, period, late, passage = np.nan_to_num(guesses).T[..., None, None]
    return np.asarray(drop + number * period + _LATE * late + _AHEAD * passage)


def _laid(peaks: _Peaks, guesses: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
    """Predictions of each guess, matched with the peaks: score (guesses), peak taken (guesses, sounds, rows; -1: none) and median
    level (guesses, sounds; NaN: none)."""
    due = _due(guesses, _numbers(peaks, guesses))
    expected = peaks.sounding(due) & _sounds(guesses)[..., None]
    taken = np.full(due.shape, -1, np.int64)
    taken[expected] = _likeliest(peaks, due[expected])
    heard = taken >= 0
    medians = _medians(np.where(heard, peaks.levels[taken], np.inf), np.count_nonzero(heard, axis=2))
    guess, sound, _ = np.nonzero(heard)
    on = taken[heard]
    there = np.log(HEARD) + peaks.rarity[on] + log_student(peaks.times[on] - due[heard], 0.0, SCATTER_S)
    there += log_student(peaks.levels[on], medians[guess, sound], SPREAD_DB)
    score = np.bincount(guess, np.logaddexp(there, _MISSING), len(guesses))
    return score + _MISSING * np.count_nonzero(expected & ~heard, axis=(1, 2)), taken, medians


def _medians(values: FloatArray, counts: IntArray) -> FloatArray:
    """Median along the last axis of the ``counts`` smallest values, NaN of none."""
    values = np.sort(values, axis=-1)
    middles = np.stack(
        [np.maximum(counts - 1, 0) // 2, np.minimum(counts // 2, values.shape[-1] - 1)], axis=-1
    )
    return np.where(counts > 0, np.take_along_axis(values, middles, axis=-1).mean(axis=-1), np.nan)


def _likeliest(peaks: _Peaks, due: FloatArray) -> IntArray:
    """Index of the peak that is most likely the sound due at each time; -1 where no peak is near."""
    out, most = np.full(len(due), -1, np.int64), np.full(len(due), -np.inf)
    worth = peaks.rarity + _LOUDER * peaks.levels
    peak = np.searchsorted(peaks.times, due - _PLACE_S)
    sound = np.arange(len(due))
    while len(sound):
        near = peaks.times[np.minimum(peak, len(peaks.times) - 1)] < due[sound] + _PLACE_S
        near &= peak < len(peaks.times)
        sound, peak = sound[near], peak[near]
        weight = worth[peak] - 0.5 * ((peaks.times[peak] - due[sound]) / SCATTER_S) ** 2
        better = weight > most[sound]
        out[sound[better]], most[sound[better]] = peak[better], weight[better]
        peak = peak + 1
    return out


def _of_clocks(guesses: FloatArray, counts: IntArray, levels: FloatArray, near: float) -> FloatArray:
    """Prior score of the clock, with a penalty for each fitted number: how narrowly it is determined against its range."""
    width = np.log(SCATTER_S * np.sqrt(2 * np.pi / np.maximum(counts, 1)))
    _, period_s, late_s, passage_s = guesses.T
    score = width - np.log(2 * near * period_s) + width - np.log(period_s)
    late, passage, period = late_s * _FRAMES_PER_S, passage_s * _FRAMES_PER_S, period_s * _FRAMES_PER_S
    out, lift = np.flatnonzero(~np.isnan(late)), np.flatnonzero(~np.isnan(passage))
    score += np.where(np.isnan(late), np.log(_ONE_SIDED), width + np.log(_FRAMES_PER_S))
    score[out] += [log_of_beat_error(late[one], period[one]) for one in out]
    with_contact = width + np.log(1 - _NO_CONTACT) + np.log(_FRAMES_PER_S)
    score += np.where(np.isnan(passage), np.log(_NO_CONTACT), with_contact)
    score[lift] += [log_of_passage(passage[one], period[one]) for one in lift]
    return np.asarray(score + log_of_levels(levels))
