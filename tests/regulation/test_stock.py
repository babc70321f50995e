"""Weights at hand: the nearest sum, few pieces, the same on every side, and what may not be."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.stock import DISC_COST_G, Disc, Piece, Stock, choose

SIZES = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0)


def every_way(sizes, most):
    """Give every choice of up to so many of each size, its sum a side and the squares of its pieces."""
    for counts in itertools.product(range(most + 1), repeat=len(sizes)):
        pairs = list(zip(counts, sizes, strict=True))
        yield counts, sum(n * size for n, size in pairs), sum(n * size**2 for n, size in pairs)


@pytest.mark.parametrize(
    ("percent", "known_g"), [(0.0, 0.0), (2.0, 0.0), (2.0, 0.02), (5.0, 0.1), (2.0, 2.0)]
)
def test_nothing_at_hand_comes_nearer_than_what_is_chosen(percent, known_g):
    # Against trying everything: up to four of each of three sizes on both sides.
    sizes = (0.3, 0.7, 1.1)
    rng = np.random.default_rng(3)
    for _ in range(20):
        wanted = rng.uniform(0.2, 4.0)
        stock = Stock(tuple(Piece(size, None, 8) for size in sizes), tolerance_percent=percent)
        change = choose(2 * wanted, stock, total_doubt_g=2 * known_g)

        def left(counts, total, squares, wanted=wanted):
            own = math.sqrt(squares / 3 / 2) * percent / 100  # a side's share of both sides' doubt
            now = math.hypot(total - wanted, own, known_g)
            # What is then still to be done is as large as the doubt; the answer it leans on is wrong by `own`.
            later = own * min(known_g / wanted, 1)
            return 1.96 * (now + later) + DISC_COST_G * sum(counts)

        ways = {counts: left(counts, total, squares) for counts, total, squares in every_way(sizes, 4)}
        chosen = {piece.mass_g: count for piece, count in change.pieces}
        # Sums are sought in milligrams, and the worth of a piece in a few steps.
        assert ways[tuple(chosen.get(size, 0) for size in sizes)] <= min(ways.values()) + 0.001


def test_small_pieces_are_taken_where_they_are_surer_now_or_next_time():
    stock = Stock(tuple(map(Piece, SIZES)), tolerance_percent=2)
    well_known, learnt_from, between = (choose(8.0, stock, total_doubt_g=g) for g in (0.01, 4.0, 0.4))
    assert well_known.total_g == learnt_from.total_g == between.total_g == pytest.approx(8.0)
    assert [(piece.mass_g, count) for piece, count in between.pieces] == [(1.0, 4)]
    # Twice as many of half the mass: the root of a half of the part that is not common to all.
    assert learnt_from.doubt_g < 0.9 * between.doubt_g
    assert well_known.doubt_g < 0.9 * between.doubt_g
    weighed = Stock(tuple(map(Piece, SIZES)), scale_g=0.01)  # their number then adds no doubt
    for known_g in (0.01, 0.4, 4.0):
        few = choose(8.0, weighed, total_doubt_g=known_g)
        assert [(piece.mass_g, count) for piece, count in few.pieces] == [(2.0, 2)]


def test_every_side_takes_the_same():
    change = choose(7.0, Stock(tuple(map(Piece, SIZES)), sides=2))
    assert change.a_side_g == pytest.approx(3.5)
    assert change.total_g == pytest.approx(2 * change.a_side_g)
    assert choose(9.0, Stock(tuple(map(Piece, SIZES)), sides=3)).a_side_g == pytest.approx(3.0)


def test_pieces_that_run_out_are_not_used_twice():
    change = choose(8.0, Stock((Piece(1.0, None, 4), Piece(0.5)), sides=2), total_doubt_g=0.4)
    assert {piece.mass_g: count for piece, count in change.pieces} == {1.0: 2, 0.5: 4}
    assert choose(8.0, Stock((Piece(1.0, None, 3),), sides=2)).a_side_g == 1.0  # two sides share three


def test_taking_off_goes_as_far_as_there_is():
    stock = Stock(tuple(map(Piece, SIZES)))
    assert choose(-3.0, stock, removable_g=10).a_side_g == pytest.approx(-1.5)
    with pytest.raises(InputError, match=r"3.00 g in all would have to come off and 2 g are on"):
        choose(-3.0, stock, removable_g=2)


def test_to_order_from_sheet():
    # 0.451 g at 0.5 mm, 12 mm across, 3 mm hole, brass 8500 kg/m3: the disc of theory's own example.
    disc = Disc(12, 3, 8500)
    assert disc.mass_g(0.5) == pytest.approx(math.pi / 4 * (1.2**2 - 0.3**2) * 0.05 * 8.5, rel=1e-12)
    change = choose(0.9, Stock(disc=disc))
    assert change.a_side_g == 0.45
    assert change.thickness_mm == pytest.approx(0.5, abs=0.005)
    assert change.pieces == ()


def test_the_doubt_of_pieces_is_that_of_each_by_itself_and_a_tenth_of_all_alike():
    change = choose(6.0, Stock((Piece(1.0),), tolerance_percent=2))
    # Six grams of 2 %: nine tenths of the variance piece by piece, a tenth as if all were one piece.
    assert change.doubt_g == pytest.approx(0.02 / math.sqrt(3) * math.sqrt(0.9 * 6 + 0.1 * 6**2))
    weighed = choose(6.0, Stock((Piece(1.0),), scale_g=0.01))
    assert weighed.doubt_g == pytest.approx(0.01 / math.sqrt(3) * math.sqrt(2))


def test_nothing_is_put_on_where_nothing_at_hand_helps():
    change = choose(0.3, Stock((Piece(1.0),)))
    assert change.total_g == 0
    assert change.doubt_g == 0


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: choose(500, Stock()), "250.0 g a side would be needed"),
        (lambda: Stock(sides=1), "1 sides carry weights"),
        (lambda: Piece(0.0), "weight at hand is 0 g"),
        (lambda: Piece(0.0005), "too light"),
        (lambda: Stock(tolerance_percent=80), "tolerance of the weights is 80 %"),
        (lambda: Stock(tuple(Piece(0.1 + i / 100) for i in range(50))), "50 sizes of weights; at most 40"),
    ],
)
def test_refusals(make, says):
    with pytest.raises(InputError, match=says):
        make()
