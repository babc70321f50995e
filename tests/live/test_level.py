"""Loudness of a second: a full-scale sine is -3 dB in the mean and 0 in the peak, whatever blocks it comes in."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.live.level import Level, LevelMeter

RATE = 8000


def sine(amplitude, channels=1):
    phase = 2 * math.pi * 100 * np.arange(RATE) / RATE
    return (amplitude * np.sin(phase)).astype(np.float32)[:, None].repeat(channels, 1)


@pytest.mark.parametrize("block", [RATE, 512, 7])
def test_a_sine_has_its_mean_3_db_below_its_peak(block):
    meter = LevelMeter.of(RATE)
    sound = sine(0.5)
    shown = [meter.level for start in range(0, RATE, block) if meter.take(sound[start : start + block])]
    assert len(shown) == 1
    # 20 lg 0.5 = -6.02 dB; the mean square of a sine is half its peak's (3.01 dB).
    assert shown[0].peak_db == pytest.approx(-6.02, abs=0.01)
    assert shown[0].rms_db == pytest.approx(-9.03, abs=0.01)
    assert not shown[0].clipped


def test_the_loudest_channel_is_shown_and_a_new_second_begins_anew():
    meter = LevelMeter(RATE)
    assert meter.level == Level(-math.inf, -math.inf, False)
    sound = sine(0.5, 2)
    sound[:, 1] *= 0.1
    assert meter.take(sound)
    assert meter.level.rms_db == pytest.approx(-9.03, abs=0.01)
    assert not meter.take(np.zeros((RATE - 1, 2), np.float32))
    assert meter.take(np.zeros((1, 2), np.float32))
    assert meter.level == Level(-math.inf, -math.inf, False)


@pytest.mark.parametrize(("peak", "clipped"), [(0.97, False), (0.98, True), (-0.98, True)])
def test_a_sample_at_the_limit_is_told_of_either_sign(peak, clipped):
    meter = LevelMeter(10)
    sound = np.zeros((10, 1), np.float32)
    sound[3] = peak
    assert meter.take(sound)
    assert meter.level.clipped is clipped
    assert meter.level.peak_db == pytest.approx(20 * math.log10(abs(peak)), abs=1e-4)


def test_what_is_no_number_counts_as_silence():
    meter = LevelMeter(4)
    assert meter.take(np.array([[math.nan], [0.5], [0.5], [math.nan]], np.float32))
    assert meter.level.rms_db == pytest.approx(20 * math.log10(0.5) - 3.01, abs=0.01)
