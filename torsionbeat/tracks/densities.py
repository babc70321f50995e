"""Logarithms of the densities that scores are made of."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

__all__ = [
    "log_normal",
    "log_student",
]

FloatArray = npt.NDArray[np.float64]


def log_normal(value: float | FloatArray, mean: float | FloatArray, spread: float | FloatArray) -> FloatArray:
    """Logarithm of the normal density.

    Parameters
    ----------
    value : float or ndarray
    mean : float or ndarray
    spread : float or ndarray
        Standard deviation.
    """
    out: FloatArray = -0.5 * np.asarray((value - mean) / spread) ** 2 - np.log(spread) - 0.9189385
    return out


def log_student(
    value: float | FloatArray, middle: float | FloatArray, scale: float, freedom: float = 3.0
) -> FloatArray:
    """Logarithm of Student's density with ``freedom`` degrees of freedom about ``middle``.

    Parameters
    ----------
    value : float or ndarray
    middle : float or ndarray
    scale : float
    freedom : float
        Degrees of freedom.
    """
    rest = np.asarray((value - middle) / scale)
    out: FloatArray = _of_student(freedom) - np.log(scale) - (freedom + 1) / 2 * np.log1p(rest**2 / freedom)
    return out


@lru_cache(maxsize=8)
def _of_student(freedom: float) -> float:
    """What does not depend on the value."""
    return float(gammaln((freedom + 1) / 2) - gammaln(freedom / 2) - 0.5 * np.log(freedom * np.pi))
