"""Weights at hand: which of them add up to the wanted grams, equal on every side; or what to cut from sheet.

Grams and millimetres. A side is a place for weights (most balances have two, opposite each other). Every side takes the
same weight, so the balance stays in poise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray
from torsionbeat.theory.limits import within
from torsionbeat.theory.robust import COVERAGE
from torsionbeat.theory.weights import disc_mass_g, disc_thickness_mm

__all__ = ["Disc", "Piece", "Stock", "WeightChange", "choose"]

STEP_G = 0.001
"""Sums are calculated in steps of a milligram."""

LARGEST_SIDE_G = 60.0
"""With more weight the balance itself is wrong (common practice, no source)."""
MOST_SIZES = 40
"""A full set has some twenty; the search grows with their number."""
DISC_COST_G = 0.0005
"""One more disc on a side must reduce the remainder (95 % half-widths, this time and next) by this many grams.
At twice as many, four clocks in a hundred more are farther than 1 s/day out after three trials, at a third no fewer
(`tests/benchmarks/regulation.py`)."""

DISC_WORTHS_G = (0.003, 0.007, 0.012, 0.03, 1.0)
"""Standard uncertainties (g) at which one disc less is preferred: each value gives its own best way to make a sum."""


COMMON_SHARE = 0.1
"""Share of the weights' variance that is common to all pieces of one change: one sheet, one punch, one pair of scales
(common practice, no source). Without it the promise after a large change of many pieces was too narrow when they shared
an error."""


@dataclass(frozen=True, slots=True)
class Disc:
    """Shape and material of cut weights: outer diameter, hole, density."""

    diameter_mm: float
    bore_mm: float
    density_kg_per_m3: float

    def mass_g(self, thickness_mm: float) -> float:
        """Mass of a disc of this thickness."""
        return float(disc_mass_g(thickness_mm, self.diameter_mm, self.bore_mm, self.density_kg_per_m3))

    def thickness_mm(self, mass_g: float) -> float:
        """Thickness of a disc of this mass."""
        return float(disc_thickness_mm(mass_g, self.diameter_mm, self.bore_mm, self.density_kg_per_m3))


@dataclass(frozen=True, slots=True)
class Piece:
    """A size of weight at hand: its mass, its thickness where it is sold by thickness, and the number at hand."""

    mass_g: float
    thickness_mm: float | None = None
    count: int | None = None

    def __post_init__(self) -> None:
        within("weight at hand", self.mass_g, 0, 200, "g", "give the grams of one")
        if self.mass_g < STEP_G:
            raise InputError(f"a weight of {self.mass_g:g} g is too light; {STEP_G:g} g is the least")
        if self.count is not None:
            within("number of weights", self.count, 0, 10_000)


@dataclass(frozen=True, slots=True)
class Stock:
    """The weights that a restorer can put on.

    Parameters
    ----------
    pieces : tuple of Piece
        Sizes at hand; empty: anything can be cut.
    sides : int
        Places for weights, evenly round the balance.
    tolerance_percent : float
        Half-width by which one piece may differ from its nominal mass.
    scale_g : float or None
        Weights are weighed before fitting, to within this many grams (half-width); None: they are not weighed.
    disc : Disc or None
        For ordering by thickness.
    """

    pieces: tuple[Piece, ...] = ()
    sides: int = 2
    tolerance_percent: float = 2.0
    scale_g: float | None = None
    disc: Disc | None = None

    def __post_init__(self) -> None:
        if not 1 < self.sides <= 12:
            raise InputError(
                f"{self.sides} sides carry weights; it must be 2 to 12, evenly round the balance"
            )
        within("tolerance of the weights", self.tolerance_percent, 0, 50, "%", low_allowed=True)
        if self.scale_g is not None:
            within("error of the scales", self.scale_g, 0, 10, "g", "0.01 g is usual")
        if len(self.pieces) > MOST_SIZES:
            raise InputError(f"{len(self.pieces)} sizes of weights; at most {MOST_SIZES} can be chosen from")

    @property
    def can_cut(self) -> bool:
        """Whether any mass can be made."""
        return not self.pieces


@dataclass(frozen=True, slots=True)
class WeightChange:
    """Weight to put on (or, negative, take off), the same on every side.

    ``pieces`` are the sizes for one side, largest first, with the number of each; empty where cut to order.
    ``thickness_mm`` is the thickness of one disc of this mass a side, where its measures are known. ``doubt_g`` is the
    standard uncertainty of the total.
    """

    a_side_g: float
    sides: int
    pieces: tuple[tuple[Piece, int], ...] = ()
    thickness_mm: float | None = None
    doubt_g: float = 0.0

    @property
    def total_g(self) -> float:
        """All sides together."""
        return self.a_side_g * self.sides


def choose(
    total_g: float, stock: Stock, removable_g: float | None = None, *, total_doubt_g: float = 0.0
) -> WeightChange:
    """Find the weights that come nearest to a total, the same on every side, with few pieces.

    The errors of the pieces are independent (an error common to a batch is learnt with the clock's response), so four
    of 1 g are surer than two of 2 g, by a factor of the root of two. This matters at once where the total is well
    known. Where it is not, the clock's response is learnt from this change and used for the next one: an error of one
    part in a hundred here becomes one of a hundredth of the remainder then.

    Parameters
    ----------
    total_g : float
        Wanted grams, all sides together; negative: to take off.
    stock : Stock
    removable_g : float, optional
        All the weight that can be taken off, where that is known.
    total_doubt_g : float
        Standard uncertainty of the wanted total.

    Returns
    -------
    WeightChange
        With 0 g where nothing at hand brings it nearer.

    Raises
    ------
    InputError
        More than 60 g a side, or more to take off than there is.

    Examples
    --------
    >>> stock = Stock((Piece(0.5), Piece(1.0), Piece(2.0)))
    >>> rough = choose(6.9, stock, total_doubt_g=3.5)
    >>> rough.a_side_g, [(piece.mass_g, count) for piece, count in rough.pieces]
    (3.5, [(0.5, 7)])
    >>> weighed = Stock(stock.pieces, scale_g=0.01)
    >>> [(piece.mass_g, count) for piece, count in choose(6.9, weighed, total_doubt_g=3.5).pieces]
    [(2.0, 1), (1.0, 1), (0.5, 1)]
    """
    wanted = abs(total_g) / stock.sides
    if not wanted <= LARGEST_SIDE_G:
        raise InputError(
            f"{wanted:.1f} g a side would be needed; at most {LARGEST_SIDE_G:g} g a side are sensible. "
            "The strip is of the wrong thickness: see torsionbeat spring"
        )
    sign = math.copysign(1.0, total_g)
    if total_g < 0 and removable_g is not None and -total_g > removable_g + STEP_G:
        raise InputError(
            f"{-total_g:.2f} g in all would have to come off and {removable_g:g} g are on; take off what "
            "there is, then fit a thicker strip or shorten it: see torsionbeat spring"
        )
    if stock.can_cut:
        a_side = round(wanted, 2 if wanted >= 0.1 else 3)
        thickness = None if stock.disc is None or a_side == 0 else stock.disc.thickness_mm(a_side)
        error = stock.scale_g if stock.scale_g is not None else a_side * stock.tolerance_percent / 100
        return WeightChange(
            sign * a_side, stock.sides, (), thickness, error * math.sqrt(stock.sides / 3) if a_side else 0.0
        )
    limit = removable_g / stock.sides if sign < 0 and removable_g is not None else math.inf
    counts = _nearest(wanted, stock, limit, total_doubt_g / stock.sides)
    pieces = tuple(
        (piece, count)
        for piece, count in sorted(zip(stock.pieces, counts, strict=True), key=lambda pair: -pair[0].mass_g)
        if count
    )
    a_side = sum(piece.mass_g * count for piece, count in pieces)
    return WeightChange(sign * a_side, stock.sides, pieces, None, _doubt_g(pieces, stock))


def _doubt_g(pieces: Sequence[tuple[Piece, int]], stock: Stock) -> float:
    """Standard uncertainty of the total weight put on: independent errors of the pieces plus a small common error."""
    if not pieces:
        return 0.0
    if stock.scale_g is not None:
        return stock.scale_g * math.sqrt(stock.sides / 3)
    relative = stock.tolerance_percent / 100 / math.sqrt(3)
    squares = sum(count * piece.mass_g**2 for piece, count in pieces)
    alike = COMMON_SHARE * stock.sides * sum(count * piece.mass_g for piece, count in pieces) ** 2
    return relative * math.sqrt(stock.sides * ((1 - COMMON_SHARE) * squares + alike))


def _nearest(wanted: float, stock: Stock, limit: float, doubt_g: float) -> tuple[int, ...]:
    """Number of each piece on one side: the smallest remainder now and next time, with a cost for each piece."""
    target = round(wanted / STEP_G)
    percent = stock.tolerance_percent if stock.scale_g is None else 0.0
    square = [(piece.mass_g * percent / 100) ** 2 / 3 for piece in stock.pieces]

    leans = min(doubt_g / wanted, 1.0) if wanted else 0.0

    def left_g(total: int, counts: tuple[int, ...]) -> float:
        own = math.sqrt(sum(count * one for count, one in zip(counts, square, strict=True)) / stock.sides)
        now = math.hypot((total - target) * STEP_G, own, doubt_g)
        return COVERAGE * (now + own * leans) + DISC_COST_G * sum(counts)

    made = [
        way
        for worth_g in (DISC_WORTHS_G if percent else (1.0,))
        for way in _ways(target, stock, limit, [one + worth_g**2 for one in square]).items()
    ]
    return min(made, key=lambda way: (round(left_g(*way), 9), way[0]))[1]


def _ways(target: int, stock: Stock, limit: float, cost: Sequence[float]) -> dict[int, tuple[int, ...]]:
    """Every sum in milligrams up to just above a target, with the numbers of each piece that make it at least cost."""
    sizes = [round(piece.mass_g / STEP_G) for piece in stock.pieces]
    most = min(target + max(sizes), math.inf if math.isinf(limit) else math.floor(limit / STEP_G + 1e-6))
    unit = math.gcd(*sizes)
    sums = int(most) // unit + 1
    least = np.full(sums, math.inf)
    least[0] = 0.0
    taken = []
    for i, piece in enumerate(stock.pieces):
        allowed = None if piece.count is None else piece.count // stock.sides
        least, counts = _with_piece(least, sizes[i] // unit, cost[i], allowed)
        taken.append(counts)
    ways = {}
    for total in map(int, np.flatnonzero(np.isfinite(least))):
        rest, made = total, [0] * len(sizes)
        for i in reversed(range(len(sizes))):
            made[i] = int(taken[i][rest])
            rest -= made[i] * sizes[i] // unit
        ways[total * unit] = tuple(made)
    return ways


def _with_piece(
    least: FloatArray, size: int, cost: float, allowed: int | None
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Least cost of every sum with one more size of piece, and the number of pieces of that size."""
    sums = len(least)
    if allowed is None:
        spent, counts = least.tolist(), [0] * sums
        for total in range(size, sums):
            if spent[total - size] + cost < spent[total] * (1 - 1e-9):
                spent[total], counts[total] = spent[total - size] + cost, counts[total - size] + 1
        return np.array(spent), np.array(counts)
    found, number = least.copy(), np.zeros(sums, dtype=np.int64)
    for extra in range(1, min(allowed, (sums - 1) // size) + 1):
        more = least[: sums - extra * size] + extra * cost
        better = more < found[extra * size :] * (1 - 1e-9)
        found[extra * size :][better] = more[better]
        number[extra * size :][better] = extra
    return found, number
