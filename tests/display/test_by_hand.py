"""What is found by hand, in words: each figure with its interval, rates in minutes where they are large."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from uncertainties import ufloat

from torsionbeat.display.by_hand import (
    _agreement,
    _between,
    _rate,
    hand_check_sentences,
    lift_sentences,
    strip_sentences,
    two_offsets_sentences,
)
from torsionbeat.jobs.strip import StripRequest, strip


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (0.0049, "keeps time"),
        (-0.0049, "keeps time"),
        (0.005, "gains 0.005 s a day"),
        (-12.34, "loses 12.3 s a day"),
        (299.9, "gains 300 s a day"),
        (300.0, "gains 5.0 min a day"),
        (-900.0, "loses 15.0 min a day"),
    ],
)
def test_an_exact_rate_is_in_minutes_from_five_on(rate, words):
    assert _rate(rate) == words


def test_a_large_rate_has_its_interval_in_minutes():
    """720 s a day are 12 minutes, 1.96 of 30 s are 0.98."""
    assert _between(ufloat(720, 30)) == "gains 12.0 min a day, between 11.0 and 13.0"
    assert _between(ufloat(-12, 1)).startswith("loses 12.0 s a day")


def checked(**other):
    given = {
        "sightings": (SimpleNamespace(ahead_s=0.0), SimpleNamespace(ahead_s=18.0)),
        "check": SimpleNamespace(span_h=168.0, rate_s_per_day=ufloat(18 / 7, 0.4)),
        "remarks": (),
        "kept_for": None,
        "last": None,
        "agreement": None,
        **other,
    }
    return SimpleNamespace(**given)


def test_the_hand_is_told_from_where_to_where_and_in_how_long():
    (said,) = hand_check_sentences(checked())
    assert said.startswith("The hand went from 0 s to +18 s in 168 h: the clock gains 2.6 s a day")
    kept = hand_check_sentences(checked(kept_for="Lamp"))
    assert kept[1:] == [
        "No reading of Lamp has a rate to compare it with.",
        "Kept for Lamp in the bench log.",
    ]


def against(agrees, difference):
    last = SimpleNamespace(
        taken_at=datetime(2026, 3, 2, 20, tzinfo=UTC),
        timebase_source="",
        figure=lambda _name: ufloat(0.0, 0.5),
    )
    return _agreement(
        checked(
            kept_for="Lamp",
            last=last,
            agreement=SimpleNamespace(agrees=agrees, difference_s_per_day=difference),
        )
    )


def test_a_difference_is_told_in_parts_in_a_million_of_a_crystal_where_a_crystal_can_do_it():
    """A part in a million is 0.0864 s a day: 4.32 s are 50 of them, 1.96 of 0.432 are 10."""
    assert against(True, ufloat(0.1, 1.0)).endswith(": the two agree.")
    fast = against(False, ufloat(4.32, 0.432))
    assert "they differ by 4.3 s a day" in fast
    assert "ran fast by another 50 ppm, give or take 10 (timebase of that reading: not said)" in fast
    assert "ran slow by another 50 ppm" in against(False, ufloat(-4.32, 0.432))
    assert "ppm" not in against(False, ufloat(400.0, 0.4))  # no crystal is off by so much


def test_a_lift_is_given_as_the_options_that_take_it_or_where_it_is_kept():
    found = SimpleNamespace(
        lift_deg=ufloat(20.0, 0.1),
        each_deg=(ufloat(19.9, 0.1), ufloat(20.1, 0.1)),
        remarks=(),
        kept_for="",
        tolerance_deg=0.34,
    )
    said = lift_sentences(found)
    assert "20.0" in said[0]
    assert said[1].startswith("Of each count: 19.9")
    assert "--lift 20.00 --lift-tolerance 0.34" in said[-1]
    found.kept_for, found.each_deg = "Lamp", found.each_deg[:1]
    assert lift_sentences(found)[1:] == ["Kept for Lamp."]


def test_the_arc_of_two_beat_errors_says_what_it_follows_from():
    result = SimpleNamespace(
        arc_deg=ufloat(300, 4), beat_error_before_ms=ufloat(10, 1), beat_error_after_ms=ufloat(-40, 1),
        offset_change_deg=ufloat(5, 0.3), remarks=("x",),
    )  # fmt: skip
    said = two_offsets_sentences(result)
    assert "300" in said[0]
    assert said[1].index("10") < said[1].index("40")
    assert said[-1] == "x"


def test_a_strip_says_which_one_brings_to_time_and_what_another_would_do():
    """A strip a tenth thicker is some 30 % stiffer: the clock gains hours a day, and one that gains takes a thinner one."""
    plain = " ".join(strip_sentences(strip(StripRequest(100.0, 0.5, 100.0, 300.0, period_s=15.0))))
    assert "thinner" not in plain
    slow = " ".join(
        strip_sentences(strip(StripRequest(100.0, 0.5, 100.0, 300.0, period_s=15.0, rate_s_per_day=720.0)))
    )
    assert "thinner" in slow
    fast = " ".join(
        strip_sentences(strip(StripRequest(100.0, 0.5, 100.0, 300.0, period_s=15.0, rate_s_per_day=-720.0)))
    )
    assert "thicker" in fast
