"""Stability of a clock from its own record: Allan deviations, how well they are known, and what noise rules.

Everything after W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065
(2008). In goes the phase: the time error of every beat, in seconds, on an even grid of beat numbers with
nan where none was heard (`phase_on_grid`). Out come deviations of the rate as a fraction; times 86400 they
are seconds per day.

Gaps are neither filled nor closed up. A difference counts where all the phases it needs were heard; the
number of differences is given, and the degrees of freedom are cut by the share of them that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import FloatArray, within

Kind = Literal["adev", "oadev", "mdev", "hdev", "ohdev"]
IntArray = npt.NDArray[np.int64]

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

LEAST_SHARE = 0.75
"""Share of the phases in a window of the modified Allan deviation that must have been heard."""

__all__ = [
    "LEAST_SHARE",
    "NOISE_NAMES",
    "Kind",
    "Stability",
    "confidence_limits",
    "deviation",
    "deviation_at",
    "equivalent_degrees_of_freedom",
    "noise_exponent",
    "phase_on_grid",
    "stability",
]


def phase_on_grid(number: npt.ArrayLike, residual_s: npt.ArrayLike) -> FloatArray:
    """Lay the time errors of the beats heard on an even grid.

    Parameters
    ----------
    number : array_like of int, shape (n,)
        Numbers of the beats heard.
    residual_s : array_like, shape (n,)
        Time error of each, say `torsionbeat.theory.rate.BeatFit.residual_s`.

    Returns
    -------
    ndarray, shape (last - first + 1,)
        Seconds, nan where no beat was heard.

    Examples
    --------
    >>> phase_on_grid([4, 5, 7], [0.1, 0.2, 0.4])
    array([0.1, 0.2, nan, 0.4])
    """
    numbers, residual = within("beat number", number, -1e12, 1e12), np.asarray(residual_s, dtype=np.float64)
    if numbers.ndim != 1 or numbers.shape != residual.shape or numbers.size == 0:
        raise InputError(f"{numbers.size} beat numbers and {residual.size} time errors; give one of each")
    if np.any(numbers != np.round(numbers)) or np.unique(numbers).size < numbers.size:
        raise InputError("beat numbers must be whole and each come once; count two beats a period")
    if np.ptp(numbers) > 1e7:
        raise InputError(
            f"beat numbers span {np.ptp(numbers):g}; at most 1e7 can be one record: take out the stray one"
        )
    place = (numbers - numbers.min()).astype(np.int64)
    grid = np.full(int(place.max()) + 1, np.nan)
    grid[place] = residual
    return grid


def deviation(phase_s: npt.ArrayLike, tau0_s: float, factor: int, kind: Kind = "oadev") -> tuple[float, int]:
    """One deviation at one averaging time.

    Parameters
    ----------
    phase_s : array_like, shape (n,)
        Time errors on an even grid, seconds; nan for gaps.
    tau0_s : float
        Time from one grid point to the next.
    factor : int
        Averaging time in grid steps.
    kind : {'adev', 'oadev', 'mdev', 'hdev', 'ohdev'}
        Allan (SP 1065 eq. 10), overlapping Allan (eq. 11), modified Allan (eq. 14), Hadamard (eq. 18),
        overlapping Hadamard (eq. 20).

    Returns
    -------
    value : float
        The deviation, a fraction of the rate; nan where no difference could be formed.
    terms : int
        Differences it rests on.

    Examples
    --------
    >>> deviation([0, 1, 1, 3, 2], tau0_s=1.0, factor=1)
    (1.5275252316519468, 3)
    """
    phase, tau0, m = _record(phase_s, tau0_s, factor, kind)
    difference = _differences(phase, m, kind)
    terms = int(np.count_nonzero(np.isfinite(difference)))
    if terms == 0:
        return float("nan"), 0
    order = _order(kind)
    mean_square = float(np.nanmean(difference**2))
    return float(np.sqrt(mean_square / (6 if order == 3 else 2)) / (m * tau0)), terms


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
        As for `deviation`.

    Returns
    -------
    float

    Notes
    -----
    C. A. Greenhall & W. J. Riley, "Uncertainty of stability variances based on finite differences", Proc.
    35th PTTI (2003), eq. 13 (SP 1065, 5.4.1), evaluated in full instead of by tables of approximations.

    Examples
    --------
    >>> round(equivalent_degrees_of_freedom(0, factor=1, points=1001))
    667
    """
    order = _order(kind)
    if alpha not in range(-4, 3) or alpha + 2 * order <= 1:
        raise InputError(f"noise exponent is {alpha}; {kind} is defined from {max(-4, 2 - 2 * order)} to 2")
    m, n = int(factor), int(points)
    # Phases are moments, not averages; white and flicker phase noise need a bandwidth, that of one grid step.
    filter_factor = float(m) if alpha > 0 else np.inf
    if kind == "mdev" and m > 1:
        filter_factor = 1.0
    stride = 1 if kind in ("adev", "hdev") else m
    length = m / filter_factor + m * order
    if m < 1 or n < length:
        raise InputError(
            f"averaging over {m} steps with {n} phases; {kind} needs at least {int(length) or 1} phases"
        )
    count = 1 + np.floor(stride * (n - length) / m)
    last = min(int(count), (order + 1) * stride)
    lag = np.arange(0, last + 1) / stride
    square = _structure(lag, filter_factor, alpha, order) ** 2
    weight = 1 - np.arange(1, last) / count
    total = square[0] + (1 - last / count) * square[last] + 2 * float(np.sum(weight * square[1:last]))
    return float(square[0] * count / total)


def confidence_limits(value: float, edf: float, confidence: float = 0.95) -> tuple[float, float]:
    """Chi-squared limits of a deviation (SP 1065, eq. 45).

    Parameters
    ----------
    value, edf : float
        Deviation and its equivalent degrees of freedom.
    confidence : float
        Probability that the true deviation lies between the two limits.

    Returns
    -------
    low, high : float

    Examples
    --------
    >>> low, high = confidence_limits(1.0, edf=10)
    >>> round(low, 3), round(high, 3)
    (0.699, 1.755)
    """
    from scipy.special import gammaincinv

    share = float(within("confidence", confidence, 0, 0.9999, "", "0.95 is usual"))
    freedom = float(within("degrees of freedom", edf, 0, np.inf, "", "record longer"))
    upper, lower = 2 * gammaincinv(freedom / 2, [(1 + share) / 2, (1 - share) / 2])
    return float(value * np.sqrt(freedom / upper)), float(value * np.sqrt(freedom / lower))


def noise_exponent(phase_s: npt.ArrayLike, factor: int = 1, highest_difference: int = 2) -> float | None:
    """Which power-law noise rules at an averaging time, by the lag-1 autocorrelation.

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

    Notes
    -----
    W. J. Riley & C. A. Greenhall, "Power law noise identification using the lag 1 autocorrelation", Proc.
    18th EFTF (2004); SP 1065, 5.5.6. The phase is thinned to every ``factor``-th point and its parabola
    taken off; then it is differenced until r / (1 + r) < 1/4.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(3).normal(size=2000)
    >>> round(noise_exponent(noise)), round(noise_exponent(np.cumsum(noise)))
    (2, 0)
    """
    phase, _, m = _record(phase_s, 1.0, factor, "oadev")
    x = phase[::m]
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


@dataclass(frozen=True, slots=True)
class Stability:
    """Deviations over averaging times. All arrays have shape (k,).

    ``tau_s`` averaging time; ``deviation`` a fraction of the rate, with ``low`` and ``high`` its confidence
    limits; ``edf`` equivalent degrees of freedom; ``alpha`` noise exponent used for them; ``identified``
    whether the record itself showed it there (else that of the next shorter averaging time); ``terms``
    differences.
    """

    kind: Kind
    tau_s: FloatArray
    deviation: FloatArray
    low: FloatArray
    high: FloatArray
    edf: FloatArray
    alpha: IntArray
    identified: npt.NDArray[np.bool_]
    terms: IntArray


def stability(
    phase_s: npt.ArrayLike,
    tau0_s: float,
    kind: Kind = "oadev",
    factors: Sequence[int] | None = None,
    confidence: float = 0.95,
) -> Stability:
    """Deviation over averaging time, with confidence limits.

    Parameters
    ----------
    phase_s, tau0_s, kind
        As for `deviation`.
    factors : sequence of int, optional
        Averaging times in grid steps; left out, 1, 2, 4 ... as far as the record carries.
    confidence : float
        Probability between the limits.

    Returns
    -------
    Stability
        Averaging times without any difference are left out.

    Raises
    ------
    InputError
        Fewer than 5 phases, or no averaging time with a difference.

    Examples
    --------
    >>> import numpy as np
    >>> curve = stability(np.random.default_rng(4).normal(0, 1e-3, 500), tau0_s=7.5, kind="mdev")
    >>> [NOISE_NAMES[a] for a in curve.alpha[:2]]
    ['white phase noise', 'white phase noise']
    """
    phase, tau0, _ = _record(phase_s, tau0_s, 1, kind)
    order = _order(kind)
    if factors is None:
        factors = [2**k for k in range(24) if 2**k * (order + 2) <= phase.size] or [1]
    rows = []
    alpha, lowest = 2 if kind == "mdev" else 0, 2 - 2 * order
    for m in sorted({int(f) for f in factors}):
        value, terms = deviation(phase, tau0, m, kind)
        if not value > 0:
            continue
        found = noise_exponent(phase, m, order)
        if found is not None:
            alpha = int(np.clip(round(found), lowest, 2))
        possible = _differences(np.zeros_like(phase), m, kind).size
        edf = equivalent_degrees_of_freedom(alpha, m, phase.size, kind) * terms / possible
        low, high = confidence_limits(value, edf, confidence)
        rows.append((m * tau0, value, low, high, edf, alpha, found is not None, terms))
    if not rows:
        heard = int(np.count_nonzero(np.isfinite(phase)))
        raise InputError(
            f"{heard} of {phase.size} phases heard; no stability can be had from them: record longer"
        )
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    for column in columns:
        column.setflags(write=False)
    return Stability(kind, *columns)


def deviation_at(curve: Stability, tau_s: float) -> float:
    """Deviation at any averaging time: by straight lines of the logarithms, beyond the points by the noise.

    Parameters
    ----------
    curve : Stability
    tau_s : float
        Averaging time; that of the whole record gives the standard uncertainty the clock's own wandering
        leaves in a mean rate.

    Notes
    -----
    Beyond the last point the slope of the squared deviation is -alpha - 1, not steeper than -2 (-3 for
    mdev), SP 1065 Table 2; before the first point likewise.
    """
    tau = float(within("averaging time", tau_s, 0, 1e9, "s"))
    end = 0 if tau < curve.tau_s[0] else -1
    if tau < curve.tau_s[0] or tau > curve.tau_s[-1]:
        slope = max(-float(curve.alpha[end]) - 1, -3.0 if curve.kind == "mdev" else -2.0)
        return float(curve.deviation[end] * (tau / curve.tau_s[end]) ** (slope / 2))
    return float(np.exp(np.interp(np.log(tau), np.log(curve.tau_s), np.log(curve.deviation))))


def _order(kind: str) -> int:
    if kind not in ("adev", "oadev", "mdev", "hdev", "ohdev"):
        raise InputError(f"kind of deviation is {kind!r}; it must be adev, oadev, mdev, hdev or ohdev")
    return 3 if kind in ("hdev", "ohdev") else 2


def _record(phase_s: npt.ArrayLike, tau0_s: float, factor: int, kind: str) -> tuple[FloatArray, float, int]:
    phase = within("phase", phase_s, -1e12, 1e12, "s", "give time errors in seconds", nan_allowed=True)
    tau0 = float(within("grid step", tau0_s, 0, 1e6, "s", "give the time between two phases"))
    if phase.ndim != 1 or phase.size < _order(kind) + 1:
        raise InputError(
            f"{phase.size} phases; at least {_order(kind) + 1} in one row are needed: record longer"
        )
    if factor != int(factor) or factor < 1:
        raise InputError(f"averaging factor is {factor:g}; it must be a whole number, at least 1")
    return phase, tau0, int(factor)


def _differences(phase: FloatArray, m: int, kind: str) -> FloatArray:
    """Second (third) differences over m steps; nan where a phase is missing, empty for a short record."""
    x = phase
    if kind == "mdev":
        x = _window_means(phase, m)
    elif kind in ("adev", "hdev"):
        x = phase[::m]
    step = 1 if kind in ("adev", "hdev") else m
    for _ in range(_order(kind)):
        x = x[step:] - x[:-step]
    return x


def _window_means(phase: FloatArray, m: int) -> FloatArray:
    """Means over m phases in a row, of those heard if they are `LEAST_SHARE` of them, the record's line off.

    The line drops out of a second difference; taking it off keeps uneven gaps in a window from turning it
    into noise.
    """
    heard = np.isfinite(phase)
    if phase.size < m or np.count_nonzero(heard) < 3:
        return np.empty(0)
    place = np.linspace(-1, 1, phase.size)
    flat = phase - np.polyval(np.polyfit(place[heard], phase[heard], 1), place)
    total = np.concatenate([[0.0], np.cumsum(np.where(heard, flat, 0.0))])
    count = np.concatenate([[0], np.cumsum(heard)])
    present = count[m:] - count[:-m]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (total[m:] - total[:-m]) / present
    return np.where(present >= LEAST_SHARE * m, mean, np.nan)


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
