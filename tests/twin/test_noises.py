"""The room's sources: levels, spectra, rhythm."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from scipy.signal import welch

from torsionbeat.twin import grains
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


def test_the_mixer_lays_every_grain_once():
    rng = np.random.default_rng(2)
    pieces = [
        (int(n), rng.standard_normal(int(rng.integers(1, 400))).astype(np.float32))
        for n in range(0, 5000, 77)
    ]
    expected = np.zeros(6000, dtype=np.float32)
    for first, samples in pieces:
        expected[first : first + len(samples)] += samples
    mixer = grains.Mixer(iter(pieces))
    got = np.zeros(6000, dtype=np.float32)
    for start in range(0, 6000, 100):
        mixer.add_to(got[start : start + 100], start)
    np.testing.assert_allclose(got, expected, atol=1e-6)


@pytest.mark.parametrize(
    ("source", "per_hour"),
    [(grains.talk, 300.0), (grains.bangs, 300.0)],
)
def test_random_sounds_come_as_often_as_stated_and_in_order(source, per_hour):
    found = list(islice(source(per_hour, 0.3, 8000, np.random.default_rng(3)), 200))
    starts = np.array([first for first, _ in found])
    assert (np.diff(starts) >= 0).all()
    assert 200 / (starts[-1] / 8000 / 3600) == pytest.approx(per_hour, rel=0.25)  # 7 % standard error
    peaks = [np.abs(samples).max() for _, samples in found]
    assert max(peaks) <= 0.3001
    assert min(peaks) > 0.05


def test_a_tap_drips_irregularly():
    starts = np.array(
        [first for first, _ in islice(grains.drips(1.7, 0.1, 8000, np.random.default_rng(3)), 300)]
    )
    gaps_s = np.diff(starts) / 8000
    assert gaps_s.mean() == pytest.approx(1.7, rel=0.05)
    assert gaps_s.std() / gaps_s.mean() == pytest.approx(0.2, abs=0.04)


def test_a_fire_crackles_with_a_heavy_tail():
    found = list(islice(grains.sparks(8.0, 0.2, 48_000, np.random.default_rng(3)), 600))
    starts = np.array([first for first, _ in found])
    assert (np.diff(starts) >= 0).all()
    peaks = np.array([np.abs(samples).max() for _, samples in found])
    assert np.quantile(peaks, 0.99) > 8 * np.median(peaks)
    assert 600 / (starts[-1] / 48_000) == pytest.approx(8.0, rel=0.3)
