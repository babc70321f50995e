"""Paths: which sound of each beat belongs to a track, decided from all beats together.

Input: the rough frames of one sound, one in each row. Output: better ones. The candidates in each row are the local maxima
(tops) of the evidence for the learnt sound (:mod:`torsionbeat.tracks.exact`) in a wide window round the rough place, and "not
heard". The clock is a phase and a period that wander a little (a Kalman filter). The density of tops from the room and other
clocks, at each height, is measured in windows away from the beat. The best paths through all rows are kept (a beam, after
C. Zhu et al., J. Geophys. Res. Solid Earth 127 (2022) e2021JB023249, and P. Allen and R. Dannenberg, ICMC 1990, who keep
several interpretations of a beat at once).

Places are frames of 0.5 ms from the start of the stretch; scores are natural logarithms of odds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.robust import SIGMA_PER_MEDIAN
from torsionbeat.tracks.exact import evidence_round, settled
from torsionbeat.tracks.fine_power import FinePower

__all__ = [
    "REACH",
    "reassociated",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

REACH = 160
"""Frames searched either side of the rough place (80 ms): another clock's tick draws a track away by no more."""
HEARD = 0.93
"""Prior share of beats whose sound is heard."""
LEAST_MARGIN = 7.0
"""Odds below which the rough track is kept. 36 of 166 tracks were below it and had rows moved; none was wrong."""
_SEARCH = 24
"""Frames either side (12 ms) within which a sound of the track is placed exactly."""
_APART, _MOST_TOPS, _LEAST_TOP = 10, 6, 3.0
"""Tops are 5 ms apart or more, six in a window at most, and above this evidence."""
_BEAM = 60
"""Paths kept from row to row."""
_DIFFERS = 0.15
"""Share of rows in which a path must differ to count as another."""
_PHASE_STEP, _PERIOD_STEP = 1.0, 0.5
"""Frames by which phase and period wander from row to row (0.5 and 0.25 ms): air drive and temperature cause no more."""
_ASTRAY = 0.03
"""Share of beats that fall anywhere in the window: a knock, a slipping drop."""
_SCATTERS = (3.0, 20.0)
"""Frames within which the scatter of single beats is learnt (1.5 to 10 ms)."""
_LEVELS = (0.35, 1.2)
"""Spread of the logarithm of the evidence from beat to beat."""
_LEAST_ROWS = 6
"""Least number of rows: fewer show no wander of phase and period."""
_AWAY_WINDOWS = 80
"""Windows away from the beat in which the density of tops is measured."""


@dataclass(slots=True)
class _Beam:
    """Paths so far: score, phase and period against the rough line with their covariance, and the tops chosen."""

    score: FloatArray
    state: FloatArray
    spread: FloatArray
    chosen: list[tuple[IntArray, IntArray]]
    """For each row: the path that each one continues, and the shift of its top, -1 where the sound was not heard."""

    def path(self, number: int) -> IntArray:
        """Shifts chosen along one of the last paths, row by row."""
        out = np.empty(len(self.chosen), np.int64)
        for row in range(len(self.chosen) - 1, -1, -1):
            parent, shift = self.chosen[row]
            out[row] = shift[number]
            number = int(parent[number])
        return out


def reassociated(fine: FinePower, frames: IntArray, period: float) -> IntArray:
    """Frames of one sound in every row, moved where another path is clearly likelier than the rough one.

    Parameters
    ----------
    fine : FinePower
    frames : array, shape (rows,)
        Rough frame of the sound in each period.
    period : float
        Frames.
    """
    margin = 2 * REACH + 200
    rows = np.flatnonzero((frames > margin) & (frames < len(fine.levels) - margin))
    if len(rows) < _LEAST_ROWS:
        return frames
    places, heard = frames[rows].copy(), np.ones(len(rows), bool)
    line = _straight(rows, places)
    scatter, odds = 6.0, np.inf
    for turn in range(2):
        learnt = settled(fine, places[heard], _SEARCH)
        moved = np.rint(learnt.frames).astype(np.int64)
        if turn == 0:
            line = line + np.median(moved - places[heard])
        places[heard] = moved
        centre = np.rint(line).astype(np.int64)
        gained = evidence_round(fine, centre, REACH, learnt.profile)
        density = _Density.of(fine, places, period, learnt.profile)
        level = _level(gained, places - centre, heard)
        shifts, odds = _best_path(rows, centre, gained, level, density, scatter)
        heard = shifts >= 0
        if np.count_nonzero(heard) < 4:
            return frames
        places = np.where(heard, centre + shifts - REACH, places)
        if odds > LEAST_MARGIN and not np.any(np.abs(places - frames[rows]) > _SEARCH):
            return frames  # clearly the likeliest as it stands
        line = _smooth(rows, places, heard)
        places = np.where(heard, places, np.rint(line)).astype(np.int64)
        scatter = float(np.clip(SIGMA_PER_MEDIAN * np.median(np.abs(places - line)[heard]), *_SCATTERS))
    out = frames.copy()
    if odds > LEAST_MARGIN:
        far = np.abs(places - frames[rows]) > _SEARCH
        out[rows[far]] = places[far]
    return out


def _level(
    gained: npt.NDArray[np.float32], shifts: IntArray, heard: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """Median and spread of the logarithm of the sound's evidence at its assumed places."""
    at = np.clip(shifts + REACH, 0, 2 * REACH)
    near = [
        float(gained[row][max(at[row] - _SEARCH, 0) : at[row] + _SEARCH + 1].max())
        for row in np.flatnonzero(heard)
    ]
    logs = np.log(np.maximum(near, 1.0))
    middle = float(np.median(logs))
    return middle, float(np.clip(SIGMA_PER_MEDIAN * np.median(np.abs(logs - middle)), *_LEVELS))


def _tops(series: npt.NDArray[np.float32]) -> list[int]:
    """The highest tops of one row's evidence."""
    inner = series[1:-1]
    tops = np.flatnonzero((inner >= series[:-2]) & (inner > series[2:]) & (inner > _LEAST_TOP)) + 1
    kept: list[int] = []
    for top in tops[np.argsort(-series[tops], kind="stable")]:
        if all(abs(int(top) - other) >= _APART for other in kept):
            kept.append(int(top))
        if len(kept) == _MOST_TOPS:
            break
    return kept


@dataclass(frozen=True, slots=True)
class _Density:
    """Density of tops away from the beat, per frame, by the logarithm of their evidence."""

    logs: FloatArray
    frames: int

    @staticmethod
    def of(fine: FinePower, places: IntArray, period: float, profile: npt.NDArray[np.float32]) -> _Density:
        rng = np.random.default_rng(len(places))
        away = [places + sign * rng.uniform(0.14, 0.36, len(places)) * period for sign in (1, -1)]
        windows = np.rint(np.concatenate(away)).astype(np.int64)
        inside = (windows > 2 * REACH + 100) & (windows < len(fine.levels) - 2 * REACH - 200)
        windows = windows[inside][:: int(np.count_nonzero(inside)) // _AWAY_WINDOWS + 1]
        if not len(windows):
            return _Density(np.zeros(1), 400)
        gained = evidence_round(fine, windows, REACH, profile)
        heights = np.array([row[top] for row in gained for top in _tops(row)])
        return _Density(np.log(np.maximum(heights, 1.0)), gained.size)

    def log_at(self, evidence: float) -> float:
        """Logarithm of the density at an evidence; a tenth of a top is added everywhere."""
        near = np.exp(-0.5 * ((np.log(max(evidence, 1.0)) - self.logs) / 0.5) ** 2).sum() / (
            0.5 * np.sqrt(2 * np.pi)
        )
        return float(np.log((near + 0.1) / self.frames))


def _best_path(
    rows: IntArray,
    centre: IntArray,
    gained: npt.NDArray[np.float32],
    level: tuple[float, float],
    density: _Density,
    scatter: float,
) -> tuple[IntArray, float]:
    """Shifts of the best path (-1 where the sound is not heard), and its odds against the best truly different path."""
    step = float(np.median(np.diff(centre) / np.diff(rows)))
    offset = centre - (centre[0] + step * (rows - rows[0]))
    middle, spread = level
    beam = _Beam(np.zeros(1), np.zeros((1, 2)), np.array([np.diag([(REACH / 1.5) ** 2, 16.0])]), [])
    for row in range(len(rows)):
        if row:
            _let_go(beam, float(rows[row] - rows[row - 1]))
        weights = []
        for top in _tops(gained[row]):
            height = float(gained[row][top])
            likely = -0.5 * ((np.log(max(height, 1.0)) - middle) / spread) ** 2 - np.log(
                spread * np.sqrt(2 * np.pi)
            )
            weights.append((top, np.log(HEARD) + likely - density.log_at(height)))
        _hear(beam, weights, float(offset[row]), scatter)
    order = np.argsort(-beam.score)
    best = beam.path(int(order[0]))
    for number in order[1:]:
        other = beam.path(int(number))
        if np.mean((best >= 0) & (other >= 0) & (np.abs(best - other) > _APART)) > _DIFFERS:
            return best, float(beam.score[order[0]] - beam.score[number])
    return best, np.inf


def _let_go(beam: _Beam, turns: float) -> None:
    """The clock advances by this many periods."""
    move = np.array([[1.0, turns], [0.0, 1.0]])
    beam.state = beam.state @ move.T
    beam.spread = move @ beam.spread @ move.T + np.diag([_PHASE_STEP**2 * turns, _PERIOD_STEP**2 * turns])


def _hear(beam: _Beam, tops: list[tuple[int, float]], offset: float, scatter: float) -> None:
    """Continue every path to every top and to none; merge those that reach the same state, and keep the best."""
    expected = beam.state[:, 0] - offset
    variance = beam.spread[:, 0, 0] + scatter**2
    score, state, spread = [beam.score + np.log(1 - HEARD)], [beam.state], [beam.spread]
    for top, weight in tops:
        miss = top - REACH - expected
        regular = np.log(1 - _ASTRAY) - 0.5 * miss**2 / variance - 0.5 * np.log(2 * np.pi * variance)
        either = np.logaddexp(regular, np.log(_ASTRAY / (2 * REACH)))
        trust = np.exp(regular - either)
        gain = beam.spread[:, :, 0] / variance[:, None]
        score.append(beam.score + weight + either)
        state.append(beam.state + gain * (miss * trust)[:, None])
        spread.append(beam.spread - trust[:, None, None] * gain[:, :, None] * beam.spread[:, None, 0, :])
    scores, states, spreads = np.concatenate(score), np.concatenate(state), np.concatenate(spread)
    parents = np.tile(np.arange(len(beam.score)), len(tops) + 1)
    shifts = np.repeat(np.array([-1, *(top for top, _ in tops)], np.int64), len(beam.score))
    order = np.argsort(-scores)[: 3 * _BEAM]
    same = np.rint(states[order] / (4.0, 1.0)).astype(np.int64) @ (1 << 32, 1)
    kept = order[np.sort(np.unique(same, return_index=True)[1])[:_BEAM]]
    beam.score, beam.state, beam.spread = scores[kept], states[kept], spreads[kept]
    beam.chosen.append((parents[kept], shifts[kept]))


def _straight(rows: IntArray, places: IntArray) -> FloatArray:
    """A line through the places, by the median of the slopes over a third of the rows."""
    apart = max(len(rows) // 3, 1)
    slope = float(np.median((places[apart:] - places[:-apart]) / (rows[apart:] - rows[:-apart])))
    out: FloatArray = slope * rows + np.median(places - slope * rows)
    return out


def _smooth(rows: IntArray, places: IntArray, heard: npt.NDArray[np.bool_]) -> FloatArray:
    """For each row, a line through the nine nearest rows in which the sound is heard."""
    known, values = rows[heard].astype(float), places[heard].astype(float)
    out = np.empty(len(rows))
    for number, row in enumerate(rows):
        near = np.argsort(np.abs(known - row), kind="stable")[:9]
        if len(near) < 4:
            out[number] = np.median(values[near])
            continue
        x, y = known[near] - row, values[near]
        slope = float((x - x.mean()) @ (y - y.mean()) / max(float((x - x.mean()) @ (x - x.mean())), 1e-9))
        out[number] = y.mean() - slope * x.mean()
    return out
