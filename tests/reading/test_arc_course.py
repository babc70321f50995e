"""The course of the arc through a night: told apart and measured."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.reading.arc_course import arc_course, settling_of, turn_of, without_drive
from torsionbeat.reading.figures import Swings

SPAN_S = 6 * 3600.0


def swings(arc_of, seed=0, noise_deg=1.0, step_s=30.0):
    time = np.arange(0.0, SPAN_S, step_s)
    arc = arc_of(time) + np.random.default_rng(seed).normal(0, noise_deg, time.size)
    side = np.where(np.arange(time.size) % 2, "b", "a")
    blank = np.full(time.size, np.nan)
    return Swings(np.arange(time.size), time, side, blank, blank, arc)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    ("shape", "moved", "arc_of"),
    [
        ("line", 0, lambda t: 430 + 0 * t),
        ("line", -12, lambda t: 430 - 12 * t / SPAN_S),
        ("settling", 59, lambda t: 430 - 60 * np.exp(-t / 5000)),
        ("settling", -40, lambda t: 430 + 40 * np.exp(-t / 2500)),
        ("step", -30, lambda t: np.where(t > 9000, 400 + 30 * np.exp(-(t - 9000) / 2500), 430.0)),
        ("step", 15, lambda t: np.where(t > 14_000, 445.0, 430.0)),
    ],
)
def test_courses_are_told_apart(shape, moved, arc_of, seed):
    course = arc_course(swings(arc_of, seed))
    assert course.shape == shape
    assert course.moved_deg == pytest.approx(moved, abs=6)  # from middle to middle of the outer blocks


def test_time_constant_final_arc_and_moment_are_found():
    course = arc_course(swings(lambda t: 430 - 60 * np.exp(-t / 5000), noise_deg=0.3))
    assert course.time_constant_s == pytest.approx(5000, rel=0.1)  # the grid is 9 % apart
    assert course.final_deg == pytest.approx(430, abs=1.5)
    step = arc_course(
        swings(lambda t: np.where(t > 9000, 400 + 30 * np.exp(-(t - 9000) / 2500), 430.0), noise_deg=0.3)
    )
    assert step.at_s == pytest.approx(9000, abs=SPAN_S / 36)  # blocks
    assert step.final_deg == pytest.approx(400, abs=2)


def test_too_few_arcs_have_no_course():
    bare = swings(lambda t: np.full(t.size, np.nan))
    assert arc_course(bare) is None
    few = swings(lambda t: 430 + 0 * t, step_s=1000.0)
    assert arc_course(few) is None


def falling(lost_s, back_s=np.inf, tau_s=4000.0):
    """An arc that is steady, falls without its drive and stays where the drive comes back."""

    def arc_of(time):
        return 430 * np.exp(-np.clip(time - lost_s, 0, back_s - lost_s) / tau_s)

    return arc_of


def test_the_swing_without_a_drive_is_told_apart():
    """Two hours, the drive lost after 45 minutes: what is left to fit is the fall alone."""
    time = np.arange(0, 7200.0, 30)
    noise = np.random.default_rng(5).normal(0, 0.5, time.size)
    arc = falling(2700)(time) + noise
    turn = turn_of(time, arc)
    assert turn.time_s == pytest.approx(
        2700, abs=300
    )  # the fall bends, two straight lines meet a little late
    assert abs(turn.slope_before_deg_per_hour) < 20
    assert turn.slope_after_deg_per_hour < -200
    free = without_drive(time, arc)
    assert free[time > 3000].all()
    assert not free[time < 2400].any()
    # Without the driven part the fall has its own time constant; with it, twice that and more.
    slope = np.polyfit(time[free], np.log(arc[free]), 1)[0]
    assert -1 / slope == pytest.approx(4000, rel=0.05)


def test_a_drive_that_came_back_leaves_the_fall_before_it():
    time = np.arange(0, 5400.0, 30)
    arc = falling(0, 2700)(time) + np.random.default_rng(6).normal(0, 0.5, time.size)
    free = without_drive(time, arc)
    assert free[time < 2400].all()
    assert not free[time > 3000].any()


def test_a_whole_free_swing_stays_whole():
    time = np.arange(0, 7200.0, 30)
    arc = falling(0, tau_s=3500.0)(time) + np.random.default_rng(7).normal(0, 0.5, time.size)
    assert turn_of(time, arc) is None
    assert without_drive(time, arc).all()


@pytest.mark.parametrize("seed", range(6))
def test_settling_time_and_goal(seed):
    """430 deg is neared from 380 with 1500 s; after 50 minutes 6.8 deg are left, 1 % of it 710 s later."""
    time = np.arange(0, 3000.0, 15)
    arc = 430 - 50 * np.exp(-time / 1500) + np.random.default_rng(seed).normal(0, 0.5, time.size)
    found = settling_of(time, arc)
    assert found.time_constant_low_s < 1500 < found.time_constant_high_s  # six of 95 %
    assert found.time_constant_high_s / found.time_constant_low_s < 3
    assert found.arc_steady_deg == pytest.approx(430, abs=4)
    left_s = 1500 * np.log(50 / 4.3) - 2985
    assert found.wait_s == pytest.approx(left_s, abs=400)


def test_a_steady_arc_is_not_settling():
    time = np.arange(0, 3000.0, 15)
    arc = 430 + np.random.default_rng(8).normal(0, 0.5, time.size)
    assert settling_of(time, arc) is None
    assert settling_of(time[:20], arc[:20]) is None  # too few to tell


def test_an_arc_that_would_settle_below_nothing_has_no_steady_value():
    """Curved as if it neared -100 deg: the arc at the end is told, and neither a steady value nor a wait."""
    time = np.arange(0, 6000.0, 15)
    arc = -100 + 500 * np.exp(-time / 5000)
    found = settling_of(time, arc + np.random.default_rng(2).normal(0, 0.2, time.size))
    assert found.arc_now_deg == pytest.approx(arc[-1], abs=1.5)  # 0.3 % of its travel
    assert np.isnan([found.arc_steady_deg, found.wait_s, found.time_constant_s]).all()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("tau_s", [1500.0, 3000.0])
def test_a_bend_without_a_corner_is_no_turn(tau_s, seed):
    """A free swing that falls to a tenth, or an arc that settles by 60 deg: bent all along, and nothing happened midway."""
    time = np.arange(0, 3600.0, 15)
    noise = np.random.default_rng([seed, 9]).normal(0, 0.5, time.size)
    assert turn_of(time, 400 * np.exp(-time / tau_s) + noise) is None
    assert turn_of(time, 430 - 60 * np.exp(-time / tau_s) + noise) is None


@pytest.mark.parametrize("arc_deg", [300.0, 512.0, 431.7])
def test_an_arc_that_is_exactly_even_has_no_turn(arc_deg):
    """As typed or made by a program: nothing is left over, and nothing may be divided by that."""
    for beats in (60, 960, 3837):
        assert turn_of(np.arange(beats) * 7.5, np.full(beats, arc_deg)) is None
