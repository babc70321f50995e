"""Amounts: units, signs and what is refused."""

from __future__ import annotations

import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.stock import Disc
from torsionbeat.typed.amounts import (
    counted_arc,
    details_of,
    earlier_of,
    rate_of,
    stock_of,
    strip_thickness_um,
    thickness_um,
)


@pytest.mark.parametrize(
    ("text", "rate"),
    [("720", 720), ("+720", 720), ("-3.5 s", -3.5), ("+12min", 720), ("-0.5 min/day", -30), ("2s/day", 2)],
)
def test_a_rate_gains_with_plus(text, rate):
    assert rate_of(text) == rate


@pytest.mark.parametrize("text", ["", "fast", "+-3", "3 h", "1e3"])
def test_a_rate_that_cannot_be_read_is_refused(text):
    with pytest.raises(InputError, match=r"the rate .* cannot be read"):
        rate_of(text)


def test_a_change_that_is_remembered_is_grams_and_rate():
    assert earlier_of(None) is None
    assert earlier_of("3:-15min") == (3.0, -900.0)
    assert earlier_of("-0.5:+20") == (-0.5, 20.0)
    for text in ("3", "three:-900", "3:slow"):
        with pytest.raises(InputError, match=r"the earlier change .* cannot be read"):
            earlier_of(text)


@pytest.mark.parametrize(
    ("text", "um"),
    [
        ("100", 100),
        ("100um", 100),
        ("100 \N{MICRO SIGN}m", 100),
        ("0.1mm", 100),
        ("4thou", 101.6),
        ("0.004in", 101.6),
        ("-5", -5),
    ],
)
def test_a_thickness_is_micrometres_unless_it_says_more(text, um):
    assert thickness_um(text) == um


@pytest.mark.parametrize("text", ["", "thin", "4 inches", "0.1 cm"])
def test_a_thickness_that_cannot_be_read_is_refused(text):
    with pytest.raises(InputError, match=r"the thickness .* cannot be read"):
        thickness_um(text)


def stock(text, disc=None):
    return stock_of(text, sides=3, tolerance_percent=2.0, scale_g=None, disc=disc)


def test_weights_are_grams_a_number_or_discs():
    disc = Disc(20.0, 4.0, 8500.0)
    pieces = stock("0.5, 1x4,0.2mm x 2", disc).pieces
    assert [(piece.mass_g, piece.thickness_mm, piece.count) for piece in pieces] == [
        (0.5, None, None),
        (1.0, None, 4),
        (pytest.approx(disc.mass_g(0.2)), 0.2, 2),
    ]
    # pi/4 (20^2 - 4^2) mm2 of 0.2 mm and 8.5 mg a mm3: 0.513 g
    assert pieces[2].mass_g == pytest.approx(0.5127, abs=1e-4)
    assert stock(None).pieces == ()
    assert stock("1").sides == 3


def test_weights_that_cannot_be_read_are_refused():
    for text in ("heavy", "1,,2", "-1", "1x"):
        with pytest.raises(InputError, match=r"the weight .* cannot be read"):
            stock(text)
    with pytest.raises(InputError, match=r"0.3 mm needs the disc's measures"):
        stock("0.3mm")


def test_an_arc_that_was_counted_has_its_doubt_and_its_moment():
    from torsionbeat.jobs.find_lift import COUNTED_WITHIN_DEG

    for text, arc, within, at_s in (
        ("430", 430, COUNTED_WITHIN_DEG, None),
        ("430.5 within 5", 430.5, 5, None),
        ("390 at 12min", 390, COUNTED_WITHIN_DEG, 720),
        ("390 within 3 at 90 s", 390, 3, 90),
    ):
        read = counted_arc(text)
        assert (read.arc_deg, read.within_deg, read.at_s) == (arc, within, at_s)
    for text in ("", "much", "390 at noon", "-390"):
        with pytest.raises(InputError, match=r"counted is "):
            counted_arc(text)


def test_a_detail_is_a_number_a_text_or_taken_out():
    assert details_of(["added_g=6.8", " unit = turns ", "gone=", "sum=a=b"]) == {
        "added_g": 6.8,
        "unit": "turns",
        "gone": None,
        "sum": "a=b",
    }
    assert details_of([]) == {}
    for text in ("added_g", "=6.8", " =1"):
        with pytest.raises(InputError, match=r"write it as NAME=VALUE"):
            details_of([text])


def test_a_thickness_without_its_unit_that_is_none_in_micrometres_asks_for_it():
    for text in ("0.1", "1", "0.004"):
        with pytest.raises(InputError, match="write the unit"):
            strip_thickness_um(text)
    assert [strip_thickness_um(text) for text in ("0.1mm", "100", "4thou", "3um")] == [
        100.0,
        100.0,
        101.6,
        3.0,
    ]


def test_weights_named_but_empty_are_not_any_weights():
    for text in ("", " "):
        with pytest.raises(InputError, match="no weights are named"):
            stock(text)


def test_a_stock_has_the_scales_the_tolerance_and_the_disc_it_is_given():
    disc = Disc(20.0, 4.0, 8500.0)
    made = stock_of("0.5", sides=4, tolerance_percent=3.0, scale_g=0.01, disc=disc)
    assert (made.sides, made.tolerance_percent, made.scale_g, made.disc) == (4, 3.0, 0.01, disc)
