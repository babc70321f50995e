"""Power-law noise of a clock's rate: which one dominates a record, and how many degrees of freedom it leaves.

The spectrum of the rate goes with f^alpha. Input: the phase, as in `torsionbeat.theory.stability`: time
errors in seconds on an even grid, nan for beats not heard.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import FloatArray, whole_number, within

Kind = Literal["adev", "oadev", "mdev", "hdev", "ohdev"]
NOISE_NAMES = {
    2: "white phase noise",
    1: "flicker of phase",
    0: "white rate noise",
    -1: "flicker of rate",
    -2: "random walk of rate",
    -3: "flicker walk of rate",
    -4: "random run of rate",
}
"""Power-law noises by the exponent alpha of the spectrum of the rate."""

__all__ = ["NOISE_NAMES", "Kind", "difference_order", "equivalent_degrees_of_freedom", "noise_exponent"]


def difference_order(kind: str) -> int:
    """Order of the phase differences of a kind of deviation: 2 for Allan, 3 for Hadamard.

    Raises
    ------
    InputError
        There is no such kind.
    """
    if kind not in ("adev", "oadev", "mdev", "hdev", "ohdev"):
        raise InputError(f"kind of deviation is {kind!r}; it must be adev, oadev, mdev, hdev or ohdev")
    return 3 if kind in ("hdev", "ohdev") else 2


def equivalent_degrees_of_freedom(alpha: int, factor: int, points: int, kind: Kind = "oadev") -> float:
    """Equivalent degrees of freedom of a deviation squared, for a record without gaps.

    Parameters
    ----------
    alpha : int
        Noise exponent, 2 (white phase) to -2 (random walk of rate); for Hadamard kinds to -4.
    factor : int
        Averaging time in grid steps.
    points : int
        Phases in the record.
    kind
        As for `torsionbeat.theory.stability.deviation`.

    Returns
    -------
    float

    Raises
    ------
    InputError
        The kind is not defined for this noise, or there are too few phases.

    Notes
    -----
    C. A. Greenhall & W. J. Riley, "Uncertainty of stability variances based on finite differences", Proc.
    35th PTTI (2003), eq. 13 (SP 1065, 5.4.1), evaluated in full instead of by tables of approximations.

    Examples
    --------
    >>> round(equivalent_degrees_of_freedom(0, factor=1, points=1001))
    666
    """
    order = difference_order(kind)
    if alpha not in range(-4, 3) or alpha + 2 * order <= 1:
        raise InputError(f"noise exponent is {alpha}; {kind} is defined from {max(-4, 2 - 2 * order)} to 2")
    m = whole_number("averaging factor", factor, 1, "in grid steps")
    n = whole_number("number of phases", points, 1)
    # Phases are moments, not averages; white and flicker phase noise need a bandwidth, that of one grid step.
    filter_factor = float(m) if alpha > 0 else np.inf
    if kind == "mdev" and m > 1:
        filter_factor = 1.0
    stride = 1 if kind in ("adev", "hdev") else m
    # A difference reaches from its first phase to its last, and further by the window of a modified deviation.
    length = (m if kind == "mdev" else 1) + m * order
    if n < length:
        raise InputError(f"averaging over {m} steps with {n} phases; {kind} needs at least {length} phases")
    count = 1 + stride * (n - length) // m
    last = min(count, (order + 1) * stride)
    lag = np.arange(0, last + 1) / stride
    square = _structure(lag, filter_factor, alpha, order) ** 2
    weight = 1 - np.arange(1, last) / count
    total = square[0] + (1 - last / count) * square[last] + 2 * float(np.sum(weight * square[1:last]))
    return float(square[0] * count / total)


def noise_exponent(phase_s: npt.ArrayLike, factor: int = 1, highest_difference: int = 2) -> float | None:
    """Which power-law noise dominates at an averaging time, by the lag-1 autocorrelation.

    Parameters
    ----------
    phase_s : array_like, shape (n,)
        Time errors on an even grid, seconds; nan for gaps.
    factor : int
        Averaging time in grid steps.
    highest_difference : int
        2 for Allan, 3 for Hadamard deviations.

    Returns
    -------
    float or None
        The exponent alpha, unrounded; None with fewer than 30 phases at this averaging time.

    Raises
    ------
    InputError
        The phase is not one row.

    Notes
    -----
    W. J. Riley & C. A. Greenhall, "Power law noise identification using the lag 1 autocorrelation", Proc.
    18th EFTF (2004); SP 1065, 5.5.6. The phase is thinned to every ``factor``-th point and its parabola
    removed; then it is differenced until r / (1 + r) < 1/4.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(3).normal(size=2000)
    >>> round(noise_exponent(noise)), round(noise_exponent(np.cumsum(noise)))
    (2, 0)
    """
    phase = within("phase", phase_s, -1e12, 1e12, "s", "give time errors in seconds", nan_allowed=True)
    if phase.ndim != 1:
        raise InputError(f"phase has {phase.ndim} dimensions; give one row of time errors")
    x = phase[:: whole_number("averaging factor", factor, 1, "in grid steps")]
    highest_difference = whole_number("highest difference", highest_difference, 2)
    heard = np.isfinite(x)
    if np.count_nonzero(heard) < 30:
        return None
    place = np.linspace(-1, 1, x.size)
    x = x - np.polyval(np.polyfit(place[heard], x[heard], 2), place)
    for difference in range(highest_difference + 1):
        centred = x - np.nanmean(x)
        product = centred[1:] * centred[:-1]
        pairs, singles = np.count_nonzero(np.isfinite(product)), np.count_nonzero(np.isfinite(centred))
        power = np.nansum(centred**2)
        if pairs < 10 or power == 0:
            return None
        correlation = float(np.nansum(product) / pairs / power * (singles - 1))
        share = correlation / (1 + correlation)
        if share < 0.25 or difference == highest_difference:
            return float(2 - 2 * (share + difference))
        x = np.diff(x)
    return None


def _structure(lag: FloatArray, filter_factor: float, alpha: int, order: int) -> FloatArray:
    """s_z of Greenhall and Riley: covariance of the filtered differences at a lag in units of tau."""
    weights = {2: (6, -4, 1), 3: (20, -15, 6, -1)}[order]
    total = weights[0] * _filtered(lag, filter_factor, alpha)
    for shift, weight in enumerate(weights[1:], start=1):
        total = total + weight * (
            _filtered(lag - shift, filter_factor, alpha) + _filtered(lag + shift, filter_factor, alpha)
        )
    return np.asarray(total)


def _filtered(lag: FloatArray, filter_factor: float, alpha: int) -> FloatArray:
    if np.isinf(filter_factor):
        return _kernel(lag, alpha + 2)
    step = 1 / filter_factor
    return np.asarray(
        filter_factor**2 * (2 * _kernel(lag, alpha) - _kernel(lag - step, alpha) - _kernel(lag + step, alpha))
    )


def _kernel(lag: FloatArray, alpha: int) -> FloatArray:
    """s_w: generalised autocovariance of power-law noise, up to a factor."""
    t = np.abs(lag)
    if alpha % 2 == 0:
        sign = -1.0 if alpha in (2, -2) else 1.0
        return np.asarray(sign * t ** (3 - alpha))
    sign = -1.0 if alpha == -1 else 1.0
    return np.asarray(sign * t ** (3 - alpha) * np.log(np.where(t == 0, 1.0, t)))
