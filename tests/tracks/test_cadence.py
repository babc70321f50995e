"""Cadence: autocorrelation against numpy's own, scores of unit variance, the period of a row of pulses."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.tracks.cadence import autocorrelation, of_short_sounds, score_periods, strongest_cadences

FRAME_S = 0.004


def pulses(rng, period_s, duration_s, height=6.0, jitter_s=0.0):
    series = rng.standard_normal((int(duration_s / FRAME_S), 2)).astype(np.float32)
    times = np.arange(0.3, duration_s - 0.1, period_s)
    times += jitter_s * rng.standard_normal(len(times))
    series[np.rint(times / FRAME_S).astype(int)] += height
    return series


def test_is_numpys_correlation_in_units_of_its_scatter():
    rng = np.random.default_rng(1)
    series = np.clip(rng.standard_normal((3000, 3)), -2, 6).astype(np.float32)
    lags = 700
    expected = np.zeros(lags)
    for band in series.T.astype(float):
        centred = band - band.mean()
        full = np.correlate(centred, centred, "full")[len(centred) - 1 :]
        expected += full[:lags] / centred.var()
    expected /= np.sqrt(3 * (3000 - np.arange(lags)))
    # single precision over 3000 products
    np.testing.assert_allclose(autocorrelation(series, lags), expected, atol=2e-3)


def test_noise_gives_unit_scatter():
    rng = np.random.default_rng(2)
    correlation = autocorrelation(rng.standard_normal((50_000, 4)).astype(np.float32), 20_000)[1:]
    assert correlation.std() == pytest.approx(1, abs=0.05)
    assert np.abs(correlation).max() < 5.5  # 20,000 normal values reach 4.1


def test_a_hum_makes_no_cadence():
    """A fan with 41.7 blades a second: every multiple of 24 ms repeats, and so every long period seems to."""
    rng = np.random.default_rng(5)
    time = np.arange(int(600 / FRAME_S)) * FRAME_S
    clock = pulses(rng, 15.0, 600.0)
    humming = clock + (4 * np.sin(2 * np.pi * 41.7 * time)).astype(np.float32)[:, None]
    lags = 60_000

    def best(series, **known):
        periods, scores = score_periods(
            autocorrelation(series, lags, **known), FRAME_S, 4.0, 60.0, multiples=6, width=3
        )
        return strongest_cadences(periods, scores, 1)[0].period_s

    parts = [15.0 * times for times in (1, 2, 3, 4)]
    assert min(abs(best(humming) - part) for part in parts) > 0.05
    assert min(abs(best(humming, frame_s=FRAME_S) - part) for part in parts) < 0.02
    # nothing of a clock in a room without hums: its own lines, two in half a hertz, stay
    quiet, kept = autocorrelation(clock, lags), autocorrelation(clock, lags, frame_s=FRAME_S)
    np.testing.assert_allclose(kept, quiet, atol=1e-3)


def test_band_without_sound_takes_no_part():
    rng = np.random.default_rng(3)
    one = rng.standard_normal((2000, 1)).astype(np.float32)
    both = np.concatenate([one, np.zeros_like(one)], axis=1)
    np.testing.assert_array_equal(autocorrelation(one, 500), autocorrelation(both, 500))
    assert not autocorrelation(np.zeros((2000, 2), np.float32), 500).any()


@pytest.mark.parametrize("seed", range(4))
def test_noise_scores_like_a_normal_variable(seed):
    rng = np.random.default_rng(seed)
    correlation = autocorrelation(rng.standard_normal((75_000, 3)).astype(np.float32), 45_000)
    _, scores = score_periods(correlation, FRAME_S, 4.0, 20.0, multiples=6, width=1)
    assert scores.mean() == pytest.approx(0, abs=0.15)
    assert scores.std() == pytest.approx(1, abs=0.15)
    assert scores.max() < 5.6  # the score from which a period that nobody told is tried


@pytest.mark.parametrize("period_s", [6.0, 7.3461, 15.2])
def test_row_of_pulses_shows_its_period(period_s):
    rng = np.random.default_rng(11)
    correlation = autocorrelation(pulses(rng, period_s, 100 * period_s), 45_000)
    periods, scores = score_periods(correlation, FRAME_S, 4.0, 30.0, multiples=6, width=3)
    found = strongest_cadences(periods, scores, 6)
    assert found[0].score > 8
    # a whole multiple repeats as well as the period; within two frames over six periods
    assert found[0].period_s / period_s == pytest.approx(round(found[0].period_s / period_s), abs=2e-3)
    assert any(cadence.period_s == pytest.approx(period_s, abs=0.01) for cadence in found)


def test_strongest_are_apart_and_in_order():
    rng = np.random.default_rng(12)
    correlation = autocorrelation(pulses(rng, 6.0, 300), 45_000)
    found = strongest_cadences(*score_periods(correlation, FRAME_S, 4.0, 30.0, multiples=6, width=3), 8)
    scores = [cadence.score for cadence in found]
    assert scores == sorted(scores, reverse=True)
    for one in found:
        assert all(one is two or abs(one.period_s / two.period_s - 1) > 4.9e-4 for two in found)


def test_nothing_above_zero_gives_no_cadence():
    assert strongest_cadences(np.arange(4.0, 5.0, 0.1), np.full(10, -1.0), 3) == []


def test_a_fan_that_turns_to_and_fro_does_not_hide_the_ticks():
    """Noise that swells and fades by 19 dB every 29 s, as a fan that turns; a clock of 60 s in it."""
    rng = np.random.default_rng(13)
    series = pulses(rng, 30.0, 1500, height=0.0)
    time = np.arange(len(series)) * FRAME_S
    series[time % 30.0 < 0.012] += 6.0  # a tick: three frames
    series = np.maximum(series, 0) * (1 + 0.8 * np.sin(2 * np.pi * time / 29.0))[:, None].astype(np.float32)
    plain = autocorrelation(series, 30_000)
    best_s = []
    for correlation in (plain, of_short_sounds(plain)):
        periods, scores = score_periods(correlation, FRAME_S, 57.0, 63.0, multiples=6, width=3)
        best_s.append(float(periods[np.argmax(scores)]))
    assert best_s[0] == pytest.approx(2 * 29.0, abs=0.3)  # what it is for: the fan repeats best
    assert best_s[1] == pytest.approx(60.0, abs=0.01)
