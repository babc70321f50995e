"""Numbers by which a spread is stated: the half-width of an interval, and a spread from a median."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.limits import FloatArray

COVERAGE = 1.96
"""Half-width of a 95 % interval in standard uncertainties: the 0.975 point of the normal distribution (JCGM 100, G.1)."""

SIGMA_PER_MEDIAN = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation, 1 / 0.67449."""

__all__ = ["COVERAGE", "SIGMA_PER_MEDIAN", "median_deviation", "running_median"]


def median_deviation(values: npt.NDArray[np.floating[Any]]) -> float:
    """Standard deviation of values about zero, from the median of their sizes, which a few outliers do not change.

    Examples
    --------
    >>> round(median_deviation([-2.0, -1.0, 1.0, 1.0, 90.0]), 4)
    1.4826
    """
    return SIGMA_PER_MEDIAN * float(np.median(np.abs(values)))


def running_median(values: FloatArray) -> FloatArray:
    """Running median over five, with the end values repeated; the median of all if they are fewer. Shape (n,).

    Examples
    --------
    >>> running_median([1.0, 1.0, 9.0, 2.0, 2.0, 2.0]).tolist()
    [1.0, 1.0, 2.0, 2.0, 2.0, 2.0]
    """
    if len(values) < 5:
        return np.full(len(values), float(np.median(values)))
    padded = np.pad(np.asarray(values, np.float64), 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
