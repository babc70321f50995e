"""What an argument of a formula may be, and the sentence that says so when it is something else."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError

FloatArray = npt.NDArray[np.float64]

Figure = Any
"""A float, or an array of floats in the shape to which the arguments broadcast."""

__all__ = ["Figure", "FloatArray", "arc_within", "figure", "period_within", "q_within", "within"]


def within(
    name: str,
    value: npt.ArrayLike,
    low: float,
    high: float,
    unit: str = "",
    do: str = "",
    *,
    low_allowed: bool = False,
    nan_allowed: bool = False,
) -> FloatArray:
    """Return ``value`` as float64 if all of it lies between ``low`` and ``high``.

    Parameters
    ----------
    name, unit : str
        What the message calls the argument and its unit.
    value : array_like
        A number or an array of any shape.
    low, high : float
        The allowed range; ``high`` itself is allowed, ``low`` only with ``low_allowed``.
    do : str
        What to do at the bench, added to the message.
    nan_allowed : bool
        Let nan (a beat that was not heard) pass.

    Raises
    ------
    InputError
        With the first value outside the range, the range, and ``do``.

    Examples
    --------
    >>> within("period", -15, 0, 600, "s", "give the full period, out and back")
    Traceback (most recent call last):
    ...
    torsionbeat.errors.InputError: period is -15 s; it must lie above 0 and at most 600 s:
    give the full period, out and back
    """
    try:
        numbers = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as reason:
        raise InputError(f"{name} is {value!r}; it must be a number or an array of numbers") from reason
    good = (numbers >= low) if low_allowed else (numbers > low)
    good &= numbers <= high
    if nan_allowed:
        good |= np.isnan(numbers)
    if not np.all(good):
        worst = float(numbers[~good].flat[0]) if numbers.ndim else float(numbers)
        raise InputError(_sentence(name, worst, low, high, unit, do, low_allowed))
    return numbers


def arc_within(value: npt.ArrayLike) -> FloatArray:
    """Check an arc, end to end; nan may pass."""
    do = "give it end to end, turning point to turning point"
    return within("arc", value, 0, 1440, "deg", do, nan_allowed=True)


def period_within(value: npt.ArrayLike, name: str = "period") -> FloatArray:
    """Check a full period; nan may pass."""
    return within(name, value, 0, 600, "s", "give the full period, out and back", nan_allowed=True)


def q_within(value: npt.ArrayLike) -> FloatArray:
    """Check a quality factor; nan may pass."""
    return within("Q", value, 0.5, np.inf, "", "a balance that swings has more than 0.5", nan_allowed=True)


def figure(values: npt.ArrayLike) -> Figure:
    """Return an array as it is and a single number as a float."""
    array = np.asarray(values, dtype=np.float64)
    return array if array.ndim else float(array)


def _sentence(name: str, value: float, low: float, high: float, unit: str, do: str, low_allowed: bool) -> str:
    gap = f" {unit}" if unit else ""
    if np.isinf(high):
        allowed = f"a finite number, at least {low:g}" if low_allowed else f"a finite number above {low:g}"
        allowed = f"it must be {allowed}{gap}"
    elif low_allowed:
        allowed = f"it must lie between {low:g} and {high:g}{gap}"
    else:
        allowed = f"it must lie above {low:g} and at most {high:g}{gap}"
    return f"{name} is {value:g}{gap}; {allowed}" + (f": {do}" if do else "")
