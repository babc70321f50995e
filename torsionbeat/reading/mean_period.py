"""Wander: the mean period of a clock that is not quite steady, and how well it is known.

Input: times of beats (seconds) with their numbers. Output: period and beat error with standard uncertainties. The
time of beat n is taken as

    start + n T / 2 + (side) + wander(n) + event noise,

where the wander is a sum of a random walk of phase (each swing takes a little more or less) and a random walk of
rate (arc, drive and temperature change). The three strengths of the noise are found from the record itself by restricted
maximum likelihood; the mean period over the stretch heard is then the best linear unbiased prediction of
(time of the last beat - time of the first) / beats between, with its variance. Where there is no wander this is
the least-squares line with u = sigma sqrt(12 / (N (N^2 - 1))); where wander dominates, it approaches the
difference of the ends.

Source: H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545 (restricted likelihood); C. R. Henderson,
Biometrics 31 (1975) 423 (best linear unbiased prediction); both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from torsionbeat.hearing.priors import PASSAGE_MEDIAN, PASSAGE_SPREAD
from torsionbeat.reading.beats import ARC_AN_HOUR
from torsionbeat.theory.rate import student_factor

__all__ = [
    "USUAL_SCATTER_S",
    "SteadyPeriod",
    "mean_period",
    "moved_by_unseen_arc_s",
    "no_surer_than_its_parts",
    "with_what_timing_hides",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_MOST_GROUPS = 100
"""Matrices of this size are inverted in a millisecond, some hundred times for the likelihood."""
USUAL_SCATTER_S = 0.0007
"""Prior scatter of a beat's time: 0.7 ms on clear recordings of the twin, the clock's own jitter of 0.5 ms included."""
_PRIOR = 0.02
"""Weight of the prior of the strengths, in twice the negative log likelihood: a standard deviation of their logarithms of
7 (1 / sqrt(0.02)). The prior determines the strengths that the record does not."""
_MOST_STEPS, _LONGEST_STEP = 60, 3.0
"""Steps of the search for the strengths, and the longest one: a factor of 20."""
_STEP_AT_REST, _GAIN_AT_REST = 0.01, 1e-4
"""The search ends where the logarithms of the strengths move by less than a hundredth, or the likelihood hardly gains."""
_NONE = -80.0
"""Logarithm of the strength of a wander that there is not."""
_LEAST_IN_PARTS, _FEW = 4, 64
"""A period needs four beats, and one more to leave out. Beyond 64 beats, leaving out an end moves the period by a fifth of
its uncertainty, which adds only a fiftieth."""

ARC_AT_MOST = 0.03
"""Change of an arc that is not seen, as a share of it in one recording, at most (standard deviation; no source). In an hour:
`beats.ARC_AN_HOUR`."""
_DROP_LATE = PASSAGE_MEDIAN * float(np.exp(PASSAGE_SPREAD**2)) / 2
"""Time from the middle of the lift passage to the drop, as a share of the period: half a passage, root mean square over the
log-normal distribution of clocks."""


@dataclass(frozen=True, slots=True)
class SteadyPeriod:
    """Mean period over the stretch heard and half the side difference, seconds, with the noise found.

    ``beat_error_s`` is half of (interval a to b minus interval b to a); ``event_noise_s`` the scatter of single
    beats; ``start_s`` the time of beat 0.
    """

    period_s: float
    period_uncertainty_s: float
    beat_error_s: float
    beat_error_uncertainty_s: float
    event_noise_s: float
    start_s: float
    degrees_of_freedom: int


def mean_period(time_s: FloatArray, number: IntArray, jumps: tuple[float, ...] = ()) -> SteadyPeriod:
    """Mean period over the stretch from the first beat to the last.

    Parameters
    ----------
    time_s : array, shape (n,)
        Times of beats, n >= 3.
    number : array of int, shape (n,)
        Beat numbers, increasing; even is side a, odd side b.
    jumps : tuple of float
        Beat numbers (between two beats) at which phase or beat setting jumped; no jump counts towards the period.
    """
    time_s = np.asarray(time_s, np.float64)
    number = np.asarray(number, np.int64)
    rarer = int(min(np.count_nonzero(number % 2 == parity) for parity in (0, 1)))
    both = rarer >= 2
    step, start = _first_fit(time_s, number, both)
    odd = (number % 2).astype(np.float64)
    residual = time_s - start - step * number
    at, value, weight, parity = _grouped(number, residual, odd, jumps)
    span = float(number[-1] - number[0])
    along = (at - number[0]) / span - 0.5
    design: list[FloatArray] = [np.ones(len(at)), along]
    if both:
        design.append(parity - 0.5)
        if len(at) >= 16 and rarer >= 4 and not jumps:
            # The beat error changes with the arc: fit that, so that it is not taken for noise.
            design.append(np.asarray((parity - 0.5) * along, np.float64))
    for jump in jumps:
        after: FloatArray = (at > jump).astype(np.float64)
        steps = [after, np.asarray(after * (parity - 0.5), np.float64)] if both else [after]
        for step_column in steps:
            # A side that is not heard both before and after a jump does not show its own jump.
            if np.linalg.matrix_rank(np.column_stack([*design, step_column])) > len(design):
                design.append(step_column)
    fitted = _Model(at - number[0], value, weight, np.column_stack(design), span)
    strengths = fitted.best_strengths()
    steady, share = fitted.without_wander(strengths)
    found = fitted.predict(strengths), fitted.predict(steady)
    freedom = max(len(number) - len(design), 1)
    # The three strengths are themselves only estimated: with few beats that adds uncertainty.
    factor = student_factor(freedom) / student_factor(10**6) * np.sqrt(1 + 8 / len(number))
    ends, u_ends = _in_doubt(share, *((one[2], one[3]) for one in found))
    period, u_period = 2 * (step + ends / span), 2 * u_ends / span * factor
    beat_error = u_beat_error = float("nan")
    if both:
        # Interval a to b is T/2 + side, b to a is T/2 - side: half the difference is the side's shift itself.
        # The beat error reported is the mean over the stretch of what the side columns give.
        wanted = np.zeros(len(design))
        wanted[2] = 1.0
        for column, values in enumerate(design[3:], start=3):
            shares = values * 4 * (parity - 0.5)
            if not np.array_equal(np.unique(values), [0.0, 1.0]):
                wanted[column] = float(np.mean(shares))
        beat_error, u_beat_error = _in_doubt(
            share, *((float(wanted @ one[0]), float(wanted @ one[1] @ wanted)) for one in found)
        )
        u_beat_error *= factor
    return SteadyPeriod(
        period,
        float(u_period),
        beat_error,
        u_beat_error,
        float(np.sqrt(np.exp(strengths[0]))),
        start,
        freedom,
    )


def _in_doubt(share: float, found: tuple[float, float], steady: tuple[float, float]) -> tuple[float, float]:
    """A figure and its standard uncertainty, with the doubt that a steady clock has a share of: never less than without it.

    A wander too small to show in few beats is there all the same, so the figure stays that of the clock that may wander.
    """
    mean, variance = found
    beyond = max(steady[1] - variance, 0.0) + (steady[0] - mean) ** 2
    return mean, float(np.sqrt(variance + share * beyond))


def no_surer_than_its_parts(
    steady: SteadyPeriod,
    time_s: FloatArray,
    drop_s: FloatArray,
    number: IntArray,
    jumps: tuple[float, ...] = (),
) -> SteadyPeriod:
    """The period of few beats, with the doubt that leaving out the first beat, the last one or all contacts shows.

    A badly timed beat at an end looks like a clock that changed there, and no later beat contradicts it. Contacts near the
    noise scatter as if the clock wandered. How much an estimate from a part of the data may differ follows from both
    uncertainties (J. A. Hausman, Econometrica 46 (1978) 1251, theorem 2.1; from memory). A larger difference is doubt of
    the model and is added.

    Parameters
    ----------
    steady : SteadyPeriod
        What `mean_period` gives for ``time_s``, ``number`` and ``jumps``.
    time_s, drop_s : array, shape (n,)
        Times of the beats, and of their drops alone.
    number : array of int, shape (n,)
    jumps : tuple of float
    """
    if not _LEAST_IN_PARTS < len(number) <= _FEW:
        return steady
    parts = [mean_period(time_s[kept], number[kept], jumps) for kept in (slice(1, None), slice(None, -1))]
    if np.isfinite(drop_s).all():
        parts.append(mean_period(drop_s, number, jumps))
    variance = steady.period_uncertainty_s**2
    beyond = [
        (part.period_s - steady.period_s) ** 2 - max(part.period_uncertainty_s**2 - variance, 0.0)
        for part in parts
    ]
    return replace(steady, period_uncertainty_s=float(np.sqrt(variance + max([0.0, *beyond]))))


def with_what_timing_hides(steady: SteadyPeriod, number: IntArray) -> SteadyPeriod:
    """Period and beat error, with the doubt that a handful of beats may hide by agreeing too well.

    Four beats leave one difference to estimate their scatter from, and by luck it may be a hundredth of the scatter. The
    usual scatter of a beat counts as one further difference (a scaled inverse chi-squared prior; A. Gelman and others,
    Bayesian Data Analysis, 3rd ed. (2013), 3.2, from memory). What the beats themselves show is in ``steady`` already.

    Parameters
    ----------
    steady : SteadyPeriod
    number : array of int, shape (n,)
        Numbers of its beats.
    """
    freedom = steady.degrees_of_freedom + 1
    factor = student_factor(freedom) / student_factor(10**6) * np.sqrt(1 + 8 / len(number))
    scatter_s = USUAL_SCATTER_S * factor / np.sqrt(freedom)
    of_period_s = 2 * scatter_s / np.sqrt(float(np.sum((number - number.mean()) ** 2)))
    of_side_s = 2 * scatter_s / np.sqrt(len(number))
    return replace(
        steady,
        period_uncertainty_s=float(np.hypot(steady.period_uncertainty_s, of_period_s)),
        beat_error_uncertainty_s=float(np.hypot(steady.beat_error_uncertainty_s, of_side_s)),
    )


def moved_by_unseen_arc_s(period_s: float, time_s: FloatArray) -> float:
    """Standard uncertainty of the period (s) of a clock of which only drops are heard, from a change of its arc.

    The drop follows the middle of the swing by half a lift passage, which lengthens as the arc falls. Where no contact is heard,
    drops that come later and later by that look like a longer period.

    Parameters
    ----------
    period_s : float
    time_s : array, shape (n,)
        Times of the drops.

    Examples
    --------
    A clock of 60 s: 11 parts in a million over ten minutes, 0.8 over a night of eight hours.

    >>> [round(1e6 * moved_by_unseen_arc_s(60.0, np.array([0.0, hours * 3600])) / 60, 1) for hours in (1 / 6, 8)]
    [10.8, 0.8]
    """
    lasts_s = float(time_s[-1] - time_s[0])
    changes = min(ARC_AN_HOUR * lasts_s / 3600, ARC_AT_MOST)
    return _DROP_LATE * period_s * changes * period_s / max(lasts_s, period_s)


def _first_fit(time_s: FloatArray, number: IntArray, both: bool) -> tuple[float, float]:
    columns: list[Any] = [number.astype(np.float64), np.ones(len(number))]
    if both:
        columns.append(number % 2 - 0.5)
    solution = np.linalg.lstsq(np.column_stack(columns), time_s, rcond=None)[0]
    return float(solution[0]), float(solution[1])


def _grouped(
    number: IntArray, residual: FloatArray, odd: FloatArray, jumps: tuple[float, ...]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Means over runs of neighbouring beats of one side, so that a long night gives a small matrix.

    No run crosses a jump.
    """
    runs = int(np.ceil(len(number) / _MOST_GROUPS))
    if runs <= 1:
        return number.astype(np.float64), residual, np.ones(len(number)), odd
    keys = np.arange(len(number)) // (2 * runs) * 2 + (number % 2)
    keys += np.searchsorted(np.sort(jumps), number) * (2 * len(number) + 2)
    _, index = np.unique(keys, return_inverse=True)
    count = np.bincount(index).astype(np.float64)
    at, value, parity = (
        np.bincount(index, what) / count for what in (number.astype(np.float64), residual, odd)
    )
    order = np.argsort(at)
    return at[order], value[order], count[order], parity[order]


@dataclass(slots=True)
class _Model:
    """Residuals of groups of beats with three kinds of noise."""

    at: FloatArray
    value: FloatArray
    weight: FloatArray
    design: FloatArray
    span: float

    def covariances(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        early = np.minimum.outer(self.at, self.at)
        late = np.maximum.outer(self.at, self.at)
        return np.diag(1 / self.weight), early, early**2 * (3 * late - early) / 6

    def best_strengths(self) -> FloatArray:
        """Logarithms of the variances: of one event, of a walk of phase per beat, of a walk of rate per beat.

        Fisher's scoring of the restricted likelihood with a wide log-normal prior, from four starting points.
        """
        parts = np.array(self.covariances())
        rest = self.value - self.design @ np.linalg.lstsq(self.design, self.value, rcond=None)[0]
        variance = max(float(np.var(rest * np.sqrt(self.weight))), 1e-14)
        beats = max(len(self.at), 2)
        guess = np.log(np.array([variance, variance / beats / 10, variance / beats**3 / 10]))
        low = guess + np.log([1e-3, 1e-7, 1e-9])
        high = guess + np.log([10.0, 1e3, 1e5])
        contrasts = self.contrasts(parts, guess)
        # All three alike, beats alone, mostly a walk of phase, mostly one of rate: each search ends at the nearest maximum.
        shares = ([1.0, 1.0, 1.0], [1.0, 1e-4, 1e-4], [0.3, 10.0, 1e-3], [0.1, 1e-2, 10.0])
        starts = [guess + np.log(share) for share in shares]
        return min((contrasts.best(start, low, high) for start in starts), key=lambda found: found[1])[0]

    def contrasts(self, parts: FloatArray, guess: FloatArray) -> _Contrasts:
        """Free of start, period and sides: what is left of values and covariances depends on the noise alone."""
        free = np.linalg.qr(self.design, mode="complete")[0][:, self.design.shape[1] :]
        return _Contrasts(free.T @ self.value, free.T @ parts @ free, guess)

    def without_wander(self, strengths: FloatArray) -> tuple[FloatArray, float]:
        """Strengths of a clock that does not wander, and its probability against one with the given strengths.

        Few beats scatter like a clock that wanders about once in a thousand times. Two strengths fewer are fitted: the odds are
        those of G. Schwarz, Annals of Statistics 6 (1978) 461 (from memory).
        """
        contrasts = self.contrasts(np.array(self.covariances()), strengths)  # no prior beside these
        whiten = np.linalg.inv(np.linalg.cholesky(contrasts.parts[0]))
        count = max(len(contrasts.value), 1)
        event = max(float(np.sum((whiten @ contrasts.value) ** 2)) / count, 1e-16)
        steady = np.array([np.log(event), _NONE, _NONE])
        worse = replace(contrasts, guess=steady).cost(steady)[0] - contrasts.cost(strengths)[0]
        return steady, float(expit((2 * np.log(float(self.weight.sum())) - worse) / 2))

    def predict(self, strengths: FloatArray) -> tuple[Any, Any, float, float]:
        """Coefficients and their covariance; phase gained from first beat to last, and its variance."""
        event, walk, drift = np.exp(strengths)
        parts = self.covariances()
        total = event * parts[0] + walk * parts[1] + drift * parts[2]
        end = self.span
        # Covariance of each group with the wander gained over the whole stretch.
        to_end = walk * self.at + drift * self.at**2 * (3 * end - self.at) / 6
        of_end = walk * end + drift * end**3 / 3
        inverse = np.linalg.inv(total)
        covariance = np.linalg.inv(self.design.T @ inverse @ self.design)
        coefficients = covariance @ self.design.T @ inverse @ self.value
        wanted = np.zeros(self.design.shape[1])
        wanted[1] = 1.0
        rest = self.value - self.design @ coefficients
        ends = float(wanted @ coefficients + to_end @ inverse @ rest)
        gap = wanted - self.design.T @ inverse @ to_end
        variance = of_end - to_end @ inverse @ to_end + gap @ covariance @ gap
        return coefficients, covariance, ends, max(float(variance), 0.0)


@dataclass(frozen=True, slots=True)
class _Contrasts:
    """Contrasts of the beats' times, independent of start, period and sides, and their covariance from each noise."""

    value: FloatArray
    parts: FloatArray
    guess: FloatArray

    def best(self, start: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, float]:
        """Logarithms of the variances that make the contrasts likeliest, within bounds, and the cost there."""
        at = start
        cost, slope, bend = self.cost(at)
        damping = 1e-3
        for _ in range(_MOST_STEPS):
            step = np.linalg.solve(bend + damping * np.diag(np.diag(bend)), -slope)
            there = np.clip(at + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP), low, high)
            cost_there, slope_there, bend_there = self.cost(there)
            gained = cost - cost_there
            if gained >= 0:
                moved = float(np.abs(there - at).max())
                at, cost, slope, bend = there, cost_there, slope_there, bend_there
                damping = max(damping / 10, 1e-6)
                if moved < _STEP_AT_REST or gained < _GAIN_AT_REST:
                    break
            elif damping > 1e4:
                break
            else:
                damping *= 10
        return at, cost

    def cost(self, strengths: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Twice the negative logarithm of likelihood times prior, its gradient and Fisher's expected curvature."""
        each = np.exp(strengths)[:, None, None] * self.parts
        away = strengths - self.guess
        prior = _PRIOR * float(away @ away)
        try:
            factor = np.linalg.cholesky(each.sum(axis=0))
        except np.linalg.LinAlgError:
            return 1e12, np.zeros(3), np.eye(3)
        whiten = np.linalg.inv(factor)
        white = whiten @ self.value
        shares = whiten @ each @ whiten.T
        cost = 2 * float(np.log(np.diag(factor)).sum()) + float(white @ white) + prior
        slope = np.trace(shares, axis1=1, axis2=2) - white @ shares @ white + 2 * _PRIOR * away
        flat = shares.reshape(3, -1)
        return cost, slope, flat @ flat.T + 2 * _PRIOR * np.eye(3)
