"""The room's sources: levels, spectra, rhythm."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import welch

from torsionbeat.twin.noises import Hum, Pink, Rain, White

RATE_HZ = 48_000


def test_pink_noise_falls_10_db_a_decade():
    sound = Pink(0.01, RATE_HZ, np.random.default_rng(1)).take(60 * RATE_HZ)
    assert np.std(sound) == pytest.approx(0.01, rel=0.05)  # its slowest part has few independent values
    hz, power = welch(sound, RATE_HZ, nperseg=16_384)
    centres = 62.5 * 2.0 ** np.arange(8)
    levels = [10 * np.log10(power[(hz > c / 1.4) & (hz < c * 1.4)].mean()) for c in centres]
    slope = np.polyfit(np.log10(centres), levels, 1)[0]
    assert slope == pytest.approx(-10.0, abs=0.5)
    line = np.polyval(np.polyfit(np.log10(centres), levels, 1), np.log10(centres))
    assert np.abs(levels - line).max() < 1.0  # ripple of poles two octaves apart


def test_white_noise_is_flat_and_rain_is_rough():
    white = White(0.02, np.random.default_rng(1)).take(20 * RATE_HZ)
    assert np.std(white) == pytest.approx(0.02, rel=0.01)
    rain = Rain(0.02, RATE_HZ, np.random.default_rng(1)).take(20 * RATE_HZ)
    assert np.std(rain) == pytest.approx(0.02, rel=0.3)
    assert np.mean((rain / rain.std()) ** 4) > 3.3  # a Gaussian has 3: drops stand out


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_a_line_at_the_mains_and_never_jumps(mains_hz):
    whole = Hum(0.01, mains_hz, RATE_HZ).take(4 * RATE_HZ)
    hum = Hum(0.01, mains_hz, RATE_HZ)
    pieces = np.concatenate([hum.take(n) for n in (1, 999, 65_536, 4 * RATE_HZ - 66_536)])
    np.testing.assert_allclose(pieces, whole, atol=1e-8)
    assert np.std(whole) == pytest.approx(0.01, rel=1e-3)
    spectrum = np.abs(np.fft.rfft(whole))
    assert np.argmax(spectrum) == 4 * mains_hz
