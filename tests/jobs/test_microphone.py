"""The job of checking the microphone."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.jobs.microphone import CheckMicrophoneRequest, check_microphone

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")


live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)


KNOWN = KnownClock(nominal_period_s=6.0, lift_deg=20.0)


@pytest.fixture
def microphone():
    """Play 100 s of a 6 s clock, as fast as it is taken."""
    return live_parts.Playback(live_parts.rendered(6.0, 110.0)[0])


def test_the_microphone_is_checked(microphone):
    states = []
    result = check_microphone(
        CheckMicrophoneRequest(clock=KNOWN, duration_s=60.0), on_state=states.append, source=microphone
    )
    assert result.placing.best is not None
    assert result.heard_s == pytest.approx(60, abs=0.2)
    assert len(states) >= 50  # one a second
    assert all(-80 < state.level.rms_db < 0 for state in states)
