"""Amounts: rates, weights at hand, thicknesses, counted arcs, details of a work.

Input: texts as people type them. Output: seconds per day, grams, micrometres, degrees.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.find_lift import CountedArc
    from torsionbeat.regulation.stock import Disc, Stock

__all__ = [
    "counted_arc",
    "details_of",
    "earlier_of",
    "rate_of",
    "stock_of",
    "strip_thickness_um",
    "thickness_um",
]


RATE = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>s|min)?(?:/day)?")


def rate_of(text: str) -> float:
    """Read a rate such as ``+720``, ``-3.5 s`` or ``+12min``, in seconds per day.

    Raises
    ------
    InputError
        It cannot be read.

    Examples
    --------
    >>> rate_of("+12min"), rate_of("-3.5")
    (720.0, -3.5)
    """
    match = RATE.fullmatch(text.strip())
    if match is None:
        raise InputError(f"the rate {text!r} cannot be read; write seconds a day, + gains: +720, or +12min")
    return float(match["value"]) * (60 if match["unit"] == "min" else 1)


def earlier_of(text: str | None) -> tuple[float, float] | None:
    """Read an earlier change of weights such as ``3:-900`` or ``3:-15min``: grams a side and change of rate.

    Raises
    ------
    InputError
        It cannot be read.
    """
    if text is None:
        return None
    grams, _, rate = text.partition(":")
    try:
        return float(grams), rate_of(rate)
    except (ValueError, InputError) as error:
        raise InputError(
            f"the earlier change {text!r} cannot be read; write grams a side and what the rate changed "
            "by, as 3:-15min"
        ) from error


def stock_of(
    weights: str | None,
    *,
    sides: int,
    tolerance_percent: float,
    scale_g: float | None,
    disc: Disc | None,
) -> Stock:
    """Read sizes such as ``0.5,1,1.5`` (g), ``0.2mm,0.5mm`` (discs) or ``1x4`` (four of 1 g); :mod:`~torsionbeat.typed.weights`.

    Parameters
    ----------
    weights : str or None
        The typed text; None: any mass.
    sides : int
        Places for weights, evenly around the balance.
    tolerance_percent : float
        Tolerance of a weight, percent.
    scale_g : float or None
        Weights are weighed to within this; None: they are not weighed.
    disc : Disc or None
        Measures of disc weights.

    Raises
    ------
    InputError
        A size cannot be read, or a disc's measures are missing.
    """
    from torsionbeat.regulation.stock import Piece, Stock
    from torsionbeat.typed.weights import weights_of

    pieces = []
    typed = () if weights is None else weights_of(weights)
    if weights is not None and not typed:
        raise InputError("no weights are named; write their sizes (0.5,1,2), or leave --weights out")
    for one in typed:
        if one.in_mm:
            if disc is None:
                raise InputError(
                    f"a weight of {one.size:g} mm needs the disc's measures; give --disc-diameter, and "
                    "--disc-bore and --metal if they are not 0 and brass"
                )
            pieces.append(Piece(disc.mass_g(one.size), one.size, one.count))
        else:
            pieces.append(Piece(one.size, None, one.count))
    return Stock(tuple(pieces), sides, tolerance_percent, scale_g, disc)


THICKNESS = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>um|µm|mm|thou|in)?")


UM_PER_UNIT = {"um": 1.0, "µm": 1.0, "mm": 1000.0, "thou": 25.4, "in": 25_400.0, None: 1.0}
"""Micrometres of each unit; an inch is 25.4 mm exactly (1959 agreement), a plain number counts micrometres."""


def thickness_um(text: str) -> float:
    """Read a thickness in micrometres.

    Raises
    ------
    InputError
        It cannot be read.

    Examples
    --------
    >>> thickness_um("0.1mm"), thickness_um("4thou"), thickness_um("-5")
    (100.0, 101.6, -5.0)
    """
    match = THICKNESS.fullmatch(text.strip())
    if match is None:
        raise InputError(f"the thickness {text!r} cannot be read; write 100um, 0.1mm or 4thou")
    return round(float(match["value"]) * UM_PER_UNIT[match["unit"]], 9)


LEAST_PLAIN_UM = 2.0
"""A plain number below this is a thickness in millimetres or inches, not in micrometres: strips have 20 um and more
(common practice, no source)."""


def strip_thickness_um(text: str) -> float:
    """Read the thickness of a strip in micrometres.

    Raises
    ------
    InputError
        It cannot be read, or is a plain number that is too small for micrometres.

    Examples
    --------
    >>> strip_thickness_um("100"), strip_thickness_um("0.004in")
    (100.0, 101.6)
    """
    um = thickness_um(text)
    if 0 < um < LEAST_PLAIN_UM and text.strip()[-1:].isdigit():
        raise InputError(
            f"the thickness {text.strip()!r} would be {um:g} micrometres, and strips are 20 to 250 um thick; write the unit, "
            f"as {text.strip()}mm or {text.strip()}in"
        )
    return um


COUNTED = re.compile(
    r"(?P<arc>\d+(\.\d+)?)( *within *(?P<within>\d+(\.\d+)?))?( *at *(?P<at>\d+(\.\d+)?) *(?P<unit>s|min))?"
)


def counted_arc(text: str) -> CountedArc:
    """Read an arc counted by eye, such as ``430``, ``430 within 5`` or ``390 at 12min``.

    Raises
    ------
    InputError
        It cannot be read.
    """
    from torsionbeat.jobs.find_lift import COUNTED_WITHIN_DEG, CountedArc

    read = COUNTED.fullmatch(text.strip())
    if read is None:
        raise InputError(f'counted is {text[:80]!r}; write it as "430", "430 within 5" or "390 at 12min"')
    at_s = None if read["at"] is None else float(read["at"]) * (60 if read["unit"] == "min" else 1)
    return CountedArc(float(read["arc"]), float(read["within"] or COUNTED_WITHIN_DEG), at_s)


def details_of(given: list[str]) -> dict[str, float | str | None]:
    """Read details such as ``added_g=6.8``: a number if it is one, else a text; None if nothing follows.

    Raises
    ------
    InputError
        One of them cannot be read.
    """
    details: dict[str, float | str | None] = {}
    for pair in given:
        name, sign, value = pair.partition("=")
        if not (name.strip() and sign):
            raise InputError(f"--detail is {pair!r}; write it as NAME=VALUE, such as added_g=6.8")
        try:
            details[name.strip()] = float(value)
        except ValueError:
            details[name.strip()] = value.strip() or None
    return details
