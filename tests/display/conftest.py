"""Readings for the figures: a night of each kind of clock, straight from the twin's beats."""

from __future__ import annotations

import pytest

from torsionbeat.reading.figures import Clock
from torsionbeat.sound.remarks import Remark
from torsionbeat.sound.timebase import unknown_timebase
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock


@pytest.fixture(scope="session")
def night(twin_readings):
    """Give four hours of a 60 s clock with contact and drop, 1.8 deg out of beat."""
    twin = TwinClock(
        balance=Balance(60.0),
        escapement=Escapement(lift_deg=20.0, offset_deg=1.8),
        drive=Drive(arc_deg=430.0, wander_percent=1.0),
    ).with_period(59.99)
    beats, _ = twin.run(4 * 3600, seed=3)
    clock = Clock("Harbour lamp", 60.0, 20.0, 0.5, arc_low_deg=380, arc_high_deg=480, knock_arc_deg=520)
    return twin_readings.reading_of_beats(
        beats, clock, duration_s=4 * 3600, seed=3, timebase=unknown_timebase()
    )


@pytest.fixture(scope="session")
def drop_only(twin_readings):
    """Give twenty minutes of a 15 s clock of which only the drop is heard."""
    twin = TwinClock(
        balance=Balance(15.0),
        escapement=Escapement(lift_deg=14.0),
        drive=Drive(arc_deg=284.0),
        sounds=("drop",),
    )
    beats, _ = twin.run(1200, seed=4)
    return twin_readings.reading_of_beats(
        beats,
        Clock("Glass shelf", 15.0),
        duration_s=1200,
        seed=4,
        contact=False,
        remarks=(
            Remark("no-arc-contact-unheard", "No contact was heard, so there is no lift passage and no arc."),
        ),
    )
