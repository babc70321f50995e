"""The job of hearing recordings."""

from __future__ import annotations

import importlib.util
import threading
from pathlib import Path

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.errors import CancelledError
from torsionbeat.jobs.hear import HearRequest, hear

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")


live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)


KNOWN = KnownClock(nominal_period_s=6.0, lift_deg=20.0)


def test_hearing_can_be_called_off(tmp_path):
    import soundfile

    sound, _ = live_parts.rendered(6.0, 110.0)
    paths = tuple(tmp_path / name for name in ("one.flac", "two.flac"))
    for path in paths:
        soundfile.write(path, sound, 16_000)
    cancel = threading.Event()
    cancel.set()
    for chosen in (paths[:1], paths):
        with pytest.raises(CancelledError, match="called off"):
            hear(HearRequest(chosen, KNOWN), cancel=cancel)
    shares = []
    result = hear(HearRequest(paths[:1], KNOWN), progress=shares.append)
    assert result.analysis.reading.beats_heard >= 30
    assert shares[-1] == 1.0
