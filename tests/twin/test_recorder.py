"""The recorder: clipping, silences, losses, its band, its crystal."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.twin import (
    Balance,
    CaseKnock,
    Recorder,
    Room,
    TwinClock,
    simulate,
)

QUICK = TwinClock(Balance(6.0), changes=(CaseKnock(11.0, angle_deg=1.0),))


def test_silences_are_digital_zeros_and_losses_shorten_the_file():
    plain = simulate(QUICK, Room(), Recorder(8000), 20.0, seed=1).samples()
    holes = simulate(QUICK, Room(), Recorder(8000, silences=((3.0, 4.5),)), 20.0, seed=1).samples()
    assert not holes[24_000:36_000].any()
    np.testing.assert_array_equal(holes[:24_000], plain[:24_000])
    np.testing.assert_array_equal(holes[36_000:], plain[36_000:])
    lossy = Recorder(8000, losses=((3.0, 4.5), (16.5, 17.0)))
    short = simulate(QUICK, Room(), lossy, 20.0, seed=1)
    kept = np.concatenate([plain[:24_000], plain[36_000:132_000], plain[136_000:]])
    np.testing.assert_array_equal(short.samples(), kept)
    assert short.frames == len(kept)
    assert lossy.recorded_s(18.0) == pytest.approx(16.0)
    assert lossy.recorded_s(4.0) == pytest.approx(3.0)


def test_clipping_offset_and_bits():
    loud = simulate(QUICK, Room(), Recorder(8000, gain_db=40.0, clip_level=0.25), 20.0, seed=1).samples()
    assert loud.max() == 0.25
    assert loud.min() == -0.25
    assert (loud == 0.25).sum() > 10
    lifted = simulate(None, Room(), Recorder(8000, dc=0.05), 5.0, seed=1).samples()
    assert lifted.mean() == pytest.approx(0.05, abs=1e-3)
    for bits in (16, 24):
        steps = simulate(QUICK, Room(), Recorder(8000, bits=bits), 3.0, seed=1).samples() * 2.0 ** (bits - 1)
        np.testing.assert_array_equal(steps, np.rint(steps))


def test_a_telephone_band_holds_nothing_above_it():
    from scipy.signal import welch

    phone = Recorder(16_000, band_hz=(300.0, 3400.0), bits=24)
    sound = simulate(None, Room(pink_rms=0.0, white_rms=0.05), phone, 10.0, seed=1).samples()
    hz, power = welch(sound, 16_000, nperseg=1024)
    inside = power[(hz > 600) & (hz < 3000)].mean()
    assert power[hz > 5500].mean() < 1e-4 * inside
    assert power[hz < 100].mean() < 1e-2 * inside
