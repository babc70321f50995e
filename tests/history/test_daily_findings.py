"""Signs in the arc over days: a step that stays, the hours of the day, and neither where there is none."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.daily_findings import arc_step, day_signs
from torsionbeat.history.findings import find
from torsionbeat.history.nights import Night
from torsionbeat.reading.figures import Swings

MAY = datetime(2026, 5, 1, 21, 0, tzinfo=UTC)
DAYS = np.arange(10.0)


def nights_with(reading, arcs):
    return [
        Night(replace(reading, arc_deg=ufloat(arc, 0.5)), MAY + timedelta(days=i))
        for i, arc in enumerate(arcs)
    ]


def long_night(reading, arc_at_hour, hours=60.0):
    """Give a night of swings whose arc is a function of the hours since its start."""
    time = np.arange(0, hours * 3600, 30.0)
    rng = np.random.default_rng(4)
    arc = arc_at_hour(time / 3600) + 0.5 * rng.standard_normal(time.size)
    number = np.arange(time.size)
    blank = np.full(time.size, np.nan)
    swings = Swings(number, time, np.where(number % 2, "b", "a"), blank, blank, arc)
    return Night(replace(reading, swings=swings), MAY)


@pytest.fixture(scope="module")
def reading(make_night):
    return make_night(1, hours=1.0)


def test_a_step_between_nights_is_found_where_it_is(reading):
    arcs = np.where(DAYS < 6, 430.0, 405.0) + np.random.default_rng(1).normal(0, 1.5, 10)
    found = [one for one in find(nights_with(reading, arcs)) if one.sign == "drive steps"]
    assert found[0].what == "The arc fell between 2026-05-06 and 2026-05-07, and stayed."
    assert "over 6 and 4 readings" in found[0].evidence[0]
    assert [one.sign for one in find(nights_with(reading, arcs))] == ["drive steps"]


def test_a_fall_a_wander_and_a_steady_arc_are_no_step():
    noise = np.random.default_rng(2).normal(0, 1.5, 10)
    assert arc_step(DAYS, 430 - 3 * DAYS + noise) is None
    assert arc_step(DAYS, 430 + noise) is None
    assert arc_step(DAYS, 430 + 8 * noise) is None
    assert arc_step(DAYS[:5], np.array([430, 430, 430, 400, 400.0])) is None  # too few on one side


def test_an_arc_that_goes_with_the_day_is_named_with_its_hours(reading):
    night = long_night(reading, lambda h: 430 + 10 * np.cos(2 * np.pi * (h - 15) / 24))
    (found,) = day_signs([night])
    assert found.sign == "drive steps"
    local = (MAY + timedelta(hours=15)).astimezone().hour
    assert f"by 20 deg, largest towards {local} h" in found.evidence[0]
    assert "2.5 days" in found.evidence[1]


@pytest.mark.parametrize(
    "course",
    [
        lambda h: 430 + 0 * h,
        lambda h: 430 - 0.5 * h,
        lambda h: 430 + 10 * np.cos(2 * np.pi * h / 37),  # comes again, but not with the day
    ],
)
def test_no_other_course_is_taken_for_the_day(reading, course):
    assert not list(day_signs([long_night(reading, course)]))


def test_one_night_says_nothing_of_the_day(reading):
    night = long_night(reading, lambda h: 430 + 10 * np.cos(2 * np.pi * (h - 15) / 24), hours=20)
    assert not list(day_signs([night]))
