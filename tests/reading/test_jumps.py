"""Jumps: named with time and size where the clock or the recorder jumped, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.reading.jumps import _extrapolated, _jump, _peaks, find_jumps
from torsionbeat.twin import Balance, BeatShift, CaseKnock, Drive, Escapement, TwinClock

NOISE_S = 0.0005
HALF_S = 20 * 60.0


def middles(seed, *changes, period_s=15.0):
    """Numbers and middles of the beats of 40 min, with event noise: what an ideal listener would hand on."""
    twin = TwinClock(
        balance=Balance(period_s, q=300),
        escapement=Escapement(lift_deg=20.0, offset_deg=1.5),
        drive=Drive(arc_deg=300.0, wander_percent=1.0),
        start_s=-1.0,
        changes=changes,
    )
    beats, _ = twin.run(2 * HALF_S, seed)
    rng = np.random.default_rng([seed, 9])
    time = np.array([beat.middle_s for beat in beats]) + NOISE_S * rng.standard_normal(len(beats))
    return np.array([beat.number for beat in beats]), time, beats


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("period_s", [15.0, 60.0])
def test_clear_clock_never_jumps(seed, period_s):
    number, time, _ = middles(seed, period_s=period_s)
    assert find_jumps(number, time, period_s / 2) == []


@pytest.mark.parametrize("seed", range(4))
def test_slipped_beat_setting(seed):
    number, time, beats = middles(seed, BeatShift(HALF_S, 4.0))
    (jump,) = find_jumps(number, time, 7.5)
    assert jump.time_s == pytest.approx(HALF_S, abs=22.5)  # three beats
    # beat error of an offset: T / pi * asin(offset / A), from the arc of the twin's own beats
    arc = np.median([beat.arc_deg for beat in beats])
    shift = 15.0 / np.pi * (np.arcsin(5.5 / (arc / 2)) - np.arcsin(1.5 / (arc / 2)))
    assert abs(jump.beat_error_s) == pytest.approx(shift, abs=0.01)
    assert abs(jump.phase_s) < 0.3 * abs(jump.beat_error_s)


@pytest.mark.parametrize("seed", range(4))
def test_knocked_case(seed):
    number, time, _ = middles(seed, CaseKnock(HALF_S + 7.0, angle_deg=12.0, speed_deg_per_s=8.0))
    plain = middles(seed)[1]
    jumps = find_jumps(number, time, 7.5)
    assert len(jumps) == 1
    assert jumps[0].time_s == pytest.approx(HALF_S + 7.0, abs=15.0)
    # size: what the same clock without the knock did in the ten beats about it
    at = int(np.searchsorted(time, HALF_S + 7.0))
    away = (time - plain)[at + 1 : at + 8].mean() - (time - plain)[at - 8 : at - 1].mean()
    assert jumps[0].phase_s == pytest.approx(away, abs=max(0.2 * abs(away), 0.01))


@pytest.mark.parametrize("lost_s", [16.0, 2.0, 0.1])
@pytest.mark.parametrize("seed", [1, 2])
def test_lost_samples(seed, lost_s):
    number, time, _ = middles(seed)
    time = np.where(time < HALF_S, time, time - lost_s)
    (jump,) = find_jumps(number, time, 7.5)
    assert jump.time_s == pytest.approx(HALF_S - lost_s, abs=15.0 + lost_s)
    assert jump.phase_s == pytest.approx(-lost_s, abs=0.01)
    assert abs(jump.beat_error_s) < 0.01


def test_two_jumps_in_order_of_time():
    number, time, _ = middles(3)
    time = time + 0.5 * (number > 90) - 0.3 * (number > 220)
    first, last = find_jumps(number, time, 7.5)
    assert (first.before, first.after) in ((89, 91), (90, 92))
    assert first.phase_s == pytest.approx(0.5, abs=0.02)
    assert last.phase_s == pytest.approx(-0.3, abs=0.02)
    assert first.time_s < last.time_s


def test_missed_beats_are_no_jump():
    number, time, _ = middles(4)
    kept = np.ones(len(number), bool)
    kept[100:117] = kept[30] = kept[31] = False
    assert find_jumps(number[kept], time[kept], 7.5) == []


def test_too_few_beats_to_tell():
    number, time, _ = middles(5)
    assert find_jumps(number[:12], time[:12] + 0.5 * (number[:12] > 6), 7.5) == []


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("noise_s", [0.001, 0.005])
def test_a_rate_that_is_off_and_noisy_beats_are_no_jump(seed, noise_s):
    """Each beat 4 ms later than the rough half period says: carried to the same place, both sides of it agree."""
    number = np.arange(200)
    time = (
        7.504 * number
        + 0.05 * (number % 2)
        + noise_s * np.random.default_rng([seed, 10]).standard_normal(200)
    )
    assert find_jumps(number, time, 7.5) == []


def test_a_line_is_carried_to_just_beyond_the_beats_it_goes_through():
    number = np.array([10, 12, 14, 16])
    assert _extrapolated(number, 0.5 + 0.01 * number, 17.0) == pytest.approx(0.67)
    assert _extrapolated(number[:3], 0.5 + 0.01 * number[:3], 9.0) == pytest.approx(0.59)
    assert _extrapolated(number[:2], np.array([1.0, 3.0]), 17.0) == 2.0  # two tell no slope


def test_a_jump_is_of_the_medians_of_both_sides_about_it():
    """Both sides later by 0.4 s, side b by 0.1 s more: the beat error goes up by a tenth."""
    number = np.arange(40)
    residual = np.where(number >= 20, 0.4 + 0.1 * (number % 2), 0.0)
    jump = _jump(number, 7.5 * number + residual, residual, 18, 20)
    assert (jump.before, jump.after) == (18, 20)
    assert jump.time_s == pytest.approx(7.5 * 20 + 0.4)
    assert (jump.phase_s, jump.beat_error_s) == (pytest.approx(0.45), pytest.approx(0.1))
    late = np.where(number >= 21, 1.0, 0.0)  # side b's beat 19 is before the jump, 21 behind it
    assert _jump(number, 7.5 * number, late, 19, 21).phase_s == pytest.approx(1.0)


def test_peaks_are_apart_and_high_enough():
    score = np.zeros(80)
    score[[10, 12, 40, 70]] = [500.0, 499.0, 300.0, 1e-3]
    assert _peaks(score) == [10, 40]
