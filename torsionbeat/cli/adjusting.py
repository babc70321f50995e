"""What the commands that adjust read from what was typed: rates, weights at hand, a reading's file."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.regulation.stock import Disc, Stock

WEIGHT = re.compile(r"(?P<size>\d+(?:\.\d+)?) ?(?P<unit>g|mm)?(?: ?x ?(?P<count>\d+))?")
RATE = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>s|min)?(?:/day)?")

LARGEST_JSON_BYTES = 500_000_000


def figure(value: Any) -> dict[str, float] | None:
    """Give an uncertain number as JSON has it."""
    return None if value is None else {"value": value.nominal_value, "standard_uncertainty": value.std_dev}


def rate_of(text: str) -> float:
    """Read a rate such as ``+720``, ``-3.5 s`` or ``+12min``, in seconds per day.

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
    """Read a change of weights remembered: ``3:-900`` or ``3:-15min``, grams a side and change of rate."""
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
    """Read sizes such as ``0.5,1,1.5`` (g), ``0.2mm,0.5mm`` (discs) or ``1x4`` (four of 1 g)."""
    from torsionbeat.regulation.stock import Piece, Stock

    pieces = []
    for text in [] if weights is None else weights.split(","):
        match = WEIGHT.fullmatch(text.strip())
        if match is None:
            raise InputError(
                f"the weight {text.strip()!r} cannot be read; write grams (0.5), thickness (0.3mm) or "
                "number (0.5x4)"
            )
        size, count = float(match["size"]), None if match["count"] is None else int(match["count"])
        if match["unit"] == "mm":
            if disc is None:
                raise InputError(
                    f"a weight of {size:g} mm needs the disc's measures; give --disc-diameter, and "
                    "--disc-bore and --metal if they are not 0 and brass"
                )
            pieces.append(Piece(disc.mass_g(size), size, count))
        else:
            pieces.append(Piece(size, None, count))
    return Stock(tuple(pieces), sides, tolerance_percent, scale_g, disc)


def document_of(path: Path) -> dict[str, Any]:
    """Read a reading's JSON from a file, or from standard input (``-``)."""
    try:
        if str(path) == "-":
            document = json.load(sys.stdin)
        else:
            if path.stat().st_size > LARGEST_JSON_BYTES:
                raise InputError(f"{path} has {path.stat().st_size} bytes; a reading has less than 500 MB")
            document = json.loads(path.read_text(encoding="utf-8"))
    except InputError:
        raise
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} cannot be read as a reading ({error}); give what analyse --json wrote"
        ) from error
    if not isinstance(document, dict):
        raise InputError(f"{path} is no reading; give what torsionbeat analyse --json wrote")
    return document
