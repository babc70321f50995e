"""The trend of the arc, and how fast it settles, for an arc that also wanders.

Input: the arcs of single beats with their times and numbers. Output: a slope, or a time constant, whose interval allows
for the correlation of neighbouring arcs. The arc of beat n is taken as

    start + trend time + (side) + wander(n) + noise of the measurement,

or, for settling, with 1 - exp(-time / tau) in place of the time. The wander is one of a family of stationary processes.
It is as rough as the drive's own, or smoothed by a balance that answers its drive slowly. Its memory is from 5 to 500
beats. Its size is zero, or from 0.05 to 6.4 % of the arc. Each member gives a likelihood, and a slope by generalised
least squares with Student's t about it. The slopes are mixed in proportion to the likelihoods. Where a record is too
short to show its own wander, the prior decides, so that the drive's changes from hour to hour are not taken for a trend
of ten minutes.

Source: D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320 (the likelihood without the fixed part); A. Gelman et al.,
Bayesian Data Analysis, 3rd ed. 2013, 14.2 and 21.1 (Student's t of a slope, a mixture over what is not known);
both from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.reading.figures import FloatArray, IntArray, UFloat
from torsionbeat.theory.robust import COVERAGE, median_deviation

__all__ = ["arc_trend_deg_per_hour", "settling_times_s"]

LEAST_ARCS = 8
"""With fewer arcs, too few are left after fitting start, trend and side to estimate their scatter."""

MOST_GROUPS = 96
"""Neighbouring arcs are averaged above this number: matrices of this size take some hundredths of a second."""

WANDER_SHARES = np.array([0.0005, 0.001, 0.002, 0.004, 0.008, 0.016, 0.032, 0.064])
"""Sizes that the wander may have (standard deviation, as a share of the arc), in steps of two."""

USUAL_SHARE, USUAL_FACTOR = 0.004, 4.0
"""An arc wanders by some tenths of a per cent, give or take a factor of four (common practice, no source; a drive that
wanders by 1 % from beat to beat moves the twin's arc by 0.3 %)."""

STILL_SHARE = 0.05
"""Prior probability that an arc does not wander at all."""

MEMORIES_BEATS = (5.0, 15.0, 50.0, 150.0, 500.0)
"""Beats that the wander may remember: a tooth or two of the train, up to the settling of a heavy balance."""

LONGER_LIKELIER = 0.5
"""Exponent of the prior weight of a memory: in proportion to its square root. An arc answers its drive no faster than its
balance settles, which takes Q / pi beats (Q T / (2 pi), 100 with a Q of 300); a shorter memory belongs to the
measurement. For 60 to 100 beats with a wandering drive, 92 % of the intervals held the truth with equal weights and 95 %
with the square root."""

_NODES, _WEIGHTS = np.array([-np.sqrt(0.6), 0.0, np.sqrt(0.6)]) / 2, np.array([5.0, 8.0, 5.0]) / 18
"""Three-point Gauss quadrature over a unit interval: a group's wander is its mean over the group's beats."""


@dataclass(frozen=True, slots=True)
class _Groups:
    """Means over runs of neighbouring arcs: place and width in beats, time in hours, arcs in each. Shape (n,)."""

    beat: FloatArray
    width: FloatArray
    hours: FloatArray
    arc_deg: FloatArray
    count: FloatArray
    side: FloatArray | None


def arc_trend_deg_per_hour(time_s: FloatArray, number: IntArray, arc_deg: FloatArray) -> UFloat:
    """Slope of the arc, degrees an hour; None with fewer than eight arcs or all of them at one moment.

    Parameters
    ----------
    time_s, number, arc_deg : array, shape (n,)
        Time, number (two a period, the parity is the side) and arc of each beat, in order; nan arcs are left out.

    Returns
    -------
    ufloat or None
        Value +- 1.96 u is the middle 95 % of the mixture.
    """
    from uncertainties import ufloat

    known = np.isfinite(arc_deg)
    if np.count_nonzero(known) < LEAST_ARCS or not np.ptp(time_s[known]) > 0:
        return None
    number, arc = np.asarray(number)[known], np.asarray(arc_deg, np.float64)[known]
    groups, family = _family(np.asarray(time_s, np.float64)[known], number, arc)
    span_hours = float(np.ptp(groups.hours))
    likelihood, slope, spread, freedom = family.fit((groups.hours - groups.hours.mean()) / span_hours)
    weight = np.exp(likelihood - likelihood.max())
    low, high = _middle(weight / weight.sum(), slope, spread, freedom)
    return ufloat((low + high) / 2 / span_hours, (high - low) / 2 / COVERAGE / span_hours)


def settling_times_s(time_s: FloatArray, number: IntArray, arc_deg: FloatArray) -> tuple[float, float, float]:
    """Time constant with which an arc nears its steady value: the median and the middle 95 %, seconds.

    Parameters
    ----------
    time_s, number, arc_deg : array, shape (n,)
        As for `arc_trend_deg_per_hour`, without nan; at least eight of them.

    Returns
    -------
    middle, low, high : float
        At most twenty times the length of the record; the course is then a straight line.
    """
    groups, family = _family(time_s, number, arc_deg)
    since = (groups.hours - groups.hours[0]) * 3600
    times = float(since[-1]) * np.geomspace(0.03, 20.0, 60)
    # The column is the share of the change so far, 1 at the end: long time constants then give no large numbers.
    likelihood = np.array(
        [
            np.logaddexp.reduce(family.fit(np.expm1(-since / tau) / np.expm1(-since[-1] / tau))[0])
            for tau in times
        ]
    )
    weight = np.exp(likelihood - likelihood.max())
    share = (np.cumsum(weight) - weight / 2) / weight.sum()
    middle, low, high = (float(np.exp(np.interp(q, share, np.log(times)))) for q in (0.5, 0.025, 0.975))
    return middle, low, high


def _family(time_s: FloatArray, number: IntArray, arc: FloatArray) -> tuple[_Groups, _Family]:
    noise = max(_measurement_noise(number, arc), 1e-9 * float(np.median(arc)))
    groups = _grouped(time_s / 3600, number, arc)
    return groups, _Family(groups, noise, float(np.median(arc)))


def _measurement_noise(number: IntArray, arc: FloatArray) -> float:
    """Scatter of single arcs about their neighbours of the same side."""
    bends = []
    for side in (0, 1):
        mine = arc[number % 2 == side]
        bends.append(mine[:-2] - 2 * mine[1:-1] + mine[2:])
    second = np.concatenate(bends)
    # A second difference of independent values has six times their variance. Outliers raise the root mean square, which
    # counts for half.
    return float(max(median_deviation(second), 0.5 * np.sqrt(np.mean(second**2))) / np.sqrt(6))


def _grouped(hours: FloatArray, number: IntArray, arc: FloatArray) -> _Groups:
    """Single arcs, or means over equal runs of them with the difference between the sides removed."""
    odd = np.asarray(number % 2 - 0.5, np.float64)
    both = bool(np.ptp(odd) > 0)
    run = int(np.ceil(len(arc) / MOST_GROUPS))
    if run == 1:
        ones = np.ones(len(arc))
        return _Groups(number.astype(np.float64), 0 * ones, hours, arc, ones, odd if both else None)
    group = np.arange(len(arc)) // run
    count = np.bincount(group).astype(np.float64)

    def mean(values: npt.NDArray[np.generic]) -> FloatArray:
        return np.asarray(np.bincount(group, values) / count, np.float64)

    if both:
        apart, rest = odd - mean(odd)[group], arc - mean(arc)[group]
        arc = arc - float(apart @ rest) / max(float(apart @ apart), 1e-12) * odd
    first = np.arange(len(count)) * run
    last = np.minimum(first + run, len(arc)) - 1
    width = (number[last] - number[first] + 1).astype(np.float64)
    return _Groups(mean(number), width, mean(hours), mean(arc), count, None)


def _kernels(groups: _Groups) -> Iterator[FloatArray]:
    """Correlation of the groups' wander, two for every memory: rough, and smoothed by a slow balance."""
    n = len(groups.beat)
    fine = bool(np.any(groups.width > 1))
    place = (groups.beat[:, None] + groups.width[:, None] * _NODES).ravel() if fine else groups.beat
    apart = np.abs(place[:, None] - place[None, :])
    for memory in MEMORIES_BEATS:
        smooth = np.sqrt(3) * apart / memory
        for kernel in (np.exp(-apart / memory), (1 + smooth) * np.exp(-smooth)):
            if fine:
                kernel = np.einsum("aibj,i,j->ab", kernel.reshape(n, 3, n, 3), _WEIGHTS, _WEIGHTS)
            yield kernel


class _Family:
    """All members of the family of wanders, each in the axes of its eigenvectors, so that many designs are fitted quickly."""

    def __init__(self, groups: _Groups, noise_deg: float, arc_deg: float) -> None:
        root = np.sqrt(groups.count)
        usual = np.exp(-0.5 * (np.log(WANDER_SHARES / USUAL_SHARE) / np.log(USUAL_FACTOR)) ** 2)
        long = np.power(MEMORIES_BEATS, LONGER_LIKELIER)
        prior = np.log((1 - STILL_SHARE) * usual / usual.sum() / 2)
        ratio = (WANDER_SHARES * arc_deg / noise_deg) ** 2
        still = (np.eye(len(root)), np.zeros(len(root)), np.zeros(1), np.log([STILL_SHARE]))
        self._members = [still]
        for kernel, share in zip(_kernels(groups), np.repeat(long / long.sum(), 2), strict=True):
            strength, axes = np.linalg.eigh(kernel * root[:, None] * root[None, :])
            self._members.append((axes, np.maximum(strength, 0.0), ratio, prior + np.log(share)))
        self._root, self._groups = root, groups

    def fit(self, column: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, int]:
        """Fit start, side and one further column.

        Returns
        -------
        likelihood, coefficient, spread : array, shape (k,)
            For each member: logarithm of likelihood times prior, coefficient of the column, and its standard error.
        freedom : int
        """
        groups = self._groups
        columns = [np.ones(len(column)), column] + ([] if groups.side is None else [groups.side])
        x, y = np.column_stack(columns) * self._root[:, None], groups.arc_deg * self._root
        rows = []
        for axes, strength, ratio, prior in self._members:
            found = _fits(axes, strength, ratio, x, y)
            rows.append((found[0] + prior, *found[1:]))
        likelihood, slope, spread = (np.concatenate(column) for column in zip(*rows, strict=True))
        return likelihood, slope, spread, x.shape[0] - x.shape[1]


def _fits(
    axes: FloatArray, strength: FloatArray, ratio: FloatArray, x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Restricted log likelihood, slope and its standard error, for every ratio of wander to noise, shape (k,)."""
    x, y = axes.T @ x, axes.T @ y
    freedom = x.shape[0] - x.shape[1]
    weight = 1 / (1 + ratio[:, None] * strength)
    normal = np.einsum("kn,ni,nj->kij", weight, x, x)
    inverse = np.linalg.inv(normal)
    solution = np.einsum("kij,kn,nj,n->ki", inverse, weight, x, y)
    squares = np.sum(weight * (y - solution @ x.T) ** 2, axis=1)
    squares = np.maximum(squares, np.finfo(float).eps ** 2 * float(y @ y))
    likelihood = (
        0.5 * np.sum(np.log(weight), axis=1)
        - 0.5 * np.linalg.slogdet(normal)[1]
        - 0.5 * freedom * np.log(squares)
    )
    return likelihood, solution[:, 1], np.sqrt(squares / freedom * inverse[:, 1, 1])


def _middle(weight: FloatArray, slope: FloatArray, spread: FloatArray, freedom: int) -> tuple[float, float]:
    """Bounds of the middle 95 % of a mixture of Student's t."""
    from scipy.optimize import brentq
    from scipy.special import stdtr

    reach = 1e4 * float(spread.max()) + float(np.ptp(slope))
    middle = float(weight @ slope)

    def above(value: float, share: float) -> float:
        return float(weight @ stdtr(freedom, (value - slope) / spread)) - share

    low, high = (float(brentq(above, middle - reach, middle + reach, args=(q,))) for q in (0.025, 0.975))
    return low, high
