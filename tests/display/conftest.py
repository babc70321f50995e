"""A reading for the figures: a clock of which only the drop is heard, straight from the twin's beats."""

from __future__ import annotations

import pytest

from torsionbeat.reading.figures import Clock
from torsionbeat.sound.remarks import Remark
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock


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
