"""Sounds with a beginning and an end, and the mixer that joins them."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from torsionbeat.twin import grains


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
