"""What is kept of a clock's record: cleaned texts and names, numbers in their ranges, fields that agree."""

from __future__ import annotations

import pytest

from torsionbeat.benchlog.entries import check_clock, clean_fields, clean_name, clean_text, label, value_words
from torsionbeat.benchlog.tables import ClockRecord
from torsionbeat.errors import InputError


def test_a_text_is_kept_without_blanks_about_it_and_up_to_its_length():
    assert clean_text("  two\nlines \n", "the note") == "two\nlines"
    assert clean_text("x" * 20_000, "the note") == "x" * 20_000
    with pytest.raises(InputError, match="the note has 20001 characters; at most 20000 are kept"):
        clean_text("x" * 20_001, "the note")
    for bad in ("a\0b", "a\ud800b"):
        with pytest.raises(InputError, match="the note holds a character that cannot be kept"):
            clean_text(bad, "the note")


def test_a_name_is_1_to_80_signs_that_print():
    assert clean_name("  Gate house ") == "Gate house"
    assert clean_name("x" * 80) == "x" * 80
    for bad in ("", " ", "-lamp", "a\nb", "a\x1b[2J"):
        with pytest.raises(InputError, match="give 1 to 80 printable characters, the first not a dash"):
            clean_name(bad)
    with pytest.raises(InputError, match="has 81 characters; at most 80"):
        clean_name("x" * 81)


def test_fields_are_numbers_in_their_range_or_texts():
    assert clean_fields({"lift_deg": 20, "maker": "  nobody ", "kind": "400-day"}) == {
        "lift_deg": 20.0,
        "maker": "nobody",
        "kind": "400-day",
    }
    assert clean_fields({"lift_deg": None, "lift_tolerance_deg": None, "maker": None}) == {
        "lift_deg": None,
        "lift_tolerance_deg": 0.0,
        "maker": "",
    }
    assert clean_fields({"lift_deg": 180}) == {"lift_deg": 180.0}


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("colour", "red", "a clock's record has no field 'colour'"),
        ("lift_deg", 180.1, "lift is 180.1; it must lie between 0.01 and 180 deg"),
        ("lift_deg", float("nan"), "lift is nan; it must lie"),
        ("lift_deg", "20", "lift is '20'; give a number of deg"),
        ("lift_deg", True, "lift is True; give a number of deg"),
        ("kind", "pendulum", "the clock's kind is 'pendulum'; use one of 400-day, air-driven, other"),
    ],
)
def test_a_field_that_cannot_be_is_named_with_its_range(field, value, said):
    with pytest.raises(InputError, match=said):
        clean_fields({field: value})


def test_labels_and_values_have_their_words():
    assert label("regulator_s_per_day_per_unit") == "regulator effect"
    assert value_words("nominal_period_s", 15.0) == "15 s"
    assert value_words("maker", "nobody") == "'nobody'"
    assert value_words("lift_deg", None) == value_words("maker", "") == "nothing"
    assert value_words("weight_total_g", 0.0) == "0 g"


@pytest.mark.parametrize(
    ("low", "high"),
    [("arc_low_deg", "arc_high_deg"), ("arc_high_deg", "knock_arc_deg"), ("regulator_low", "regulator_high")],
)
def test_fields_in_order_must_be_in_order(low, high):
    check_clock(ClockRecord(name="x", kind="other", lift_tolerance_deg=0.0, **{low: 1.0, high: 2.0}))
    with pytest.raises(InputError, match="2"):
        check_clock(ClockRecord(name="x", kind="other", lift_tolerance_deg=0.0, **{low: 2.0, high: 1.0}))
