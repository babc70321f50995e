"""A night as the live views show it."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.live.level import Level
from torsionbeat.live.session import LiveState
from torsionbeat.reading.figures import Clock, Events, Reading, RecordingInfo, Swings
from torsionbeat.sound.timebase import unknown_timebase


@pytest.fixture
def state():
    """Three hours of a night with 9 beats of a clock listed."""
    count = 9
    numbers = np.arange(count)
    swings = Swings(
        numbers,
        10_000 + 7.5 * numbers,
        np.where(numbers % 2 == 0, "a", "b"),
        np.where(numbers < 2, np.nan, 15.0004),
        np.full(count, 0.24),
        np.full(count, 401.3),
    )
    nothing = np.zeros(0)
    events = Events(nothing, nothing.astype("U1"), nothing.astype("U7"), nothing)
    reading = Reading(
        RecordingInfo("night", 10_800.0, 48_000.0, 1),
        unknown_timebase(),
        Clock(nominal_period_s=15.0, lift_deg=20.0),
        ufloat(15.0004, 2e-5),
        ufloat(-2.3, 0.2),
        ufloat(19.4, 0.2),
        ufloat(0.9, 0.02),
        ufloat(401.3, 0.4),
        None,
        1440,
        1439,
        swings,
        events,
    )
    return LiveState(
        heard_s=10_800.0,
        planned_s=32_400.0,
        level=Level(-58.2, -21.7),
        reading=reading,
        reading_at_s=10_700.0,
        why="",
        standing_db=31.0,
        kept="night",
    )
