"""Jumps: moments at which the clock changed suddenly, found in the times of its beats.

A knock to the case or a stretch lost by the recorder moves the phase. A slipped clamp moves the beat error. (A lost
drive lets the arc fall: see `torsionbeat.reading.arc_course.turn_of`.) Input: beats in order. Output: the moments with
the sizes of the jumps, so that no figure is averaged over a jump unnoticed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.robust import median_deviation

__all__ = ["Jump", "find_jumps"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_AROUND = 5
"""Beats of a side from which the level before and after a jump is taken: fewer scatter, more would include the wander."""

_LEAST_S = 0.010
"""A smaller step may come from a sound that was timed from another of its parts (a few milliseconds on the twin)."""

_LEAST_RATIO = 15.0
"""A step is at least this many times the spread of its neighbours: a clock's own wander does not reach that in months."""

TOLD_S, TOLD_SHARE = 0.004, 0.3
"""A jump of phase or of beat error is reported where it is more than this, and more than this share of the other: medians
of ten beats of a side leave an error of some milliseconds in each."""


@dataclass(frozen=True, slots=True)
class Jump:
    """Between beats ``before`` and ``after`` the phase moved by ``phase_s`` and the beat error by ``beat_error_s``."""

    before: int
    after: int
    time_s: float
    phase_s: float
    beat_error_s: float

    @property
    def moves_beat(self) -> bool:
        """Whether the beat error jumped: a slipped clamp, a moved beat setting."""
        return abs(self.beat_error_s) > TOLD_S and abs(self.beat_error_s) > TOLD_SHARE * abs(self.phase_s)

    @property
    def moves_phase(self) -> bool:
        """Whether all beats jumped: a knock to the case, sound that the recorder lost."""
        return abs(self.phase_s) > TOLD_S and abs(self.phase_s) > TOLD_SHARE * abs(self.beat_error_s)


def find_jumps(number: IntArray, middle_s: FloatArray, half_period_s: float, most: int = 6) -> list[Jump]:
    """Jumps of phase or beat error, in order of time.

    Parameters
    ----------
    number, middle_s : array, shape (n,)
        Beat numbers and the middles of their lift passages, seconds.
    half_period_s : float
        Rough half period.
    """
    residual = middle_s - half_period_s * number
    sides = [np.flatnonzero(number % 2 == side) for side in (0, 1)]
    sides = [rows for rows in sides if len(rows) >= 2 * _AROUND]
    if not sides:
        return []
    found: list[Jump] = []
    scores: list[tuple[float, int, int]] = []
    for side, rows in enumerate(sides):
        score = _step_scores(number[rows], residual[rows])
        scores += [(float(score[index]), side, index) for index in _peaks(score)]
    scores.sort(reverse=True)
    for _, side, index in scores[: 2 * most]:
        rows = sides[side]
        before, after = int(number[rows[index]]), int(number[rows[index + 1]])
        if any(abs(before - jump.before) <= 2 * _AROUND for jump in found):
            continue
        found.append(_jump(number, middle_s, residual, before, after))
    return sorted(found[:most], key=lambda jump: jump.before)


def _step_scores(number: IntArray, residual: FloatArray) -> FloatArray:
    """For each place between two beats of a side: the step there as a multiple of the spread."""
    second = np.diff(residual, 2)
    spread = max(median_deviation(second) / np.sqrt(6), 2e-4)
    score = np.zeros(len(residual) - 1)
    for index in range(1, len(residual) - 2):
        first = slice(max(0, index - _AROUND + 1), index + 1)
        last = slice(index + 1, index + 1 + _AROUND)
        step = _extrapolated(number[last], residual[last], number[index] + 1.0) - _extrapolated(
            number[first], residual[first], number[index] + 1.0
        )
        if abs(step) > _LEAST_S:
            score[index] = abs(step) / spread
    return score


def _extrapolated(number: IntArray, residual: FloatArray, at: float) -> float:
    """Value of the line through a few beats, extrapolated to a place just beyond them."""
    if len(number) < 3:
        return float(np.median(residual))
    _slope, level = np.polyfit(number - at, residual, 1)
    return float(level)


def _peaks(score: FloatArray) -> list[int]:
    out: list[int] = []
    for index in np.argsort(score)[::-1]:
        if score[index] < _LEAST_RATIO:
            break
        if all(abs(index - other) > _AROUND for other in out):
            out.append(int(index))
    return out


def _jump(number: IntArray, middle_s: FloatArray, residual: FloatArray, before: int, after: int) -> Jump:
    """Size of a jump, from the medians of both sides before and after it."""
    steps = []
    for side in (0, 1):
        first = residual[(number % 2 == side) & (number <= before + 1) & (number > before - 2 * _AROUND)]
        last = residual[(number % 2 == side) & (number >= after) & (number < after + 2 * _AROUND)]
        steps.append(float(np.median(last) - np.median(first)) if len(first) and len(last) else 0.0)
    row = int(np.searchsorted(number, after))
    when = float(middle_s[min(row, len(middle_s) - 1)])
    return Jump(before, after, when, (steps[0] + steps[1]) / 2, steps[1] - steps[0])
