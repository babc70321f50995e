"""How sure a mean, a spread, a share or a difference is when neighbouring swings go together.

Swings of one night are correlated, so no uncertainty here comes from their bare number: means are taken over
blocks of time, spreads count as many independent swings as the correlation leaves, and nights are compared
with each other by Welch's method. Uncertain numbers carry Student's factor, so that value +- 1.96 u is the
95 % interval; `Estimate` holds intervals that are not symmetric.
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
"""Blocks into which a night is cut: longer than the drive remembers, and enough of them for Student."""

LEAST_BLOCKS = 4
"""Fewer blocks leave Student's factor above 3.2 / 1.96, and a spread that hardly is one."""

ROUNDING = 1e-12
"""Below this share of a value its scatter is that of floating-point numbers."""


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
    """Means over equal stretches of time, shape (blocks,); nan where one holds less than three values.

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
        How many stretches; left out, as many as hold enough values each.

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
    """Medians of as many blocks of equal count, in order of time, shape (blocks,).

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
    """Median of the medians of blocks, which one value in five that is far off hardly moves; None below 20 values.

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
    """How many blocks of at least five values this many fill, `BLOCKS` at most."""
    return min(BLOCKS, count // 5)


def middle_of_blocks(medians: FloatArray) -> UFloat:
    """Median of blocks with the uncertainty that they show, for values of which some are far off.

    Notes
    -----
    A median scatters by sqrt(pi / 2) of what a mean does; the scatter of one block is 1.4826 times their median
    deviation. So few deviations are too small by their own median, a fifth for 4 to 12 blocks: with it and Student's
    factor the interval holds 92 to 96 % of normal blocks (and of two such medians' difference 96 to 98 %).
    """
    from uncertainties import ufloat

    middle = float(np.median(medians))
    scatter = 1.2 * median_deviation(medians - middle)
    sigma = student_factor(medians.size - 1) * math.sqrt(math.pi / 2 / medians.size) * scatter
    return ufloat(middle, max(sigma, ROUNDING * max(abs(middle), 1.0)))


def mean_of_blocks(means: FloatArray) -> UFloat:
    """Mean of blocks of a night with the uncertainty that they show, Student's factor in it."""
    from uncertainties import ufloat

    sigma = student_factor(means.size - 1) * float(means.std(ddof=1)) / math.sqrt(means.size)
    sigma = max(sigma, ROUNDING * max(abs(float(means.mean())), 1.0))
    return ufloat(float(means.mean()), sigma)


def independent_count(values: FloatArray) -> float:
    """How many independent values would fix the spread as well: n / (1 + 2 sum of squared correlations).

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
    """Mean of a group of nights, from their scatter where there are two or more; None of no night."""
    from uncertainties import ufloat

    if len(nights) < 2:
        return nights[0] if nights else None
    values = np.array([night.nominal_value for night in nights])
    own = float(np.mean([night.std_dev**2 for night in nights]))
    variance = max(float(values.var(ddof=1)), own) / len(values)
    return ufloat(float(values.mean()), student_factor(len(values) - 1) * math.sqrt(variance))


def pooled_spread(estimates: Sequence[Estimate | None]) -> Estimate | None:
    """One spread from those of several nights, by their degrees of freedom."""
    known = [estimate for estimate in estimates if estimate is not None]
    if not known:
        return None
    freedom = sum(estimate.freedom for estimate in known)
    value = math.sqrt(sum(estimate.freedom * estimate.value**2 for estimate in known) / freedom)
    return Estimate(value, *confidence_limits(value, freedom), freedom)


def welch(before: Sequence[UFloat], after: Sequence[UFloat]) -> UFloat:
    """Difference of two groups of nights, after minus before, each night's figure with its own uncertainty.

    Two nights or more on a side show their own scatter, which counts unless each night's uncertainty is
    larger. One night on a side is taken to scatter as the other side does. One night on each side leaves the
    uncertainties of the two nights alone.

    Raises
    ------
    InputError
        No night at all carries any uncertainty.

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
    for i in (0, 1):  # a lone night borrows the other side's scatter
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

    ``crowding`` is by how much the counts of blocks scatter more than chance would make them; so many times
    fewer trials count.

    Parameters
    ----------
    hits : float
    trials : float
    crowding : float
        How much more the counts of blocks scatter than by chance.

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
    """Slope of values over their dates, per day; None with fewer than three or all on one moment."""
    from uncertainties import ufloat

    days = np.array([(when - dates[0]).total_seconds() for when in dates]) / 86_400
    if len(days) < 3 or not np.ptp(days) > 0:
        return None
    slope, start = np.polyfit(days, values, 1)
    rest = values - slope * days - start
    freedom = len(days) - 2
    variance = float(rest @ rest) / freedom / float(np.sum((days - days.mean()) ** 2))
    return ufloat(slope, student_factor(freedom) * math.sqrt(variance))
