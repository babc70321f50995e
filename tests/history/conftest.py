"""Nights of one clock, before and after its overhaul, on a recorder of which nothing is known."""

from __future__ import annotations

import pytest

from torsionbeat.sound.timebase import unknown_timebase


@pytest.fixture(scope="module")
def plain(make_night):
    """Three hours of the clock."""
    return make_night(1, timebase=unknown_timebase())


@pytest.fixture(scope="module")
def other(make_night):
    """Another three hours of it."""
    return make_night(2, timebase=unknown_timebase())


@pytest.fixture(scope="module")
def overhauled(make_night):
    """The clock after its overhaul: more arc, another rate, one drop louder."""
    return make_night(
        3,
        arc=462.0,
        period=59.98,
        timebase=unknown_timebase(),
        level_db={("b", "drop"): 24.0},
    )
