"""What differs between two groups of nights besides the clock's state is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from torsionbeat.history.comparison import Group, Night, compare
from torsionbeat.sound.timebase import Timebase, stated_timebase, unknown_timebase


@pytest.fixture(scope="module")
def plain(make_night):
    return make_night(1, timebase=unknown_timebase())


@pytest.fixture(scope="module")
def other(make_night):
    return make_night(2, timebase=unknown_timebase())


def width(estimate):
    return estimate.high - estimate.low


def test_the_crystal_cancels_only_where_it_is_the_same_unknown(plain, other):
    host = replace(other, timebase=Timebase("host clock", 3.0, 0.2, True))
    result = compare(plain, host, same_recorder=True)
    assert any("of no help here" in remark for remark in result.remarks)
    assert width(result.row("rate (+ gains)").change) > 9
    stated = [replace(night, timebase=stated_timebase(ppm)) for night, ppm in ((plain, 1.0), (other, 4.0))]
    assert any("of no help here" in remark for remark in compare(*stated, same_recorder=True).remarks)


def test_different_timebases_periods_and_temperatures_are_named(plain, other):
    second = replace(other, timebase=stated_timebase(0.0), clock=replace(other.clock, nominal_period_s=59.9))
    sides = [Group((Night(r, temperature_c=t),)) for r, t in ((plain, 18.0), (second, 24.5))]
    text = " ".join(compare(*sides).remarks)
    assert "The timebases differ: unknown before, stated after." in text
    assert "The nominal period differs: 60 s before, 59.9 s after." in text
    assert "18.0 °C before and 24.5 °C after" in text
    assert "temperature of one side or both is not known" in " ".join(compare(plain, other).remarks)


def test_one_night_on_each_side_is_said_to_show_two_nights_only(plain, other):
    assert any("One recording on each side" in remark for remark in compare(plain, other).remarks)
    assert any("One recording before" in remark for remark in compare(plain, [other, plain]).remarks)


def test_a_beat_error_of_other_sign_asks_for_the_sides_and_they_can_be_swapped(plain, other):
    turned = replace(other, beat_error_ms=-other.beat_error_ms, offset_deg=-other.offset_deg)
    assert any("cannot tell the sides apart" in remark for remark in compare(plain, turned).remarks)
    swapped = compare(plain, turned, swap_sides=True)
    assert not any("cannot tell the sides apart" in remark for remark in swapped.remarks)
    assert swapped.row("offset").verdict == "no change to be seen"
