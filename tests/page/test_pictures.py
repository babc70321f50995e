"""Small drawings made of numbers: each place along the line worked out by hand, with the words that stand there."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest
from uncertainties import ufloat

from torsionbeat.page.pictures import (
    WIDTH,
    _round_up,
    beat_bar,
    beat_figure,
    beat_shift,
    level_share,
    rate_bar,
)


def test_a_rate_lies_between_slow_and_fast_with_its_interval():
    """+3 +- 1.96 reaches 4.96, so the line goes to 5 either way: 292 units between the edges of 14."""
    bar = rate_bar(ufloat(3.0, 1.0))
    assert (bar.low_word, bar.high_word, bar.aim_word) == ("5 s a day slow", "5 s fast", "on time")
    assert bar.aim == WIDTH / 2
    assert bar.value == pytest.approx(14 + (3 + 5) / 10 * 292, abs=0.05)
    assert bar.start == pytest.approx(14 + (3 - 1.96 + 5) / 10 * 292, abs=0.05)
    assert bar.end == pytest.approx(14 + (3 + 1.96 + 5) / 10 * 292, abs=0.05)
    assert bar.said.startswith("+3")
    assert rate_bar(None) is None


def test_a_slow_clock_lies_to_the_left():
    assert rate_bar(ufloat(-3.0, 0.1)).value < WIDTH / 2 < rate_bar(ufloat(3.0, 0.1)).value


@pytest.mark.parametrize(
    ("value", "reach"), [(0.9, 1), (1.0, 1), (1.01, 2), (2.1, 5), (5.1, 10), (60, 100), (0.03, 0.05)]
)
def test_a_line_reaches_to_1_2_or_5_times_a_power_of_ten(value, reach):
    assert _round_up(value) == pytest.approx(reach)


def test_a_beat_lies_towards_the_side_the_restorer_named():
    bar = beat_bar(ufloat(1.0, 0.1), "\N{DEGREE SIGN}", ("window", ""), 2.0)
    assert (bar.low_word, bar.high_word, bar.aim_word) == (
        "2\N{DEGREE SIGN} window",
        "2\N{DEGREE SIGN} side b",
        "in beat",
    )
    assert bar.value == pytest.approx(14 + 3 / 4 * 292, abs=0.05)
    assert beat_shift(bar) == (73.0, pytest.approx(0.5, abs=0.001))
    assert beat_bar(None, "", ("", ""), 2.0) is None
    # A fifth more than the value, where that is more than the least.
    assert beat_bar(ufloat(9.0, 0.1), " ms", ("", ""), 2.0).high_word.startswith("20 ms")


def test_an_interval_beyond_the_line_ends_with_it():
    bar = beat_bar(ufloat(1.0, 50.0), "", ("", ""), 2.0)
    assert (bar.start, bar.end) == (14.0, WIDTH - 14.0)


def test_the_beat_is_set_by_degrees_where_the_arc_is_known():
    both = SimpleNamespace(offset_deg=ufloat(1, 0.1), beat_error_ms=ufloat(20, 1))
    assert beat_figure(both) == (both.offset_deg, "\N{DEGREE SIGN}", 2.0)
    both.offset_deg = None
    assert beat_figure(both) == (both.beat_error_ms, " ms", 20.0)


@pytest.mark.parametrize(
    ("db", "share"), [(0.0, 1.0), (3.0, 1.0), (-45.0, 0.5), (-90.0, 0.0), (-120.0, 0.0), (-math.inf, 0.0)]
)
def test_a_level_s_line_begins_at_90_db_below_full_scale(db, share):
    assert level_share(db) == share
