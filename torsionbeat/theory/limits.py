"""What an argument of a formula may be, and the sentence that says so when it is something else."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError

FloatArray = npt.NDArray[np.float64]

Figure = Any
"""A float, or an array of floats in the shape to which the arguments broadcast."""

_P = ParamSpec("_P")
_R = TypeVar("_R")

__all__ = [
    "Figure",
    "FloatArray",
    "arc_within",
    "as_numbers",
    "elementwise",
    "figure",
    "number_within",
    "one_number",
    "period_within",
    "q_within",
    "whole_number",
    "within",
]


def as_numbers(name: str, value: npt.ArrayLike) -> FloatArray:
    """Return ``value`` as float64.

    Raises
    ------
    InputError
        It is neither a number nor an array of numbers: None, a text, a complex number.

    Examples
    --------
    >>> as_numbers("period", None)
    Traceback (most recent call last):
    ...
    torsionbeat.errors.InputError: period is None; it must be a number or an array of numbers
    """
    try:
        array = np.asarray(value)
        if array.dtype.kind == "O" and any(entry is None for entry in array.flat):
            raise TypeError("None is no number")
        return array.astype(np.float64, casting="unsafe" if array.dtype.kind in "OU" else "same_kind")
    except (TypeError, ValueError) as reason:
        raise InputError(f"{name} is {value!r}; it must be a number or an array of numbers") from reason


def one_number(name: str, value: npt.ArrayLike) -> float:
    """Return ``value`` as one number.

    Raises
    ------
    InputError
        It is not exactly one number.

    Examples
    --------
    >>> one_number("load", [300, 310])
    Traceback (most recent call last):
    ...
    torsionbeat.errors.InputError: load is 2 numbers; give one
    """
    array = as_numbers(name, value)
    if array.size != 1:
        raise InputError(f"{name} is {array.size} numbers; give one")
    return float(array.reshape(()))


def whole_number(name: str, value: float, low: int, do: str = "") -> int:
    """Return ``value`` as an int of at least ``low``.

    Parameters
    ----------
    name, do : str
        What the message calls the argument, and what to do, added to it.
    value : float
        The number.
    low : int
        The least that is allowed.

    Raises
    ------
    InputError
        It is not whole, or less than ``low``.
    """
    found = one_number(name, value)
    if not np.isfinite(found) or found != int(found) or found < low:
        ending = f": {do}" if do else ""
        raise InputError(f"{name} is {found:g}; it must be a whole number, at least {low}{ending}")
    return int(found)


def elementwise(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Let a function of numbers and arrays refuse arrays whose shapes do not fit, with a clear message.

    Raises
    ------
    InputError
        The shapes do not broadcast.

    Examples
    --------
    >>> sum_of = elementwise(lambda a, b: a + b)
    >>> sum_of(np.ones(2), np.ones(3))
    Traceback (most recent call last):
    ...
    torsionbeat.errors.InputError: arrays of shapes (2,) and (3,) do not go together; give them equally long, or one number
    """

    @wraps(function)
    def checked(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        shapes = [
            np.shape(value)
            for value in (*args, *kwargs.values())
            if isinstance(value, np.ndarray | list | tuple)
        ]
        try:
            np.broadcast_shapes(*shapes)
        except ValueError:
            told = " and ".join(str(shape) for shape in dict.fromkeys(shapes))
            raise InputError(
                f"arrays of shapes {told} do not go together; give them equally long, or one number"
            ) from None
        return function(*args, **kwargs)

    return checked


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
    array = as_numbers(name, value)
    good = (array >= low) if low_allowed else (array > low)
    good &= array <= high
    if nan_allowed:
        good |= np.isnan(array)
    if not np.all(good):
        worst = float(array[~good].flat[0]) if array.ndim else float(array)
        raise InputError(_sentence(name, worst, low, high, unit, do, low_allowed))
    return array


def number_within(
    name: str,
    value: npt.ArrayLike,
    low: float,
    high: float,
    unit: str = "",
    do: str = "",
    *,
    low_allowed: bool = False,
) -> float:
    """Return ``value`` as one number that lies between ``low`` and ``high``: arguments and errors as of `within`.

    Parameters
    ----------
    name : str
        What it is, for the message.
    value : array_like
    low : float
    high : float
    unit : str
        For the message.
    do : str
        What to do instead, for the message.
    low_allowed : bool
        The lower limit itself is allowed.
    """
    return float(within(name, one_number(name, value), low, high, unit, do, low_allowed=low_allowed))


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
