"""Rows of a comparison: one quantity before and after, and how the change is computed from the nights."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from torsionbeat.history.nights import Group
from torsionbeat.reading.figures import Reading, UFloat
from torsionbeat.reading.intervals import Estimate, night_mean, ratio_of_spreads, symmetric, welch

__all__ = ["Common", "Row", "Verdict", "figure_row", "nothing_common", "pair_row", "ratio_row"]

Verdict = Literal["changed", "no change to be seen", "not judged"]

Common = Callable[[float, float], tuple[float, float, float]]
"""Takes both means and gives the standard uncertainties that all nights of a side share (before, after), and
the part of them that is left in the change."""


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity before and after.

    Parameters
    ----------
    name, unit : str
        What it is, and the unit of before and after.
    before, after : Estimate or None
    change : Estimate or None
        After minus before, or after over before where ``ratio``; None where it is not judged, and ``note`` says why.
    signed : bool
        Its values may lie on either side of zero and are shown with a sign.
    leading : bool
        A restorer looks at it whether it changed or not: rate, beat, arc, Q, beats missed.
    """

    name: str
    unit: str
    before: Estimate | None
    after: Estimate | None
    change: Estimate | None = None
    ratio: bool = False
    note: str = ""
    signed: bool = False
    leading: bool = False

    @property
    def verdict(self) -> Verdict:
        """Whether the interval of the change excludes no change."""
        if self.change is None:
            return "not judged"
        same = 1.0 if self.ratio else 0.0
        return "no change to be seen" if self.change.low <= same <= self.change.high else "changed"


def nothing_common(_before: float, _after: float) -> tuple[float, float, float]:
    """Say that nights share no error."""
    return 0.0, 0.0, 0.0


def figure_row(
    name: str,
    unit: str,
    before: Group,
    after: Group,
    own: Callable[[Reading], UFloat],
    common: Common = nothing_common,
    *,
    unjudged: str = "",
) -> Row:
    """Row of a figure; ``own`` gives it with the uncertainty that is each night's own.

    Parameters
    ----------
    name : str
        What it is, for tables and messages.
    unit : str
        Unit of before and after.
    before : Group
    after : Group
    own : callable
        Gives a reading's figure with the uncertainty that is each night's own.
    common : Common
        What all nights of a side share.
    unjudged : str
        Why the row is not judged; empty where it is judged.
    """
    sides = [[own(reading) for reading in group.readings] for group in (before, after)]
    return pair_row(name, unit, sides[0], sides[1], common, unjudged=unjudged)


def pair_row(
    name: str,
    unit: str,
    before: Sequence[UFloat],
    after: Sequence[UFloat],
    common: Common = nothing_common,
    *,
    unjudged: str = "",
) -> Row:
    """Row of two groups of figures, None for a night without it; ``unjudged`` says why it is not judged.

    Parameters
    ----------
    name : str
        What it is, for tables and messages.
    unit : str
        Unit of before and after.
    before : sequence of ufloat
        Figures of the nights before; None for a night without it.
    after : sequence of ufloat
        The same, after.
    common : Common
        What all nights of a side share.
    unjudged : str
        Why the row is not judged; empty where it is judged.
    """
    from uncertainties import ufloat

    old, new = ([figure for figure in side if figure is not None] for side in (before, after))
    first, second = night_mean(old), night_mean(new)
    if first is None or second is None:
        return Row(name, unit, _estimate(first), _estimate(second), note=_missing(first, second))
    shared = common(first.nominal_value, second.nominal_value)
    estimates = [
        symmetric(ufloat(mean.nominal_value, math.hypot(mean.std_dev, extra)))
        for mean, extra in ((first, shared[0]), (second, shared[1]))
    ]
    if unjudged:
        return Row(name, unit, estimates[0], estimates[1], note=unjudged)
    change = welch(old, new)
    change = ufloat(change.nominal_value, math.hypot(change.std_dev, shared[2]))
    return Row(name, unit, estimates[0], estimates[1], symmetric(change))


def ratio_row(
    name: str, unit: str, before: Estimate | None, after: Estimate | None, *, unjudged: str = ""
) -> Row:
    """Row of two spreads, which change by a ratio; ``unjudged`` says why it is not judged.

    Parameters
    ----------
    name : str
        What it is, for tables and messages.
    unit : str
        Unit of before and after.
    before : Estimate or None
        Spread before; None where it was not measured.
    after : Estimate or None
        The same, after.
    unjudged : str
        Why the row is not judged; empty where it is judged.
    """
    if before is None or after is None:
        return Row(name, unit, before, after, ratio=True, note=_missing(before, after))
    if unjudged:
        return Row(name, unit, before, after, ratio=True, note=unjudged)
    return Row(name, unit, before, after, ratio_of_spreads(before, after), ratio=True)


def _estimate(figure: UFloat) -> Estimate | None:
    return None if figure is None else symmetric(figure)


def _missing(before: object, after: object) -> str:
    which = [word for word, side in (("before", before), ("after", after)) if side is None]
    return f"not measured {' or '.join(which)}"
