"""Rate: period and what the clock gains by it, and the period that a row of beats gives.

Rate > 0 gains. A fit takes the time of each beat heard and its integer number (two beats a period), so
beats that were not heard leave holes: they cost precision but add no bias. Times in seconds from any common
origin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import (
    Figure,
    FloatArray,
    as_numbers,
    elementwise,
    figure,
    number_within,
    period_within,
    within,
)

DAY_S = 86_400.0
"""Seconds of a mean solar day."""

S_PER_DAY_PER_PPM = DAY_S / 1e6
"""Seconds a day that one part in a million of the period is worth: 0.0864."""

DAYS_PER_YEAR = 365.25
"""Days of a Julian year."""

__all__ = [
    "DAYS_PER_YEAR",
    "DAY_S",
    "S_PER_DAY_PER_PPM",
    "BeatFit",
    "fit_beats",
    "period_s",
    "period_uncertainty_s",
    "ppm_from_s_per_day",
    "rate_s_per_day",
    "s_per_day_from_ppm",
    "s_per_month_from_s_per_day",
    "s_per_week_from_s_per_day",
    "s_per_year_from_s_per_day",
    "student_factor",
]


@elementwise
def rate_s_per_day(period_s: npt.ArrayLike, nominal_period_s: npt.ArrayLike) -> Figure:
    """Rate of a clock from its period: 86400 (nominal / period - 1) seconds per day, exactly.

    Parameters
    ----------
    period_s, nominal_period_s : array_like
        Measured full period, and the one for which the train keeps time.

    Returns
    -------
    float or ndarray
        Seconds per day of true time, > 0 gains.

    Examples
    --------
    >>> round(rate_s_per_day(15.010, nominal_period_s=15), 3)
    -57.562
    """
    return figure(DAY_S * (period_within(nominal_period_s, "nominal period") / period_within(period_s) - 1))


@elementwise
def period_s(rate_s_per_day: npt.ArrayLike, nominal_period_s: npt.ArrayLike) -> Figure:
    """Period of a clock with a given rate: the inverse of `rate_s_per_day`.

    Examples
    --------
    >>> round(period_s(-57.562, nominal_period_s=15), 5)
    15.01
    """
    rate = within("rate", rate_s_per_day, -DAY_S, np.inf, "s/day", "a clock cannot lose a day in a day")
    return figure(period_within(nominal_period_s, "nominal period") / (1 + rate / DAY_S))


@elementwise
def s_per_day_from_ppm(ppm: npt.ArrayLike) -> Figure:
    """Parts per million as seconds per day: 1 ppm is 0.0864 s/day.

    Examples
    --------
    >>> round(s_per_day_from_ppm(50), 2)
    4.32
    """
    return figure(as_numbers("ppm", ppm) * S_PER_DAY_PER_PPM)


@elementwise
def ppm_from_s_per_day(rate_s_per_day: npt.ArrayLike) -> Figure:
    """Seconds per day as parts per million: 1 s/day is 11.574 ppm.

    Examples
    --------
    >>> round(ppm_from_s_per_day(1), 3)
    11.574
    """
    return figure(as_numbers("rate", rate_s_per_day) / S_PER_DAY_PER_PPM)


@elementwise
def s_per_week_from_s_per_day(rate_s_per_day: npt.ArrayLike) -> Figure:
    """Seconds per day as seconds per week."""
    return figure(as_numbers("rate", rate_s_per_day) * 7)


@elementwise
def s_per_month_from_s_per_day(rate_s_per_day: npt.ArrayLike) -> Figure:
    """Seconds per day as seconds per month of 30 days."""
    return figure(as_numbers("rate", rate_s_per_day) * 30)


@elementwise
def s_per_year_from_s_per_day(rate_s_per_day: npt.ArrayLike) -> Figure:
    """Seconds per day as seconds per Julian year of 365.25 days."""
    return figure(as_numbers("rate", rate_s_per_day) * DAYS_PER_YEAR)


def student_factor(degrees_of_freedom: float) -> float:
    """Factor that widens a standard uncertainty so that value +- 1.96 u is the 95 % interval of Student's t.

    Parameters
    ----------
    degrees_of_freedom : float
        Observations less fitted parameters (or effective degrees of freedom, JCGM 100, G.4).

    Examples
    --------
    >>> round(student_factor(4), 3), round(student_factor(1e9), 3)
    (1.417, 1.0)
    """
    from scipy.special import ndtri, stdtrit

    dof = number_within("degrees of freedom", degrees_of_freedom, 0, np.inf, "", "hear more beats")
    return float(stdtrit(dof, 0.975) / ndtri(0.975))


@dataclass(frozen=True, slots=True)
class BeatFit:
    """Least-squares straight line through a row of beats.

    ``period_s`` and ``beat_error_s`` (half of interval a to b minus interval b to a) are ``uncertainties``
    values, correlated as the fit makes them; ``beat_error_s`` is None where only one side was heard.
    ``start_s`` is the time of beat 0, without the side offset. ``residual_s`` (n,) is observed minus fitted;
    ``sigma_s`` the standard deviation of one event time; ``degrees_of_freedom`` beats less parameters.
    Uncertainties are plain standard uncertainties: multiply by `student_factor` where few beats were heard.
    """

    period_s: Any
    beat_error_s: Any
    start_s: Any
    residual_s: FloatArray
    sigma_s: float
    degrees_of_freedom: int


def fit_beats(
    time_s: npt.ArrayLike,
    number: npt.ArrayLike,
    side: npt.ArrayLike | None = None,
    *,
    sigma_s: float | None = None,
    weight: npt.ArrayLike | None = None,
) -> BeatFit:
    """Fit time = start + number T/2 + beat error * (1/2 on side b, -1/2 on side a) by least squares.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Time of each beat heard (middle of lift passage, or drop), seconds, in any order.
    number : array_like of int, shape (n,)
        Number of each beat, two a period; holes are beats not heard.
    side : array_like of 'a' or 'b', shape (n,), optional
        Side of each beat. Left out, even numbers are side a.
    sigma_s : float, optional
        Standard deviation of one event time where it is known; left out, it is taken from the residuals.
    weight : array_like, shape (n,), optional
        Relative weight of each beat, inverse to the square of its time's standard deviation. ``sigma_s`` then
        belongs to weight 1.

    Returns
    -------
    BeatFit

    Raises
    ------
    InputError
        Fewer beats than determine period and beat error (3, or 2 of one side, and one more where sigma is not
        given), repeated or fractional numbers, or a side that does not alternate with the number.

    Notes
    -----
    The uncertainty supposes white noise on the event times and a period that holds. A clock wanders more than
    that over hours: combine with its own stability (`torsionbeat.theory.stability`).

    Examples
    --------
    >>> fit = fit_beats([0.1, 7.6, 15.1, 30.1, 37.6], [0, 1, 2, 4, 5], sigma_s=0.001)
    >>> print(fit.period_s)
    15.0000+/-0.0005
    """
    from uncertainties import correlated_values

    times, numbers, odd = _beats(time_s, number, side)
    both = bool(np.any(odd) and not np.all(odd))
    parameters = 3 if both else 2
    n = len(times)
    needed = parameters + (sigma_s is None)
    if n < needed:
        raise InputError(f"{n} beats heard; at least {needed} are needed for a period: record longer")
    sigma = None if sigma_s is None else number_within("sigma of an event time", sigma_s, 0, 10, "s")
    root = _root_weights(weight, n)
    # Numbers are centred and scaled and times centred, so that a night of beats keeps full precision.
    middle, scale = float(np.mean(numbers)), max(float(np.ptp(numbers)), 1.0)
    columns = [np.ones(n), (numbers - middle) / scale] + ([odd - 0.5] if both else [])
    design = np.stack(columns, axis=1)
    origin = float(np.mean(times))
    q, r = np.linalg.qr(design * root[:, None])
    solution = np.linalg.solve(r, q.T @ ((times - origin) * root))
    residual = times - origin - design @ solution
    dof = n - parameters
    if sigma is None:
        sigma = float(np.sqrt(np.sum((residual * root) ** 2) / dof))
    inverse = np.linalg.inv(r)
    covariance = sigma**2 * (inverse @ inverse.T)
    centre, slope, *rest = correlated_values(solution, covariance)
    return BeatFit(
        period_s=2 * slope / scale,
        beat_error_s=rest[0] if both else None,
        start_s=origin + centre - slope * middle / scale,
        residual_s=residual,
        sigma_s=sigma,
        degrees_of_freedom=dof,
    )


def _root_weights(weight: npt.ArrayLike | None, n: int) -> FloatArray:
    """Square roots of the beats' weights; 1 for each where none are given."""
    if weight is None:
        return np.ones(n)
    root = np.sqrt(within("weight of a beat", weight, 0, np.inf, "", "leave out beats of no weight"))
    if root.shape != (n,):
        raise InputError(f"{root.size} weights for {n} beats; give one for each beat")
    return np.asarray(root, dtype=np.float64)


def period_uncertainty_s(number: npt.ArrayLike, sigma_s: float, *, both_sides: bool = True) -> float:
    """Standard uncertainty of the period from beats of given numbers, before any is heard.

    Parameters
    ----------
    number : array_like of int, shape (n,)
        Numbers of the beats that will be heard, two a period.
    sigma_s : float
        Standard deviation of one event time (white noise).
    both_sides : bool
        Beats of both sides with an unknown beat error, distinguished by the parity of their number.

    Returns
    -------
    float
        Seconds.

    Raises
    ------
    InputError
        There are too few beats for a period.

    Notes
    -----
    For n beats of one side without holes it is sigma sqrt(12 / (n (n^2 - 1))) (D. B. Sullivan et al., NIST
    Technical Note 1337, 1990, regression on equally spaced data).

    Examples
    --------
    >>> round(period_uncertainty_s(range(0, 480, 2), 1e-3, both_sides=False) / 15 * 86400, 5)
    0.00537
    """
    numbers = np.unique(within("beat number", number, -1e12, 1e12)).astype(np.float64)
    sigma = number_within("sigma of an event time", sigma_s, 0, 10, "s")
    if numbers.size < (3 if both_sides else 2):
        raise InputError(
            f"{numbers.size} beats; a period needs at least {3 if both_sides else 2}: plan a longer recording"
        )
    parity = np.mod(numbers, 2) if both_sides else np.zeros(numbers.size)
    # The beat error removes the mean of each side from the spread of the numbers.
    spread = sum(
        float(np.sum((part - part.mean()) ** 2)) for part in (numbers[parity == p] for p in np.unique(parity))
    )
    return 2 * sigma / float(np.sqrt(spread))


def _beats(
    time_s: npt.ArrayLike, number: npt.ArrayLike, side: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times, numbers and 1.0 for side b, checked."""
    times = within("event time", time_s, -1e12, 1e12, "s")
    numbers = within("beat number", number, -1e12, 1e12)
    if times.ndim != 1 or times.shape != numbers.shape:
        raise InputError(
            f"{times.size} event times and {numbers.size} beat numbers; give one row of each, equally long"
        )
    if np.any(numbers != np.round(numbers)):
        raise InputError(
            f"beat number {numbers[numbers != np.round(numbers)][0]:g} is not whole; count two beats a period"
        )
    if len(np.unique(numbers)) < len(numbers):
        raise InputError("a beat number comes twice; give one event for each beat")
    parity = np.mod(numbers, 2)
    if side is None:
        return times, numbers, parity
    sides = np.asarray(side, dtype=str)
    if sides.shape != times.shape or not np.all(np.isin(sides, ["a", "b"])):
        raise InputError(f"sides are {np.unique(sides)}; give 'a' or 'b' for each of {times.size} beats")
    odd = (sides == "b").astype(np.float64)
    if len(np.unique(np.mod(odd + parity, 2))) > 1:
        raise InputError(
            "sides do not alternate with the beat numbers; count every beat, heard or not, and sort the sides"
        )
    return times, numbers, odd
