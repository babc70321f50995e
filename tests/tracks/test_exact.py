"""Exact times against what no method can beat, and against places that are known."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.theory.edges import BEFORE, edge_of
from torsionbeat.tracks.bands import LEVEL_AT_FULL_SCALE, POOLED_FRAMES, plan_bands
from torsionbeat.tracks.exact import (
    _beside_another,
    _edge_uncertainty,
    _likeness,
    _mean_profile,
    laid_anywhere,
    match,
)
from torsionbeat.tracks.fine_power import FinePower

RATE_HZ = 16_000
NOISE = 0.01
WIDTH_S = 0.002
CARRIER_HZ = 2700.0


def bursts(seed, energy_ratio, count=150, apart_s=0.25):
    """A known waveform at known times in white noise: (sound, times in s).

    Gaussian envelope exp(-t^2 / (2 WIDTH_S^2)); ``energy_ratio`` is its energy over that of a noise sample.
    """
    rng = np.random.default_rng(seed)
    times = 0.5 + apart_s * np.arange(count) + rng.uniform(-0.0005, 0.0005, count)
    sound = NOISE * rng.standard_normal(int((times[-1] + 1) * RATE_HZ))
    grid = np.arange(len(sound)) / RATE_HZ
    for time in times:
        near = np.abs(grid - time) < 6 * WIDTH_S
        away = grid[near] - time
        wave = np.exp(-(away**2) / (2 * WIDTH_S**2)) * np.cos(2 * np.pi * CARRIER_HZ * away)
        sound[near] += NOISE * np.sqrt(energy_ratio) * wave / np.sqrt(np.sum(wave**2))
    return sound.astype(np.float32), times


def fine_of(chapter):
    return FinePower(chapter.levels, chapter.floors, None)


def places_of(times):
    plan = plan_bands(RATE_HZ)
    return np.rint((times - plan.frame_middle_s - WIDTH_S) / plan.frame_s).astype(np.int64)


@pytest.mark.parametrize("energy_ratio", [300.0, 1000.0, 3000.0])
def test_scatter_lies_between_the_coherent_bound_and_a_few_envelope_bounds(chapter_of, energy_ratio):
    """Cramer-Rao bound of the arrival time of a known waveform in white noise.

    u = 1 / (F sqrt(E / sigma^2)) with F^2 the mean square bandwidth, in (rad/s)^2: of the whole waveform where
    its phase is known, of its envelope, 1 / (2 s^2) for a Gaussian one, where it is not. S. M. Kay, Fundamentals
    of Statistical Signal Processing: Estimation Theory (1993), example 3.13 (range estimation); from memory.
    """
    sound, times = bursts(1, energy_ratio)
    found = match(fine_of(chapter_of(sound)), places_of(times), 12, prior_frames=4.0)
    scatter_s = plan_bands(RATE_HZ).frame_s * np.std(
        found.frames - times / plan_bands(RATE_HZ).frame_s, ddof=2
    )
    envelope = 1 / (2 * WIDTH_S**2)
    coherent_s = 1 / np.sqrt(energy_ratio * (envelope + (2 * np.pi * CARRIER_HZ) ** 2))
    envelope_s = 1 / np.sqrt(energy_ratio * envelope)
    assert scatter_s > coherent_s
    # Windows of 1.5 ms lose by smoothing, squares in two wide bands by noise that does not touch the burst:
    # together below three. 150 bursts know the scatter to 6 %.
    assert scatter_s < 3 * envelope_s


def test_twice_the_loudness_halves_the_scatter(chapter_of):
    scatter = []
    for energy_ratio in (400.0, 1600.0):
        sound, times = bursts(2, energy_ratio)
        found = match(fine_of(chapter_of(sound)), places_of(times), 12)
        scatter.append(np.std(found.frames - times / plan_bands(RATE_HZ).frame_s))
    # half, or less where weak bursts are drawn away by noise; 150 bursts know the ratio to 8 %
    assert 0.25 < scatter[1] / scatter[0] < 0.65


def test_evidence_tells_a_sound_from_none(chapter_of):
    sound, times = bursts(3, 1000.0)
    fine = fine_of(chapter_of(sound))
    found = match(fine, places_of(times), 12)
    away, likeness = laid_anywhere(fine, places_of(times[:-1] + 0.125), 12, found.profile, None)
    assert found.evidence.min() > away.max()
    assert found.likeness.min() > likeness.max()
    assert np.median(found.likeness) > 0.8


def test_rough_places_may_be_off(chapter_of):
    """Places up to 3 ms off give the same times as good ones."""
    sound, times = bursts(4, 3000.0)
    fine, rng = fine_of(chapter_of(sound)), np.random.default_rng(4)
    good = match(fine, places_of(times), 12)
    rough = match(fine, places_of(times) + rng.integers(-6, 7, len(times)), 14)
    difference = rough.frames - good.frames
    assert np.std(difference) < 0.1  # 50 us; a common shift is the profile's and taken back by the edge
    assert np.mean(rough.frames + rough.edge) == pytest.approx(np.mean(good.frames + good.edge), abs=0.3)


def profile(start, rise, decay=12.0, bands=3):
    frames = np.arange(80.0)
    after = np.maximum(frames - start, 0)
    shape = -np.expm1(-after / rise) * np.exp(-after / decay)
    return np.repeat((20 * shape**2)[:, None], bands, axis=1).astype(np.float32)


def test_level_is_decibels_above_the_room():
    levels = np.full((2048 * 2, 2), LEVEL_AT_FULL_SCALE - 120, np.uint8)  # 60 dB below full scale
    levels[1000:1010] = LEVEL_AT_FULL_SCALE - 80
    fine = FinePower(levels, np.full((2, 2), 1e-6, np.float32), None)
    np.testing.assert_allclose(fine.level_db(np.array([995, 3000])), [20.0, 0.0], atol=0.01)


def test_another_clock_is_part_of_the_room():
    levels = np.full((2048, 1), LEVEL_AT_FULL_SCALE - 120, np.uint8)
    added = np.zeros((256, 1), np.float16)
    added[100] = 3.0
    fine = FinePower(levels, np.full((1, 1), 1e-6, np.float32), added)
    window = fine.windows(np.array([804]), 0)[0, :, 0]
    np.testing.assert_allclose(window[BEFORE - 4 : BEFORE + 4], 0.25, rtol=1e-3)
    np.testing.assert_allclose(window[BEFORE + 4 :], 1.0, rtol=1e-3)


def test_outside_the_sound_is_the_room():
    levels = np.full((2048, 1), 100, np.uint8)
    window = FinePower(levels, np.full((1, 1), 1e-9, np.float32), None).windows(np.array([0]), 0)
    np.testing.assert_array_equal(window[0, :BEFORE], 1)


def test_uncertainty_of_the_edge_is_the_jackknife_s():
    """Root of n - 1 deviations, eight parts left out in turn (B. Efron, 1982, from memory), by the median."""
    rng = np.random.default_rng(3)
    laid = 1 + profile(24.3, 1.0)[None] * rng.gamma(20, 1 / 20, (64, 1, 1)) + rng.normal(0, 0.4, (64, 80, 3))
    laid = laid.astype(np.float32)
    strength = np.ones(64, np.float32)
    edges = np.array(
        [
            edge_of(_mean_profile(laid[np.arange(64) % 8 != part], strength[np.arange(64) % 8 != part]))
            for part in range(8)
        ]
    )
    assert np.std(edges) > 0
    by_median = 1.4826 * np.median(np.abs(edges - np.median(edges)))
    assert _edge_uncertainty(laid, strength) == pytest.approx(np.sqrt(7) * by_median, rel=1e-4)
    assert _edge_uncertainty(laid[:7], strength[:7]) == 1.0  # too few to leave any out: a frame


def test_uncertainty_of_the_edge_is_no_less_than_the_scatter_of_many():
    """Sixty mean sounds of one clock, each of 64 noisy beats: how far their edges scatter, and what each said of it."""
    edges, told = [], []
    for seed in range(60):
        rng = np.random.default_rng([seed, 4])
        laid = (1 + profile(24.3, 1.0)[None] + rng.normal(0, 0.2, (64, 80, 3))).astype(np.float32)
        strength = np.ones(64, np.float32)
        edges.append(edge_of(_mean_profile(laid, strength)))
        told.append(_edge_uncertainty(laid, strength))
    # A standard deviation of 60 values is known to 9 %; one of eight parts to a quarter, their mean to 4 %.
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(np.std(edges), rel=0.35)


def test_a_sound_on_another_clocks_tick_keeps_its_evidence(chapter_of):
    """Where another clock may add much and adds little, the sound is there all the same: it is a second source."""
    sound, times = bursts(4, 3000.0)
    chapter = chapter_of(sound)
    added = np.zeros((len(chapter.levels) // POOLED_FRAMES, chapter.levels.shape[1]), np.float16)
    plain = match(FinePower(chapter.levels, chapter.floors, added), places_of(times), 12)
    for place in places_of(times)[::3] // POOLED_FRAMES:
        added[place - 2 : place + 3] = 400.0
    beside = match(FinePower(chapter.levels, chapter.floors, added), places_of(times), 12)
    assert beside.evidence[::3].min() > 30
    assert np.median(np.abs(beside.frames - plain.frames)[::3]) < 1.0


def test_profile_and_times_do_not_creep(chapter_of):
    """A sound that rings longer than the profile is wide draws both later, all beats alike; the search's end is not reached."""
    rng = np.random.default_rng(6)
    times = 0.5 + 0.5 * np.arange(30) + rng.uniform(-0.001, 0.001, 30)
    sound = 0.003 * rng.standard_normal(int(16 * RATE_HZ))
    grid = np.arange(len(sound)) / RATE_HZ
    for time in times:
        near = (grid >= time) & (grid < time + 0.2)
        away = grid[near] - time
        sound[near] += (
            0.2 * (1 - np.exp(-away / 0.015)) * np.exp(-away / 0.05) * rng.standard_normal(near.sum())
        )
    fine = fine_of(chapter_of(sound.astype(np.float32)))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = match(fine, places, 6, prior_frames=2.0)
    assert np.mean(np.abs(found.frames - places) > 5.4) < 0.1


def test_likeness_is_one_for_the_sound_itself_and_zero_for_another():
    """The cosine between a beat and the mean sound, both in logarithms."""
    mean = profile(24.0, 1.0)
    other = np.zeros_like(mean)
    other[60:70] = 5.0
    early = mean.copy()
    early[60:] = 0.0
    found = _likeness(np.stack([1 + mean, 1 + 3 * mean, 1 + other]), early)
    assert found[0] == pytest.approx(1.0, abs=0.01)
    assert 0.9 < found[1] < 1.0
    assert found[2] == 0.0


def test_beside_another_clock_every_shift_explains_the_whole_window():
    """By the formula, shift by shift: head before, profile, tail behind, each on the room with the best share of the tick."""
    rng = np.random.default_rng(2)
    sound = profile(24.0, 1.0)
    sound[:4], sound[-4:] = 2.0, 0.5
    head, tail = sound[:4].mean(axis=0), sound[-4:].mean(axis=0)
    search = 15
    power = rng.exponential(1.0, (80 + 2 * search, 3)).astype(np.float32)
    added = np.zeros_like(power)
    added[30:50] = 40.0
    power[30:50] *= 1 + 0.3 * added[30:50]
    power[20:100] += 2 * sound
    gained, which = _beside_another(power, added, sound, (head, tail))
    rooms = [1 + share * added for share in (0.03, 0.1, 0.3, 1.0)]
    silent = min(float(np.sum(np.log(room) + power / room)) for room in rooms)
    best, loudest = np.full(2 * search + 1, -np.inf), -1
    for room in rooms:
        for number, loudness in enumerate((0.25, 0.5, 1.0, 2.0, 4.0)):
            for shift in range(len(best)):
                mean = room.copy()
                mean[:shift] += loudness * head
                mean[shift : shift + 80] += loudness * sound
                mean[shift + 80 :] += loudness * tail
                explained = silent - float(np.sum(np.log(mean) + power / mean))
                loudest = number if explained > best.max() else loudest
                best[shift] = max(best[shift], explained)
    # the best pair of levels serves all shifts, every third of which is tried with all of them
    assert gained.max() == pytest.approx(best.max(), rel=1e-4)
    assert int(gained.argmax()) == int(best.argmax())
    np.testing.assert_allclose(gained[::3], best[::3], rtol=1e-3, atol=0.05)
    assert np.all(which == loudest)
