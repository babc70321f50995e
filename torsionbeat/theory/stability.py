"""Stability of a clock from its own record: Allan deviations, and how well they are known.

Everything after W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065
(2008). Input: the phase: the time error of every beat, in seconds, on an even grid of beat numbers with
nan where none was heard (`phase_on_grid`). Output: deviations of the rate as a fraction; times 86400 they
are seconds per day.

Gaps are neither filled nor closed up. A difference counts where all the phases it needs were heard; the
number of differences is given, and the degrees of freedom are cut by the share of them that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import FloatArray, as_numbers, number_within, one_number, whole_number, within
from torsionbeat.theory.noise import Kind, difference_order, equivalent_degrees_of_freedom, noise_exponent

IntArray = npt.NDArray[np.int64]

LEAST_SHARE = 0.75
"""Share of the phases in a window of the modified Allan deviation that must have been heard."""

__all__ = [
    "LEAST_SHARE",
    "Stability",
    "confidence_limits",
    "deviation",
    "deviation_at",
    "phase_on_grid",
    "stability",
]


def phase_on_grid(number: npt.ArrayLike, residual_s: npt.ArrayLike) -> FloatArray:
    """Put the time errors of the beats heard on an even grid.

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

    Raises
    ------
    InputError
        Numbers and errors differ in count, or numbers are not whole, repeat, or span too much.

    Examples
    --------
    >>> phase_on_grid([4, 5, 7], [0.1, 0.2, 0.4])
    array([0.1, 0.2, nan, 0.4])
    """
    numbers, residual = within("beat number", number, -1e12, 1e12), as_numbers("time error", residual_s)
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
    order = difference_order(kind)
    mean_square = float(np.nanmean(difference**2))
    return float(np.sqrt(mean_square / (6 if order == 3 else 2)) / (m * tau0)), terms


def confidence_limits(value: float, edf: float, confidence: float = 0.95) -> tuple[float, float]:
    """Chi-squared limits of a deviation (SP 1065, eq. 45).

    Parameters
    ----------
    value, edf : float
        Deviation and its equivalent degrees of freedom; with infinitely many both limits are the deviation.
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

    value = one_number("deviation", value)
    share = number_within("confidence", confidence, 0, 0.9999, "", "0.95 is usual")
    freedom = number_within("degrees of freedom", edf, 0, np.inf, "", "record longer")
    if np.isinf(freedom):
        return value, value
    upper, lower = 2 * gammaincinv(freedom / 2, [(1 + share) / 2, (1 - share) / 2])
    return float(value * np.sqrt(freedom / upper)), float(value * np.sqrt(freedom / lower))


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
        Averaging times in grid steps; by default 1, 2, 4 ... as far as the record allows.
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
    >>> from torsionbeat.theory.noise import NOISE_NAMES
    >>> [NOISE_NAMES[a] for a in curve.alpha[:2]]
    ['white phase noise', 'white phase noise']
    """
    phase, tau0, _ = _record(phase_s, tau0_s, 1, kind)
    order = difference_order(kind)
    if factors is None:
        factors = [2**k for k in range(24) if 2**k * (order + 2) <= phase.size] or [1]
    rows = []
    alpha, lowest = 2 if kind == "mdev" else 0, 2 - 2 * order
    for m in sorted({whole_number("averaging factor", f, 1, "in grid steps") for f in factors}):
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
    """Deviation at any averaging time: interpolated in logarithms, and beyond the points extrapolated by the noise.

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
    tau = number_within("averaging time", tau_s, 0, 1e9, "s")
    end = 0 if tau < curve.tau_s[0] else -1
    if tau < curve.tau_s[0] or tau > curve.tau_s[-1]:
        slope = max(-float(curve.alpha[end]) - 1, -3.0 if curve.kind == "mdev" else -2.0)
        return float(curve.deviation[end] * (tau / curve.tau_s[end]) ** (slope / 2))
    return float(np.exp(np.interp(np.log(tau), np.log(curve.tau_s), np.log(curve.deviation))))


def _record(phase_s: npt.ArrayLike, tau0_s: float, factor: int, kind: str) -> tuple[FloatArray, float, int]:
    phase = within("phase", phase_s, -1e12, 1e12, "s", "give time errors in seconds", nan_allowed=True)
    tau0 = number_within("grid step", tau0_s, 0, 1e6, "s", "give the time between two phases")
    if phase.ndim != 1 or phase.size < difference_order(kind) + 1:
        raise InputError(
            f"{phase.size} phases; at least {difference_order(kind) + 1} in one row are needed: record longer"
        )
    return phase, tau0, whole_number("averaging factor", factor, 1, "in grid steps")


def _differences(phase: FloatArray, m: int, kind: str) -> FloatArray:
    """Second (third) differences over m steps; nan where a phase is missing, empty for a short record."""
    x = phase
    if kind == "mdev":
        x = _window_means(phase, m)
    elif kind in ("adev", "hdev"):
        x = phase[::m]
    step = 1 if kind in ("adev", "hdev") else m
    for _ in range(difference_order(kind)):
        x = x[step:] - x[:-step]
    return x


def _window_means(phase: FloatArray, m: int) -> FloatArray:
    """Means over m phases in a row, without the record's line, where at least `LEAST_SHARE` of them were heard.

    A second difference cancels the line. It is subtracted because uneven gaps in a window would turn it into
    noise.
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
