"""Nights for comparison and findings, straight from the twin's beats."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from torsionbeat.reading.figures import Clock
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock


@pytest.fixture(scope="session")
def twin_readings():
    """Give the builder of readings."""
    path = Path(__file__).with_name("twin_readings.py")
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def make_night(twin_readings):
    """Give what makes the reading of some hours of a 60 s clock."""

    def make(seed, *, hours=3.0, arc=430.0, period=59.99, wander=1.0, clock=None, **more):
        twin = TwinClock(
            balance=Balance(60.0),
            escapement=Escapement(lift_deg=20.0, offset_deg=1.8),
            drive=Drive(arc_deg=arc, wander_percent=wander),
        ).with_period(period)
        beats, _ = twin.run(hours * 3600, seed)
        known = clock or Clock("Harbour lamp", 60.0, 20.0, 0.5)
        return twin_readings.reading_of_beats(beats, known, duration_s=hours * 3600, seed=seed, **more)

    return make
