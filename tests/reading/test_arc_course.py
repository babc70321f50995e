"""The course of the arc through a night: told apart and measured."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.reading.arc_course import arc_course
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
