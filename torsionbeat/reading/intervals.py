"""How sure a mean, a spread, a share or a difference is when neighbouring swings are correlated.

Swings of one night are correlated, so no uncertainty here follows from their number alone. Means are taken over
blocks of time. Spreads count as many independent swings as the correlation leaves. Nights are compared with each
other by Welch's method. Uncertain numbers include Student's factor, so that value +- 1.96 u is the 95 % interval;
`Estimate` holds intervals that are not symmetric.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.theory.rate import student_factor
from torsionbeat.theory.robust import COVERAGE, median_deviation
from torsionbeat.theory.stability import confidence_limits

__all__ = [
    "BLOCKS",
    "COVERAGE",
    "Estimate",
    "block_count",
    "block_mean",
    "block_means",
    "block_medians",
    "independent_count",
    "mean_of_blocks",
    "median_block_count",
    "median_over_blocks",
    "middle_of_blocks",
    "night_mean",
    "pooled_spread",
    "ratio_of_spreads",
    "share",
    "share_difference",
    "slope_per_day",
    "spread",
    "symmetric",
    "welch",
]

BLOCKS = 12
"""Blocks into which a night is cut: each longer than the drive's memory, and enough of them for Student's t."""

LEAST_BLOCKS = 4
"""With fewer blocks Student's factor is above 3.2 / 1.96, and the blocks hardly show a spread."""

ROUNDING = 1e-12
"""Scatter below this share of a value is that of floating-point rounding."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % interval; ``freedom`` are the degrees of freedom of a spread, nan for others."""

    value: float
    low: float
    high: float
    freedom: float = math.nan


def symmetric(figure: UFloat) -> Estimate:
    """Give the estimate that an uncertain number represents."""
    half = COVERAGE * figure.std_dev
    return Estimate(figure.nominal_value, figure.nominal_value - half, figure.nominal_value + half)


def block_means(time_s: npt.ArrayLike, values: npt.ArrayLike, blocks: int = BLOCKS) -> FloatArray:
    """Means over equal stretches of time, shape (blocks,); nan where a stretch holds fewer than three values.

    Parameters
    ----------
    time_s : array_like
        shape (n,).
    values : array_like
        shape (n,); nan is left out.
    blocks : int
        How many stretches.
    """
    time, value = np.asarray(time_s, float), np.asarray(values, float)
    known = np.isfinite(value)
    if not np.any(known):
        return np.full(blocks, np.nan)
    time, value = time[known], value[known]
    span = max(float(np.ptp(time)), 1e-9)
    place = np.minimum((blocks * (time - time.min()) / span).astype(int), blocks - 1)
    count = np.bincount(place, minlength=blocks)
    total = np.bincount(place, weights=value, minlength=blocks)
    return np.where(count >= 3, total / np.maximum(count, 1), np.nan)


def block_count(count: int) -> int:
    """How many blocks this many values fill: `BLOCKS`, or fewer with at least three values in each."""
    return min(BLOCKS, count // 3)


def block_mean(time_s: npt.ArrayLike, values: npt.ArrayLike, blocks: int | None = None) -> UFloat:
    """Mean of values over time with the uncertainty that its blocks show; None with fewer than 4 blocks.

    Parameters
    ----------
    time_s : array_like
        shape (n,).
    values : array_like
        shape (n,); nan is left out.
    blocks : int, optional
        How many stretches; by default as many as hold enough values each.

    Examples
    --------
    >>> print(block_mean(range(12), [1, 3, 2, 2, 4, 3] * 2, blocks=4))
    2.5+/-0.5
    """
    count = int(np.count_nonzero(np.isfinite(np.asarray(values, float))))
    if (blocks or block_count(count)) < LEAST_BLOCKS:
        return None
    means = block_means(time_s, values, blocks or block_count(count))
    means = means[np.isfinite(means)]
    if means.size < LEAST_BLOCKS:
        return None
    return mean_of_blocks(means)


def block_medians(time_s: npt.ArrayLike, values: npt.ArrayLike, blocks: int) -> FloatArray:
    """Medians of blocks of equal count, in order of time, shape (blocks,).

    Parameters
    ----------
    time_s : array_like
        shape (n,).
    values : array_like
        shape (n,); nan is left out.
    blocks : int
        How many.
    """
    value = np.asarray(values, float)
    known = np.isfinite(value)
    ordered = value[known][np.argsort(np.asarray(time_s, float)[known], kind="stable")]
    return np.array([np.median(part) for part in np.array_split(ordered, blocks)])


def median_over_blocks(time_s: npt.ArrayLike, values: npt.ArrayLike) -> UFloat:
    """Median of the medians of blocks; None below 20 values. One outlier in five values hardly moves it.

    Examples
    --------
    >>> print(f"{median_over_blocks(range(40), [1, 2, 3, 2, -90, 3, 3, 1, 2, 2] * 4).nominal_value:g}")
    2
    """
    blocks = median_block_count(int(np.count_nonzero(np.isfinite(np.asarray(values, float)))))
    if blocks < LEAST_BLOCKS:
        return None
    return middle_of_blocks(block_medians(time_s, values, blocks))


def median_block_count(count: int) -> int:
    """How many blocks of at least five values this many values fill, at most `BLOCKS`."""
    return min(BLOCKS, count // 5)


def middle_of_blocks(medians: FloatArray) -> UFloat:
    """Median of blocks with the uncertainty that they show, for values with outliers.

    Notes
    -----
    A median scatters sqrt(pi / 2) times as much as a mean. The scatter of one block is 1.4826 times the median
    deviation of the blocks, which for 4 to 12 blocks is a fifth too small: hence the factor 1.2. With it and Student's
    factor the interval holds for 92 to 96 % of medians of normal blocks (for 96 to 98 % of differences of two).
    """
    from uncertainties import ufloat

    middle = float(np.median(medians))
    scatter = 1.2 * median_deviation(medians - middle)
    sigma = student_factor(medians.size - 1) * math.sqrt(math.pi / 2 / medians.size) * scatter
    return ufloat(middle, max(sigma, ROUNDING * max(abs(middle), 1.0)))


def mean_of_blocks(means: FloatArray) -> UFloat:
    """Mean of blocks of a night with the uncertainty that they show, including Student's factor."""
    from uncertainties import ufloat

    sigma = student_factor(means.size - 1) * float(means.std(ddof=1)) / math.sqrt(means.size)
    sigma = max(sigma, ROUNDING * max(abs(float(means.mean())), 1.0))
    return ufloat(float(means.mean()), sigma)


def independent_count(values: FloatArray) -> float:
    """How many independent values would determine the spread equally well: n / (1 + 2 sum of squared correlations).

    Notes
    -----
    M. B. Priestley, Spectral Analysis and Time Series (1981), 5.3.3: the variance of a sample variance of a
    normal series. The sum ends at the first correlation that chance alone would give.
    """
    deviation = values - values.mean()
    n, power = deviation.size, float(deviation @ deviation)
    if power <= 0:
        return float(n)
    total = 0.0
    for lag in range(1, n // 4):
        correlation = float(deviation[lag:] @ deviation[:-lag]) / power
        if abs(correlation) < 2 / math.sqrt(n):
            break
        total += correlation**2
    return float(n / (1 + 2 * total))


def spread(time_s: npt.ArrayLike, values: npt.ArrayLike) -> Estimate | None:
    """Standard deviation about a straight line, with chi-squared limits; None with fewer than 8 values."""
    time, value = np.asarray(time_s, float), np.asarray(values, float)
    known = np.isfinite(value)
    time, value = time[known], value[known]
    if value.size < 8:
        return None
    place = (time - time.mean()) / max(float(np.ptp(time)), 1e-9)
    rest = value - np.polyval(np.polyfit(place, value, 1), place)
    sigma = math.sqrt(float(rest @ rest) / (value.size - 2))
    freedom = max(independent_count(rest) - 2, 1.0)
    if sigma <= ROUNDING * float(np.abs(value).max()):
        return None
    return Estimate(sigma, *confidence_limits(sigma, freedom), freedom)


def ratio_of_spreads(before: Estimate, after: Estimate) -> Estimate:
    """How many times as large the later spread is, with the 95 % interval of the F distribution."""
    from scipy.special import fdtri

    ratio = after.value / before.value
    high, low = (fdtri(after.freedom, before.freedom, p) for p in (0.025, 0.975))
    return Estimate(ratio, ratio / math.sqrt(low), ratio / math.sqrt(high))


def night_mean(nights: Sequence[UFloat]) -> UFloat:
    """Mean of a group of nights, its uncertainty from their scatter where there are two or more; None without nights."""
    from uncertainties import ufloat

    if len(nights) < 2:
        return nights[0] if nights else None
    values = np.array([night.nominal_value for night in nights])
    own = float(np.mean([night.std_dev**2 for night in nights]))
    variance = max(float(values.var(ddof=1)), own) / len(values)
    return ufloat(float(values.mean()), student_factor(len(values) - 1) * math.sqrt(variance))


def pooled_spread(estimates: Sequence[Estimate | None]) -> Estimate | None:
    """One spread from those of several nights, weighted by their degrees of freedom."""
    known = [estimate for estimate in estimates if estimate is not None]
    if not known:
        return None
    freedom = sum(estimate.freedom for estimate in known)
    value = math.sqrt(sum(estimate.freedom * estimate.value**2 for estimate in known) / freedom)
    return Estimate(value, *confidence_limits(value, freedom), freedom)


def welch(before: Sequence[UFloat], after: Sequence[UFloat]) -> UFloat:
    """Difference of two groups of nights, after minus before, each night's figure with its own uncertainty.

    The scatter of two or more nights in a group counts, unless each night's own uncertainty is larger. A single
    night is taken to scatter as the other group does. With one night in each group, only the uncertainties of these
    two nights count.

    Raises
    ------
    InputError
        No night has an uncertainty.

    Notes
    -----
    B. L. Welch, Biometrika 34 (1947) 28: degrees of freedom of the difference.
    """
    from uncertainties import ufloat

    own, scatter = [], []
    for nights in (before, after):
        own.append(float(np.mean([night.std_dev**2 for night in nights])))
        values = [night.nominal_value for night in nights]
        scatter.append(float(np.var(values, ddof=1)) if len(values) > 1 else math.nan)
    counts = (len(before), len(after))
    for i in (0, 1):  # a single night gets the other group's scatter
        if math.isnan(scatter[i]):
            scatter[i] = 0.0 if math.isnan(scatter[1 - i]) else scatter[1 - i]
    counts = (len(before), len(after))
    part = [max(own[i], scatter[i]) / counts[i] for i in (0, 1)]
    total = sum(part)
    difference = float(
        np.mean([night.nominal_value for night in after]) - np.mean([night.nominal_value for night in before])
    )
    if total <= 0:
        raise InputError("figures without any uncertainty cannot be compared; give each night's own")
    if counts == (1, 1):
        return ufloat(difference, math.sqrt(total))
    if 1 in counts:
        freedom = float(max(counts) - 1)
    else:
        freedom = total**2 / sum(p**2 / (n - 1) for p, n in zip(part, counts, strict=True))
    return ufloat(difference, student_factor(freedom) * math.sqrt(total))


def share(hits: float, trials: float, crowding: float = 1.0) -> Estimate:
    """Share of trials that hit, with Wilson's interval (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209).

    The number of trials is divided by ``crowding``.

    Parameters
    ----------
    hits : float
    trials : float
    crowding : float
        How many times the variance that chance would give the counts of blocks have.

    Examples
    --------
    >>> share(0, 480).high < 0.01
    True
    """
    n = trials / max(crowding, 1.0)
    p, z2 = hits / trials, COVERAGE**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = COVERAGE * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return Estimate(p, min(p, max(0.0, middle - half)), max(p, min(1.0, middle + half)))


def share_difference(before: Estimate, after: Estimate) -> Estimate:
    """Difference of two shares, after minus before.

    Notes
    -----
    R. G. Newcombe, Statistics in Medicine 17 (1998) 873, method 10: from Wilson's interval of each.
    """
    difference = after.value - before.value
    low = difference - math.hypot(after.value - after.low, before.high - before.value)
    high = difference + math.hypot(after.high - after.value, before.value - before.low)
    return Estimate(difference, low, high)


def slope_per_day(dates: Sequence[datetime], values: FloatArray) -> UFloat:
    """Slope of values over their dates, per day; None with fewer than three, or all at one moment."""
    from uncertainties import ufloat

    days = np.array([(when - dates[0]).total_seconds() for when in dates]) / 86_400
    if len(days) < 3 or not np.ptp(days) > 0:
        return None
    slope, start = np.polyfit(days, values, 1)
    rest = values - slope * days - start
    freedom = len(days) - 2
    variance = float(rest @ rest) / freedom / float(np.sum((days - days.mean()) ** 2))
    return ufloat(slope, student_factor(freedom) * math.sqrt(variance))
