"""Beat and knock: closed forms, the way to turn, and a twin that is turned as told."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.beatsetting import (
    AIR_DRIVEN_LIMITS,
    IN_BEAT_SHARE,
    beat_advice,
    knock_guard,
    near_enough,
)
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock


def beat_error_ms(clock):
    """Half of (interval a to b minus interval b to a), from the middles of the twin's passages."""
    beats = clock.run(40 * clock.balance.period_s, 1)[0]
    gaps = np.diff([beat.middle_s for beat in beats])
    sides = [beat.side for beat in beats]
    from_a = np.mean([gap for gap, side in zip(gaps, sides, strict=False) if side == "a"])
    from_b = np.mean([gap for gap, side in zip(gaps, sides, strict=False) if side == "b"])
    return 500 * (from_a - from_b)


@pytest.mark.parametrize("offset_deg", [6.0, -3.5])
def test_a_twin_turned_as_told_comes_into_beat(offset_deg):
    clock = TwinClock(
        Balance(15.0, q=500),
        Escapement(lift_deg=20, offset_deg=offset_deg),
        Drive(arc_deg=270),
        jitter_ms=0,
    )
    advice = beat_advice(ufloat(beat_error_ms(clock), 0.2), ufloat(270, 1), 15.0, lift_deg=20)
    # The arc about the shifted middle is not quite 270 on either side: 2 % of the angle.
    assert advice.turn_deg.nominal_value == pytest.approx(abs(offset_deg), rel=0.02)
    assert advice.needed
    # The fork carries the middle of the lift with it; the positive way is that of side b.
    way = {"b": 1.0, "a": -1.0}[advice.fork_towards]
    turned = replace(
        clock,
        escapement=replace(clock.escapement, offset_deg=offset_deg + way * advice.turn_deg.nominal_value),
    )
    after = beat_advice(ufloat(beat_error_ms(turned), 0.2), ufloat(270, 1), 15.0, lift_deg=20)
    assert not after.needed
    assert "In beat" in after.sentence
    assert advice.suspension_towards != advice.fork_towards


def test_the_angle_by_the_closed_form():
    # A sin(pi b / T): 5 deg of 135 at T 15 is 176.9 ms (recomputed: half of 7.58842 - 7.41158 s).
    advice = beat_advice(ufloat(1000 * (7.58842 - 7.41158) / 2 * 2, 0.1), ufloat(270, 0.5), 15.0)
    assert advice.offset_deg.nominal_value == pytest.approx(135 * math.sin(math.pi * 0.17684 / 15), rel=1e-6)


def test_a_fork_on_the_strip_turns_by_its_share():
    whole = beat_advice(ufloat(176.9, 0.3), ufloat(270, 1), 15.0)
    part = beat_advice(ufloat(176.9, 0.3), ufloat(270, 1), 15.0, share_above_fork=0.1)
    assert part.turn_deg.nominal_value == pytest.approx(0.1 * whole.turn_deg.nominal_value)
    assert "share of 0.1" in part.sentence


def test_the_way_to_turn_is_named_where_the_sides_are_known():
    names = ("towards the window", "away from the window")
    advice = beat_advice(ufloat(100, 0.3), ufloat(270, 1), 15.0, side_names=names)
    assert advice.fork_towards == "a"
    assert "Turn the fork 2.83 deg (give or take 0.03) towards the window" in advice.sentence
    assert "if the suspension is what turns, away from the window" in advice.sentence
    other = beat_advice(ufloat(-100, 0.3), ufloat(270, 1), 15.0, side_names=names)
    assert "(give or take 0.03) away from the window" in other.sentence


def test_where_they_are_not_known_the_words_say_how_to_see_it():
    said = beat_advice(ufloat(100, 0.3), ufloat(270, 1), 15.0).sentence
    assert "at a beat of side a, the beat after which the next is longer in coming (by 0.2 s)" in said
    assert "torsionbeat clock sides" in said
    shown = beat_advice(ufloat(100, 0.3), ufloat(270, 1), 15.0, sides_shown=True).sentence
    assert "torsionbeat" not in shown
    assert "at a beat of side a" in shown


def test_an_uncertain_offset_is_not_turned():
    advice = beat_advice(ufloat(100, 80), ufloat(270, 1), 15.0)
    assert not advice.needed
    assert "Listen longer before turning anything" in advice.sentence


def test_an_impossible_beat_error_is_refused():
    with pytest.raises(InputError, match="no swing of 270 deg has a beat error of 8000 ms"):
        beat_advice(8000.0, 270.0, 15.0)


def test_knock_margin_and_limits_of_air_driven_clocks():
    # 360 to 540 deg of arc, knocking above roughly 600 (common practice, no source).
    clock = Clock(**AIR_DRIVEN_LIMITS)
    guard = knock_guard(ufloat(430, 1), clock, offset_deg=ufloat(-3, 0.1), roller_radius_mm=3.0)
    assert guard.margin_deg.nominal_value == pytest.approx((600 - 430) / 2 - 3)
    assert guard.clearance_mm.nominal_value == pytest.approx(math.radians(82) * 3)
    assert guard.remarks == ()
    weak = knock_guard(ufloat(300, 1), clock)
    assert "below the 360 deg" in weak.remarks[0]
    near = knock_guard(ufloat(594, 1), clock)
    assert "above the 540 deg" in near.remarks[0]
    assert "Only 3.0 deg stay before the roller knocks" in near.remarks[1]
    knocks = knock_guard(ufloat(610, 1), clock)
    assert "At this arc it knocks" in knocks.remarks[1]


@pytest.mark.parametrize(("u_deg", "near"), [(12.0, True), (9.0, False)])
def test_a_margin_whose_doubt_reaches_the_knock_is_said_to_be_near(u_deg, near):
    """580 of 600 deg leave 10 deg; the arc's u counts for half of itself, and 1.96 times that is 11.8 or 8.8 deg."""
    guard = knock_guard(ufloat(580, u_deg), Clock(**AIR_DRIVEN_LIMITS))
    assert guard.margin_deg.nominal_value == pytest.approx(10)
    assert ("knock-near" in [remark.code for remark in guard.remarks]) == near


def test_half_a_per_cent_of_the_arc_is_near_enough_and_a_hair_more_is_not():
    # 2.15 deg of 430; that so little asks for no work is common practice, no source.
    assert near_enough(IN_BEAT_SHARE * 400.0, 400.0)
    assert near_enough(-IN_BEAT_SHARE * 400.0, 400.0)
    assert not near_enough(IN_BEAT_SHARE * 400.0 * 1.001, 400.0)


def test_limits_belong_to_the_clock():
    guard = knock_guard(ufloat(300, 1), Clock(arc_low_deg=250, arc_high_deg=320))
    assert guard.margin_deg is None
    assert guard.remarks == ()


@pytest.mark.parametrize(("sigmas", "needed"), [(1.8, False), (2.1, True)])
def test_unsure_is_what_its_95_percent_interval_does_not_exclude(sigmas, needed):
    advice = beat_advice(ufloat(100, 1), ufloat(270, 1), 15.0, offset_deg=ufloat(3.0 * sigmas, 3.0))
    assert advice.needed == needed
    assert ("cannot be told from right" in advice.sentence) == (not needed)
