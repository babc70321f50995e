"""What the page's plots show, against numbers worked out by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.page.plots import (
    MOST_POINTS,
    arc_plot,
    decay_plot,
    history_plot,
    offset_plot,
    reading_plots,
    remainder_plot,
    side_words,
    sound_plot,
)
from torsionbeat.reading.figures import Clock, Events, Reading, RecordingInfo, Swings
from torsionbeat.sound.timebase import unknown_timebase

SIDES = {"a": "side a", "b": "side b"}
BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


def reading(times_s, arcs_deg=None, *, period_s=60.0, duration_s=600.0, arc=None, **clock):
    """A reading of beats at these times, sides a and b by turns; drops alone."""
    count = len(times_s)
    numbers = np.arange(count)
    arcs = np.full(count, math.nan) if arcs_deg is None else np.asarray(arcs_deg, float)
    swings = Swings(
        numbers, np.asarray(times_s, float), np.where(numbers % 2 == 0, "a", "b"),
        np.full(count, math.nan), np.full(count, math.nan), arcs,
    )  # fmt: skip
    nothing = np.zeros(0)
    return Reading(
        RecordingInfo("night", duration_s, 48_000.0, 1), unknown_timebase(), Clock("", period_s, 20.0, **clock),
        ufloat(period_s, 1e-4), None, None, None, arc, None, count, count, swings,
        Events(nothing, nothing.astype("U1"), nothing.astype("U7"), nothing),
    )  # fmt: skip


def one_of(plot, label):
    (found,) = (one for one in plot["series"] if one["label"] == label)
    return found


def known(values):
    return [value for value in values if value is not None]


# The remainder


def test_the_remainder_of_an_even_beat_with_a_beat_error_is_nothing():
    """Beats every 30 s, those of side b 0.1 s late: rate and beat error take all of it."""
    times = [30.0 * beat + 0.1 * (beat % 2) for beat in range(12)]
    plot = remainder_plot(reading(times), SIDES)
    for side in "ab":
        points = one_of(plot, f"side {side}")["y"]
        assert known(points) == pytest.approx([0.0] * 6, abs=1e-6)
    assert plot["xLabel"] == "min from the start"
    assert plot["x"][:2] == [0.0, pytest.approx(30.1 / 60, abs=1e-4)]
    assert plot["yLabel"] == "ms left over"
    assert "12 beats" in plot["said"]


def test_a_late_beat_stands_out_by_what_the_fit_leaves_of_it_and_each_side_has_its_line():
    times = [30.0 * beat for beat in range(12)]
    times[4] += 0.012
    rest = known(one_of(remainder_plot(reading(times), SIDES), "side a")["y"])
    # Of one late beat of six on its side the fit takes a sixth and a little by its slope: near 12 * 5/6 = 10 are left.
    assert rest[2] == pytest.approx(10.0, abs=0.4)
    assert max(rest[:2] + rest[3:]) < 0
    line = one_of(remainder_plot(reading(times), SIDES), "side a, its line")
    assert line["kind"] == "line"
    assert line["fitted"]
    ends = known(line["y"])
    assert len(ends) == 2
    # A line by least squares has no slope of its own left beside the fit's, nor a mean.
    assert sum(ends) == pytest.approx(0.0, abs=0.6)
    assert not line["dashed"]
    assert one_of(remainder_plot(reading(times), SIDES), "side b, its line")["dashed"]


def test_too_few_beats_have_no_remainder():
    assert remainder_plot(reading([0.0, 30.0]), SIDES) is None


# Arcs


def test_arcs_stand_under_their_side_and_what_was_not_read_is_left_empty():
    plot = arc_plot(reading([0, 30, 60, 90], [430.0, 431.0, math.nan, 432.004], duration_s=100.0), SIDES)
    assert one_of(plot, "side a")["y"] == [430.0, None, None, None]
    assert one_of(plot, "side b")["y"] == [None, 431.0, None, 432.0]
    assert plot["xLabel"] == "s from the start"
    assert plot["x"] == [0.0, 30.0, 60.0, 90.0]
    # 430 to 432.004 is less than the least span of 4, and 8 % are free above and below: 431.002 -+ 2 * 1.16.
    assert plot["yRange"] == pytest.approx([431.002 - 2.32, 431.002 + 2.32], abs=1e-3)
    assert plot["bands"] == []


def test_the_mean_is_a_band_and_limits_are_drawn_where_the_arcs_are_still_seen():
    known_clock = {"arc_low_deg": 400.0, "arc_high_deg": 480.0, "knock_arc_deg": 600.0}
    plot = arc_plot(
        reading([0, 30, 60, 90], [430.0, 431.0, 430.0, 431.0], arc=ufloat(430.5, 0.5), **known_clock), SIDES
    )
    (band,) = plot["bands"]
    assert (band["low"], band["high"]) == (429.52, 431.48)  # 430.5 -+ 1.96 * 0.5
    assert [limit["y"] for limit in plot["limits"]] == [400.0, 480.0]
    assert plot["yRange"] == [397.0, 483.0]  # three degrees beyond the limits
    assert plot["said"].endswith("Beyond this plot: knocks at 600\N{DEGREE SIGN}.")
    assert "430.5 degrees, between 429.5 and 431.5" in plot["said"]


def test_without_arcs_there_is_no_plot_of_them():
    assert arc_plot(reading([0, 30, 60]), SIDES) is None


# Sounds


def voice(kind, side, power):
    profile = np.asarray(power, np.float32)[:, None]
    return VoiceProfile(side, kind, 0.0005, -0.001, profile, 40)


def test_a_mean_sound_is_drawn_in_decibels_above_the_room_from_where_it_begins():
    plot = sound_plot([voice("drop", "a", [0, 9, 99, 0]), voice("contact", "b", [-1, 0, 9])], SIDES)
    assert plot["x"] == [-1.0, -0.5, 0.0, 0.5]
    drop, contact = one_of(plot, "drop, side a"), one_of(plot, "contact, side b")
    assert drop["y"] == [0.0, 10.0, 20.0, 0.0]  # 10 lg (1 + 9), 10 lg (1 + 99)
    assert contact["y"] == [0.0, 0.0, 10.0, None]
    assert (drop["dashed"], contact["dashed"]) == (False, True)
    assert plot["yRange"] == [0.0, pytest.approx(23.0)]
    assert "drop side a 20 dB, contact side b 10 dB" in plot["said"]


def test_bands_are_averaged_in_power_and_other_sounds_left_out():
    profile = np.array([[18.0, 0.0]], np.float32)
    two_bands = VoiceProfile("a", "drop", 0.0005, 0.0, profile, 40)
    assert one_of(sound_plot([two_bands], SIDES), "drop, side a")["y"] == [10.0]  # mean power 9
    assert sound_plot([voice("before", "a", [9])], SIDES) is None


# Setting in beat


def test_the_offset_is_drawn_with_its_interval_and_each_touch_once():
    settings = [
        (60.0, ufloat(4.0, 0.5), False), (90.0, ufloat(2.0, 0.5), True), (120.0, ufloat(1.0, 0.5), True),
        (150.0, ufloat(0.5, 0.25), False), (180.0, ufloat(-0.5, 0.25), True),
    ]  # fmt: skip
    plot = offset_plot(settings, "\N{DEGREE SIGN}")
    assert plot["x"] == [1.0, 1.5, 2.0, 2.5, 3.0]
    (series,) = plot["series"]
    assert series["y"] == [4.0, 2.0, 1.0, 0.5, -0.5]
    assert series["low"][0] == pytest.approx(4 - 0.98, abs=1e-3)
    assert series["high"][4] == pytest.approx(-0.5 + 0.49, abs=1e-3)
    assert [mark["x"] for mark in plot["marks"]] == [1.5, 3.0]  # one touch lasts over two swings
    assert plot["limits"] == [{"y": 0.0, "label": "in beat", "aim": True}]
    assert plot["yLabel"] == "degrees"
    assert offset_plot(settings, " ms")["yLabel"] == "ms"
    # From -0.99 to 4.98 and 8 % of that beyond either end.
    assert plot["yRange"] == pytest.approx([-0.99 - 0.08 * 5.97, 4.98 + 0.08 * 5.97], abs=0.01)
    assert offset_plot([], "ms") is None


# Free swings


def test_a_free_swing_in_air_lies_on_the_curve_of_air_and_off_that_of_rubbing():
    time = np.arange(0, 5400.0, 300.0)
    arc = 430 * np.exp(-math.pi * time / (300 * 60))
    plot = decay_plot(time + 100, arc)
    assert plot["x"][0] == 0.0
    assert plot["x"][-1] == pytest.approx(85.0)
    seen, air, dry = plot["series"]
    assert (air["label"], dry["label"], dry["dashed"]) == ("drag of air alone", "rubbing alone", True)
    pairs = [(a, b, c) for a, b, c in zip(seen["y"], air["y"], dry["y"], strict=True) if a is not None]
    assert len(pairs) == len(time)
    assert max(abs(a - b) for a, b, _ in pairs) < 0.02  # rounded to hundredths
    assert max(abs(a - c) for a, _, c in pairs) > 5


def test_looks_without_an_arc_are_left_out_and_the_first_that_has_one_is_the_start():
    plot = decay_plot([0, 60, 120, 180, 240], [math.nan, 400, 380, 360, 340])
    assert known(plot["series"][0]["y"]) == [400, 380, 360, 340]
    assert plot["x"][-1] == 3.0


# History


def rows(*rates):
    return [(BEGIN + timedelta(days=day), figure) for day, figure in enumerate(rates)]


def test_rates_stand_at_their_dates_with_zero_as_the_aim_and_works_as_marks():
    works = [(BEGIN + timedelta(hours=12), "weights")]
    plot = history_plot(rows(ufloat(4.0, 0.5), None, ufloat(1.0, 0.5)), works, what="rate")
    assert plot["x"] == [BEGIN.timestamp(), BEGIN.timestamp() + 2 * 86_400]
    assert plot["series"][0]["y"] == [4.0, 1.0]
    assert plot["limits"] == [{"y": 0.0, "label": "on time", "aim": True}]
    assert plot["marks"] == [{"x": BEGIN.timestamp() + 43_200, "label": "weights"}]
    assert plot["dates"]
    assert plot["bent"] == 0.0
    assert plot["said"] == "Last of 2: the clock gains 1.0 s a day, between 0.0 and 2.0."
    # Zero belongs to the range however far the rates are from it: 0 to 8.98, and 8 % beyond.
    far = history_plot(rows(ufloat(8.0, 0.5), ufloat(6.0, 0.5)), [], what="rate")
    assert far["yRange"] == pytest.approx([-0.08 * 8.98, 1.08 * 8.98], abs=0.001)


def test_one_reading_is_no_course():
    assert history_plot(rows(ufloat(4.0, 0.5), None), [], what="rate") is None


def test_rates_of_very_different_size_are_drawn_on_a_bent_scale():
    # The last interval is 1.96 wide; the first rate is more than 30 times that.
    plot = history_plot(rows(ufloat(-700.0, 10.0), ufloat(1.0, 0.5)), [], what="rate")
    assert plot["bent"] == pytest.approx(1.96)
    assert plot["yTicks"] == [-1000.0, -100.0, -10.0, 0.0]  # the range ends at -1007
    assert plot["yRange"] == pytest.approx([-719.6 * 1.4, 1.98 * 1.4])
    near = history_plot(rows(ufloat(-50.0, 1.0), ufloat(1.0, 0.5)), [], what="rate")
    assert (near["bent"], near["yTicks"]) == (0.0, None)  # 51.96 is less than 30 times 1.96


def test_arcs_have_their_limits_where_there_is_room():
    limits = [{"y": 425.0, "label": "healthy from"}, {"y": 600.0, "label": "knocks at"}]
    plot = history_plot(rows(ufloat(420.0, 1.0), ufloat(430.0, 1.0)), [], what="arc", limits=limits)
    assert plot["limits"] == limits[:1]
    assert plot["yLabel"] == "degrees, end to end"
    assert plot["said"].startswith("Last of 2: 430")


# All of them


def test_long_rows_are_thinned_by_an_odd_step_and_lines_keep_their_ends():
    times = 30.0 * np.arange(1001)
    plot = remainder_plot(reading(times, duration_s=50_000.0), SIDES)
    # Every second would be few enough and side a alone, so it is every third, 334 rows; ends of two lines come on top.
    assert 334 <= len(plot["x"]) <= 338 <= MOST_POINTS
    for side in "ab":
        assert len(known(one_of(plot, f"side {side}")["y"])) >= 167
        assert len(known(one_of(plot, f"side {side}, its line")["y"])) == 2
    assert plot["xLabel"] == "hours from the start"
    assert plot["x"][-1] == pytest.approx(30 * 1000 / 3600, abs=1e-4)


def test_a_reading_has_the_plots_that_have_something_to_show_as_plain_json(night):
    voices = [voice("drop", "a", [0, 9, 99])]
    plots = reading_plots(night, voices, ("towards the wall", ""))
    assert set(plots) == {"remainder", "arc", "sound"}
    assert one_of(plots["sound"], "drop, towards the wall")
    assert one_of(plots["arc"], "side b")
    json.dumps(plots, allow_nan=False)
    bare = replace(night, swings=reading([0, 30]).swings)
    assert reading_plots(bare) == {}


def test_sides_are_called_as_the_restorer_calls_them():
    assert side_words(("towards the wall", "")) == {"a": "towards the wall", "b": "side b"}
