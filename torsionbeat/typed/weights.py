"""Weights at hand, typed on the command line or on the page: one grammar for both.

Input: a text such as ``0.5,1x4`` or ``0.1 x 4  0.5``. Output: sizes, each with its unit and count.

Sizes are separated by spaces, semicolons, line ends, or a comma with a space beside it. A comma between two digits is
a decimal comma in half of the world and a separator in the other half. It separates if one of the sizes beside it has a
decimal point (``0.5,1,2``), and after a unit or a count (``1g,2g``, ``1x4,2``). ``0,5`` is half a gram, since no weight
has 0 g. All other commas (``1,5``, ``1,2,5``, ``0,5,1``) are ambiguous and are refused: otherwise the advice could use
weights that nobody has.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from torsionbeat.errors import InputError

__all__ = ["TypedWeight", "weights_of"]

WEIGHT = re.compile(r"(?P<size>\d+(?:\.\d+)?)(?P<unit>g|mm)?(?:x(?P<count>\d+))?")
BETWEEN = re.compile(r"\s*(?:,(?=\s)|(?<=\s),|[;\s])\s*")
TENTHS = re.compile(r"0,(?=\d+(?:g|mm)?(?:x\d+)?$)")


@dataclass(frozen=True, slots=True)
class TypedWeight:
    """A size as typed: grams, or millimetres if ``in_mm``; ``count`` None: as many as wanted."""

    size: float
    in_mm: bool = False
    count: int | None = None


def weights_of(text: str) -> tuple[TypedWeight, ...]:
    """Read the sizes of weights at hand; a blank text has none.

    Raises
    ------
    InputError
        A size cannot be read, or a comma is ambiguous.

    Examples
    --------
    >>> [(one.size, one.count) for one in weights_of("0.5,1x4  0.1 x 2")]
    [(0.5, None), (1.0, 4), (0.1, 2)]
    """
    closed = re.sub(r"(?<=\d)\s+(?=(?:g|mm)(?![a-z]))", "", text.strip())
    closed = re.sub(r"\s*[x\N{MULTIPLICATION SIGN}*]\s*(?=\d)", "x", closed)
    return tuple(_weight(size) for part in BETWEEN.split(closed) if part for size in _sizes(part))


def _sizes(part: str) -> list[str]:
    """Separate the sizes of a text without spaces, such as ``0.5,1x4``.

    Raises
    ------
    InputError
        A comma is ambiguous.
    """
    if TENTHS.match(part):
        return [part.replace(",", ".")]
    sizes = part.split(",")
    if "." not in part and any(size.isdecimal() for size in sizes[:-1]) and all(sizes):
        one, two = part.replace(",", ".", 1)[:40], " ".join(sizes)[:40]
        raise InputError(
            f"the weight {part[:40]!r} can be read in two ways, since a comma divides sizes or means tenths; write tenths with a "
            f"point ({one}) and divide sizes with spaces ({two})"
        )
    return sizes


def _weight(text: str) -> TypedWeight:
    """Read one size.

    Raises
    ------
    InputError
        It cannot be read.
    """
    match = WEIGHT.fullmatch(text)
    if match is None:
        raise InputError(
            f"the weight {text[:20]!r} cannot be read; write sizes in grams such as 0.1 x 4  0.5  1 x 2, or 0.3mm for discs"
        )
    return TypedWeight(
        float(match["size"]), match["unit"] == "mm", None if match["count"] is None else int(match["count"])
    )
