"""Guesses: clocks that the peaks of a handful of beats suggest, before any is scored in full.

Two loud peaks a whole number of periods apart, with the peaks round them; places where peaks, however soft, repeat; and what the
best accounts so far suggest: joined with one another, moved by a passage, at half or twice the period.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.echoes import clear_delays
from torsionbeat.hearing.peak_scores import (
    AHEAD,
    HALF,
    HEARD,
    LATE,
    MISSING,
    SAME_S,
    SCATTER_S,
    FewBeats,
    Peaks,
    guess_of,
    laid,
    sounds_in,
)
from torsionbeat.hearing.priors import LONGEST_PASSAGE, SHORTEST_PASSAGE_FRAMES
from torsionbeat.tracks.bands import FRAMES_PER_S

__all__ = [
    "JOINED",
    "OUT_OF_HALF",
    "halved_or_doubled",
    "joined_guesses",
    "likely_guesses",
    "moved_by_passages",
    "steady_places",
    "suggested_by_pairs",
    "with_clear_passages",
]

FloatArray = npt.NDArray[np.float64]

_MOST_FITTED = 40
"""Guesses of each kind that are fitted: four live starts, evaluated at three moments each, gave the same with 20, 40 and 120; 40
take half the time of 120."""
JOINED = 4
"""Best accounts that are joined: with the loudest peaks alone one noisy start in thirty was sure of half the period."""
_SHIFTS = (
    (1, 1),
    (-1, -1),
    (1, 0),
    (-1, 0),
    (0, 1),
    (0, -1),
)  # passages by which either side's drop is moved
_CLEAR_PASSAGES = 3
"""Passages added to each of the best accounts."""
_SHORTEST_PASSAGE_S = SHORTEST_PASSAGE_FRAMES / FRAMES_PER_S
_MOST_PEAKS = 36
"""Number of loudest peaks whose pairs suggest clocks; all peaks are scored."""
_GRID_S = 0.012  # below `SAME_S`, so that two accounts of one clock fall into one cell or its neighbour
_CELLS = 1 << 15
"""Grid cells for each number: 2**14 of 12 ms either way are 196 s, more than any period; four numbers make one of 60 bits."""


def joined_guesses(weighed: list[FewBeats]) -> FloatArray:
    """The accounts again, with each of the best ones joined to the second sides and the passages of the others.

    Few of a soft clock's peaks are among the loudest, so the guess of all its sounds may be missing where its parts are there.
    A clock at half the period, with one side, is one at the whole with two in beat; and the other way round.
    """
    rows = _best_first(weighed)
    best = rows[:JOINED] + halved_or_doubled(rows[:JOINED])
    lates, passages = (
        {np.nan, *(row[place] for row in best if not np.isnan(row[place]))} for place in (2, 3)
    )
    more = [
        (drop, period, late, passage) for drop, period, *_ in best for late in lates for passage in passages
    ]
    return np.array([*rows, *more]).reshape(-1, 4)


def halved_or_doubled(guesses: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Guesses with one side at twice their period, with two in beat; then those in beat at half of it, with one."""
    out: list[tuple[float, ...]] = [
        (drop, 2 * period, 0.0, passage) for drop, period, late, passage in guesses if np.isnan(late)
    ]
    return out + [
        (drop, period / 2, np.nan, passage) for drop, period, late, passage in guesses if abs(late) < SAME_S
    ]


def moved_by_passages(weighed: list[FewBeats]) -> FloatArray:
    """The accounts again, and the best ones with either side's drop, or both, moved by a passage: it may be a contact."""
    rows = _best_first(weighed)
    moved = [
        (drop + one * passage, period, late + (other - one) * passage, passage)
        for drop, period, late, passage in rows[:JOINED]
        if not np.isnan(passage)
        for one, other in _SHIFTS
    ]
    return np.array([*rows, *moved]).reshape(-1, 4)


def with_clear_passages(peaks: Peaks, weighed: list[FewBeats]) -> FloatArray:
    """The best accounts with the passages that all peaks show before their drops, or after what are contacts then, however soft:
    beside another clock half the sounds may not be among the loudest, and then no guess has their passage."""
    rows = []
    for drop_s, period_s, late_s, _ in _best_first(weighed)[:JOINED]:
        taken = laid(peaks, np.array([(drop_s, period_s, late_s, np.nan)]))[1][0, ::2]
        ahead = peaks.times[np.unique(taken[taken >= 0]), None] - peaks.times[None, :]
        for apart, later in ((ahead, 0.0), (-ahead, 1.0)):
            within_s = (_SHORTEST_PASSAGE_S, LONGEST_PASSAGE * period_s)
            passages = clear_delays(apart, peaks.rarity, within_s, _CLEAR_PASSAGES)
            rows += [(drop_s + later * passage_s, period_s, late_s, passage_s) for passage_s in passages]
    return np.array(rows).reshape(-1, 4)


def _best_first(weighed: list[FewBeats]) -> list[tuple[float, ...]]:
    """The accounts as guesses, the best first."""
    return [guess_of(one) for one in sorted(weighed, key=lambda one: -one.score)]


def suggested_by_pairs(peaks: Peaks, nominal_s: float, near: float) -> FloatArray:
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
        np.isnan(ahead) | ((ahead > _SHORTEST_PASSAGE_S) & (ahead < LONGEST_PASSAGE * period))
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


def likely_guesses(peaks: Peaks, guesses: FloatArray) -> FloatArray:
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


def _roughly(peaks: Peaks, guesses: FloatArray) -> FloatArray:
    """Score of the sounds that each guess predicts, without their levels. All guesses have the same kinds of sounds."""
    drop, period, late, passage = np.nan_to_num(guesses).T
    rows = np.arange(-2, int(peaks.duration_s / period.min()) + 3)
    score = np.zeros(len(guesses))
    for half, lateness, sound in np.hstack([HALF, LATE, AHEAD])[sounds_in(guesses[0])]:
        first = drop + half * period + lateness * late + sound * passage
        due = first[:, None] + (rows - np.floor(drop / period)[:, None]) * period[:, None]
        after = np.clip(np.searchsorted(peaks.times, due), 1, len(peaks.times) - 1)
        best = np.full(due.shape, MISSING)
        for near in (after - 1, after):
            gap = (peaks.times[near] - due) / SCATTER_S
            best = np.maximum(best, np.log(HEARD) + peaks.rarity[near] - 2 * np.log1p(gap**2 / 3))
        score += np.where(peaks.sounding(due), best, 0.0).sum(axis=1)
    return score


_STEADY_CELL_S, _STEADY_MISSING, _LEAST_STEADY_ROWS = 0.02, -4.5, 3
"""Width of a phase, score of a row without a peak there (97 of 100 sounds are heard, the softest peaks have no rarity); rows."""
_STEADY_TRIED, _STEADY_PLACES, _PERIODS_TOGETHER = 60, 8, 64
"""Clearest places looked at of so many periods, places given (a clock has four sounds), and periods evaluated together."""
OUT_OF_HALF = 0.08
"""Share of the period by which the second side's sound may be from half a period after the first's."""


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
