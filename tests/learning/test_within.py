"""How the rate wanders within a recording: Allan deviation of four parts, and the noise of single sounds."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.learning.within import within_of_rates, within_recording

PERIOD_S = 15.0


def beats(rates_s_per_day, count=64, noise_s=1e-4, seed=1):
    """Beats of parts of equal length whose rates differ."""
    per = count // len(rates_s_per_day)
    half = np.concatenate([np.full(per, PERIOD_S / 2 / (1 + rate / 86_400)) for rate in rates_s_per_day])
    time = np.concatenate([[0.0], np.cumsum(half)[:-1]])
    return time + np.random.default_rng(seed).normal(0, noise_s, len(time)), np.arange(len(time))


def test_the_deviation_is_allans_of_the_rates():
    found = within_of_rates(np.array([1.0, 3.0, 1.0, 3.0]), np.array([0.3, 0.4, 0.0, 0.0]), 900.0)
    assert found.deviation_s_per_day == pytest.approx(np.sqrt(2.0))  # half of the mean square of steps of 2
    assert found.noise_s_per_day == pytest.approx(0.25)  # root of (0.09 + 0.16) / 4
    assert (found.tau_s, found.freedom) == (900.0, 2.0)
    assert within_of_rates(np.array([1.0, 3.0]), np.zeros(2), 1.0).freedom == pytest.approx(2 / 3)


def test_parts_of_a_recording_are_compared():
    rates = [0.0, 60.0, 0.0, 60.0]
    time, number = beats(rates, count=256)
    found = within_recording(time, number, PERIOD_S)
    assert found.deviation_s_per_day == pytest.approx(
        60 / np.sqrt(2), rel=0.1
    )  # parts are cut by time, not by beats
    assert found.tau_s == pytest.approx(256 * PERIOD_S / 8, rel=0.01)
    # 64 beats of 0.1 ms and 7.5 s: sigma sqrt(12 / n^3) a beat, twice that a period, over the period
    expected = 86_400 * 2 * 1e-4 * np.sqrt(12 / 64**3) / PERIOD_S
    assert found.noise_s_per_day == pytest.approx(expected, rel=0.2)


@pytest.mark.parametrize(("count", "there"), [(64, True), (63, False)])
def test_sixteen_beats_a_part_are_needed(count, there):
    time, number = beats([0.0], count=count)
    assert (within_recording(time, number, PERIOD_S) is not None) == there


def test_a_part_that_is_nearly_empty_says_nothing():
    time, number = beats([0.0], count=128)
    hole = (number >= 40) & (number < 60)
    assert within_recording(time[~hole], number[~hole], PERIOD_S) is None


def test_a_beat_that_came_twice_counts_once():
    time, number = beats([0.0], count=96)
    twice = np.concatenate([time, time[10:20]]), np.concatenate([number, number[10:20]])
    assert within_recording(*twice, PERIOD_S) == within_recording(time, number, PERIOD_S)
