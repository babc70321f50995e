"""Figures in words: digits by the uncertainty, signs, intervals and what is not measured."""

from __future__ import annotations

from dataclasses import replace

import pytest
from uncertainties import ufloat

from torsionbeat.display.words import (
    decimals,
    duration_words,
    figure_rows,
    figure_words,
    number,
    plain,
    plus_minus,
    rate_words,
    reading_sentences,
    timebase_words,
)
from torsionbeat.reading.figures import Timebase
from torsionbeat.sound.timebase import stated_timebase, unknown_timebase


def test_a_rate_is_said_with_its_interval():
    assert rate_words(ufloat(2.4, 0.255)) == "gains 2.4 s a day, between 1.9 and 2.9"
    assert rate_words(ufloat(-2.4, 0.255)) == "loses 2.4 s a day, between 1.9 and 2.9"


def test_an_interval_across_zero_names_both_ways():
    assert rate_words(ufloat(-0.5, 0.5)) == "loses 0.5 s a day, between losing 1.5 and gaining 0.5"


@pytest.mark.parametrize(
    ("half", "digits"), [(12.0, 0), (3.0, 0), (2.9, 1), (0.31, 1), (0.29, 2), (3e-6, 6), (1e-9, 7)]
)
def test_digits_follow_the_half_width(half, digits):
    assert decimals(half) == digits


def test_an_uncertainty_of_zero_or_infinity_still_gives_digits():
    assert decimals(0.0) == decimals(float("inf")) == 4


def test_last_digit_said_is_never_finer_than_a_tenth_of_the_interval():
    for half in [10**p * m for p in range(-5, 3) for m in (1, 1.7, 2.99, 3, 5, 9.99)]:
        assert 10 ** -decimals(half) <= half  # the interval's ends differ in print
        assert 10 ** -decimals(half) >= half / 100 or decimals(half) == 0


def test_rounding_never_gives_minus_zero():
    assert number(-0.001, 2) == number(-0.001, 2, sign=True) == "0.00"
    assert plus_minus(ufloat(-0.001, 0.1), sign=True) == "0.0 ± 0.20".replace("0.0 ", "0.00 ")


def test_a_figure_that_was_not_measured_is_a_dash():
    assert plus_minus(None) == "-"


def test_figures_and_lengths_of_time():
    assert figure_words(ufloat(59.973621, 2e-5), "s") == "59.97362 s, between 59.97358 and 59.97366"
    assert [duration_words(s) for s in (119, 3599, 3600, 172_799)] == ["119 s", "1 h", "1 h", "2 d"]


def test_sentences_begin_with_the_beats_heard_and_say_every_figure_once(night):
    said = reading_sentences(night)
    assert said[0] == "Heard 480 of 480 beats in 4 h."
    text = " ".join(said)
    assert text.count("arc (amplitude end to end)") == 1
    assert "The clock gains 14 s a day, between 10 and 19." in said
    assert "Most of that interval is the timebase's, not the clock's." in said
    assert "out of beat by 1.8" in text
    assert "the swing a to b is the longer" in text
    assert "little enough to leave" in text  # 1.8 of half a per cent of 430 deg
    assert "Not measured" not in text


def test_what_was_not_measured_is_named_and_no_figure_is_made_up(drop_only):
    said = reading_sentences(drop_only)
    assert said[-1] == "Not measured: arc; the remarks say why."
    assert not any("deg" in sentence for sentence in said)
    assert {row.label for row in figure_rows(drop_only)} == {
        "rate (+ gains)",
        "period, out and back",
        "beat error",
    }


def test_without_a_nominal_period_the_period_is_said_instead(drop_only):
    said = " ".join(reading_sentences(replace(drop_only, rate_s_per_day=None)))
    assert "Its period (out and back) is 15.000" in said
    assert "Not measured: rate, arc" in said


@pytest.mark.parametrize(
    ("low", "high", "knock", "words"),
    [
        (450, 500, None, "below the 450 deg"),
        (300, 400, None, "above the 400 deg"),
        (None, None, 435, "At 435 deg the roller knocks"),
    ],
)
def test_limits_of_the_clock_are_held_against_the_arc(night, low, high, knock, words):
    clock = replace(night.clock, arc_low_deg=low, arc_high_deg=high, knock_arc_deg=knock)
    assert words in " ".join(reading_sentences(replace(night, clock=clock)))


def test_every_timebase_says_its_source_and_how_well_it_is_known():
    assert "within 50 ppm, which is 4.3 s a day" in timebase_words(unknown_timebase())
    assert "runs 12 ppm fast; taken as right to within 0.98 ppm (0.085 s a day)" in timebase_words(
        stated_timebase(12.0)
    )
    assert "which was not kept by network time" in timebase_words(Timebase("host clock", -3, 0.2, False))
    assert "could not be told" in timebase_words(Timebase("host clock", -3, 0.2, None))
    assert "reference ticks" in timebase_words(Timebase("reference ticks", 2.0, 0.05))


def test_control_characters_do_not_reach_the_terminal():
    assert plain("a\x1b[2Jb\nc") == "a?[2Jb\nc"


def test_an_offset_that_asks_for_work_is_not_called_little(night):
    wide = replace(night, offset_deg=ufloat(2.6, 0.01))  # half a per cent of 430 deg are 2.15
    assert "out of beat by 2.600 deg, between 2.580 and 2.620: beat error" in " ".join(
        reading_sentences(wide)
    )
    silent = " ".join(reading_sentences(replace(night, arc_deg=None)))
    assert "little enough" not in silent
