"""The room: other clocks true to their beat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.twin import (
    OtherClock,
    Recorder,
    Room,
    simulate,
)

SILENT = Room(pink_rms=0.0, white_rms=0.0, wetness=0.0)


def begins_at(sound, rate_hz, around_s):
    """Time of the first sample within 5 ms of a time that is not silence."""
    low = max(int((around_s - 5e-3) * rate_hz), 0)
    heard = np.flatnonzero(sound[low : low + int(10e-3 * rate_hz)])
    return (low + heard[0]) / rate_hz


def test_other_clocks_are_true_to_their_beat():
    made = simulate(
        None, Room(others=(OtherClock(0.9, alternation_ms=30.0, rate_ppm=200.0),)), None, 90.0, seed=4
    )
    ticks = made.other_ticks_s()
    assert np.mean(np.diff(ticks[::2])) == pytest.approx(1.8 * 1.0002, abs=2e-5)  # 0.1 ms jitter at the ends
    assert np.mean(np.diff(ticks)[::2]) - np.mean(np.diff(ticks)[1::2]) == pytest.approx(0.06, abs=1e-4)
    quiet = simulate(None, replace(SILENT, others=(OtherClock(),)), Recorder(bits=24), 10.0, seed=4)
    sound = quiet.samples()
    for tick_s in quiet.other_ticks_s():
        assert begins_at(sound, 48_000, tick_s) == pytest.approx(tick_s, abs=1e-4)
