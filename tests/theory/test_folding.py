"""Folding: places, contrasts, powers, and the chances that are stated for them."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory import folding


def test_steps_of_a_turn_that_is_no_whole_number_keep_their_places():
    beat = np.arange(2570)
    place, places = folding.fold_places(beat, 257.142857)
    assert places == 257
    assert place[0] == 0 == place[1800]  # seven turns are 1800 beats
    assert np.bincount(place, minlength=places).min() >= 9


def test_a_turn_of_one_step_is_refused():
    with pytest.raises(InputError, match="at least 2"):
        folding.fold_places(np.arange(3), 1.5)


def test_folded_means_are_those_of_the_places():
    place, places = folding.fold_places(np.arange(6), 3)
    mean, count = folding.folded_mean(np.array([1.0, 2.0, np.nan, 3.0, 4.0, np.nan]), place, places)
    assert mean[:2].tolist() == [2.0, 3.0]
    assert np.isnan(mean[2])
    assert count.tolist() == [2, 2, 0]


def test_scores_have_variance_one_and_cut_a_bang_off():
    rng = np.random.default_rng(1)
    values = rng.normal(5, 2, 4000)
    values[7] = 1e6
    scores = folding.bounded_scores(values)
    assert np.mean(scores**2) == pytest.approx(1, rel=1e-12)
    assert scores[7] == scores.max() < 3.1
    # Normal values cut at 3 sigma lose half a per cent of their spread: scores are the standard ones to that.
    assert np.corrcoef(scores[8:], values[8:])[0, 1] > 0.998


def test_equal_values_have_no_scores():
    assert folding.bounded_scores(np.array([2.0, 2.0, 2.0, np.nan]))[:3].tolist() == [0, 0, 0]


def test_a_single_odd_value_stands_out_and_a_step_does_not():
    row = np.zeros(40)
    row[20:] = 6.0
    row[10] -= 4.0
    contrast = folding.against_neighbours(row, 4)
    assert contrast[10] == -4.0
    assert np.all(np.delete(contrast, 10) == 0)


def test_neighbours_that_are_missing_at_the_ends_are_done_without():
    contrast = folding.against_neighbours(np.array([9.0, 1.0, 1.0, 1.0, 1.0]), 2)
    assert contrast.tolist() == [8.0, 0.0, 0.0, 0.0, 0.0]


def test_a_straight_line_leaves_no_contrast():
    row = 3.0 + 0.25 * np.arange(30.0)
    row[12] += 1.0
    contrast = folding.against_line(row, 4)
    inner = contrast[4:-4]
    assert inner[8] == pytest.approx(1.0)
    assert np.abs(np.delete(inner, 8)).max() < 1e-12


def test_a_step_is_its_height():
    row = np.where(np.arange(40) >= 17, 2.5, 0.5)
    found = folding.steps(row, 5)
    assert np.nanargmax(found) == 17
    assert found[17] == 2.0
    assert np.isnan(found[:5]).all()


def test_power_of_white_noise_is_its_variance_and_of_a_sine_the_square_of_its_height():
    rng = np.random.default_rng(2)
    n = 600
    power = [
        folding.sine_power(folding.tapered(rng.normal(0, 1.7, n)), cycles)
        for cycles in np.linspace(20, 280, 800)
    ]
    assert np.mean(power) == pytest.approx(
        1.7**2, rel=0.15
    )  # 800 exponential values: 3.5 % each way, times four
    wave = 0.8 * np.cos(2 * np.pi * 31.0 * np.arange(n) / n)
    # Hann: the sum of the window squared over its square sum leaves 2 / 3 of n / 4 times the height squared.
    assert folding.sine_power(folding.tapered(wave), 31.0) == pytest.approx(0.8**2 * n / 4 / 1.5, rel=1e-3)


@pytest.mark.parametrize("slope", [0.0, -2.0])
def test_the_background_follows_the_noise_and_leaves_the_line_out(slope):
    rng = np.random.default_rng(3)
    ratios, n = [], 1000
    for _ in range(60):
        spectrum = np.fft.rfft(rng.normal(size=n))
        spectrum[1:] *= np.arange(1, len(spectrum)) ** (slope / 2)
        noise = np.fft.irfft(spectrum, n)
        line = 5.0 * noise.std() * np.cos(2 * np.pi * 40 * np.arange(n) / n)
        quiet, free = folding.background_power(folding.tapered(noise), 40.0)
        loud, _ = folding.background_power(folding.tapered(noise + line), 40.0)
        assert loud == pytest.approx(quiet, rel=0.3)
        ratios.append(folding.sine_power(folding.tapered(noise), 40.0) / quiet)
        assert free > 50
    assert np.mean(ratios) == pytest.approx(1.0, rel=0.5)  # 60 exponential values: 13 % each way, times four


def test_a_row_too_short_for_its_neighbourhood_has_no_background():
    assert folding.background_power(folding.tapered(np.arange(6.0)), 1.0) == (0.0, 0.0)


def test_of_one_trial_the_false_alarm_is_its_chance():
    assert folding.false_alarm(0.3, 1) == pytest.approx(0.3)
    assert folding.false_alarm(0.0, 1e6) == 0
    assert folding.false_alarm(1.0, 5) == 1
    assert folding.false_alarm(1e-12, 1e5) == pytest.approx(1e-7, rel=1e-6)


@pytest.mark.parametrize(("chance", "trials"), [(-0.1, 1), (1.1, 1), (0.5, 0.5), (float("nan"), 1)])
def test_chances_that_are_none_are_refused(chance, trials):
    with pytest.raises(InputError, match="give 0 to 1, and at least 1 trial"):
        folding.false_alarm(chance, trials)


def ticking(seed, interval_s, height, beats=960, width=0.04):
    """Give scores of beats 30.07 s apart, higher where something of an interval ticks, and which those are."""
    rng = np.random.default_rng(seed)
    time_s = 30.07 * np.arange(beats)
    on = np.mod(time_s / interval_s + rng.random(), 1.0) < width
    return folding.bounded_scores(rng.normal(size=beats) + height * on), time_s, on


@pytest.mark.parametrize("off", [0.0, 5e-5, -1.5e-4])
def test_where_another_clock_ticks_is_found_though_its_interval_is_told_wrong(off):
    scores, time_s, on = ticking(1, 0.83, 4.0)
    hit = folding.where_it_ticks(scores, time_s, 0.83 * (1 + off), 2e-4)
    assert hit[on].mean() > 0.9
    assert hit[~on].mean() < 0.2  # the neighbouring phases too: up to five of 32


def test_without_ticks_nothing_is_left_out():
    hits = [folding.where_it_ticks(*ticking(seed, 0.83, 0.0)[:2], 0.83, 2e-4).any() for seed in range(60)]
    assert sum(hits) <= 1  # stated: once in a thousand


def test_a_phase_by_turns_is_steady_and_even_phases_are_not():
    by_turns = 0.5 * np.arange(24.0) + 7.0 * np.arange(24)
    assert folding.steady_phase(by_turns, 1.0)
    rng = np.random.default_rng(2)
    steady = [folding.steady_phase(rng.uniform(0, 900, 24), 1.0) for _ in range(1000)]
    assert sum(steady) <= 10  # three multiples at one in a thousand: 3 expected, 4 sigma above


def test_a_few_moments_show_no_steady_phase():
    assert not folding.steady_phase(np.array([1.0, 2.0, 3.0, 4.0]), 1.0)


def test_a_wave_is_alone_and_a_single_place_has_overtones():
    step = np.arange(960)
    rng = np.random.default_rng(4)
    noise = 0.2 * rng.normal(size=960)
    assert folding.is_wave_alone(noise + np.sin(2 * np.pi * step / 30), 30.0)
    assert not folding.is_wave_alone(noise + 3.0 * (step % 30 == 7), 30.0)


def test_a_fitted_wave_is_the_wave_of_each_side():
    step = np.arange(300)
    row = np.where(step % 2, 0.5, 2.0) * np.cos(2 * np.pi * step / 25) + np.where(step % 2, 7.0, 0.0)
    row[17] = np.nan
    course, heights = folding.fitted_wave(row, 25.0)
    assert heights == pytest.approx(np.array([[2.0, 0.5], [0.0, 0.0]]), abs=1e-9)
    assert np.nanstd(row - course - np.where(step % 2, 7.0, 0.0)) < 1e-9
