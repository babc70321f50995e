"""Onset strength: the room is zero, its noise deviation is one, a tick rises and a voice does not."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.tracks.bands import STRONGEST, RoomFloor, rising

FRAMES, BANDS = 256, 4


def room(rng, chunks, scale=1e-6):
    """Band power of a quiet room: means of eight dozen squares, so nearly normal about its mean."""
    return [(scale * rng.gamma(12, 1 / 12, (FRAMES, BANDS))).astype(np.float32) for _ in range(chunks)]


def test_quiet_room_has_unit_deviation_about_zero():
    rng = np.random.default_rng(1)
    floor = RoomFloor()
    strength = np.concatenate([floor.strength(chunk)[0] for chunk in room(rng, 40)][10:])
    # 30 chunks of 1024 values: 0.005 of sampling error; the floor is the higher of two medians, so zero lies low
    assert -0.2 < np.median(strength) <= 0.05
    assert np.mean(strength < -1) == pytest.approx(0.16, abs=0.06)


def test_loudness_of_the_recording_does_not_matter():
    quiet, loud = RoomFloor(), RoomFloor()
    for chunk in room(np.random.default_rng(2), 12):
        low, high = quiet.strength(chunk)[0], loud.strength(chunk * np.float32(1024))[0]
        np.testing.assert_allclose(low, high, rtol=1e-4, atol=1e-4)


def test_tick_stands_out_by_its_own_power():
    rng = np.random.default_rng(3)
    floor = RoomFloor()
    for chunk in room(rng, 10):
        floor.strength(chunk)
    chunk = room(rng, 1)[0]
    chunk[100] += 50e-6
    strength, level, deviation = floor.strength(chunk)
    assert np.argmax(strength.sum(axis=1)) == 100
    np.testing.assert_allclose(strength[100], (chunk[100] / level - 1) / deviation, rtol=1e-5)
    np.testing.assert_allclose(level, 1e-6, rtol=0.2)


def test_lorry_raises_the_floor_and_not_the_strength():
    rng = np.random.default_rng(4)
    floor = RoomFloor()
    for chunk in room(rng, 10):
        floor.strength(chunk)
    strength = floor.strength(100 * room(rng, 1)[0])[0]
    assert np.median(strength) == pytest.approx(0, abs=0.3)
    assert strength.max() < 10  # against the quiet room's floor it would be some hundreds


def test_a_floor_that_falls_between_two_chunks_is_no_sound():
    """Automatic gain: each other chunk begins loud, and its floor with it; at its end the sound goes on as it is.

    Before the edge strength is 1.5 deviations low, of which `rising` counts half a one: a step would show as 0.5.
    """
    rng, floor = np.random.default_rng(7), RoomFloor()
    gain = np.where(np.arange(FRAMES) < 160, 1.8, 1.0)[:, None].astype(np.float32)
    parts = [chunk * gain if number % 2 == 0 else chunk for number, chunk in enumerate(room(rng, 200))]
    rises = rising(np.concatenate([floor.strength(part)[0] for part in parts]), 12.0).reshape(
        100, 2, FRAMES, BANDS
    )
    after, later = rises[10:, 1, :8].mean(), rises[10:, 1, 100:].mean()
    assert after < later + 0.1


def test_silence_has_no_strength():
    rng = np.random.default_rng(5)
    floor = RoomFloor()
    floor.strength(room(rng, 1)[0])
    chunk = room(rng, 1)[0]
    chunk[:100] = 0
    assert not floor.strength(chunk)[0][:100].any()
    assert not floor.strength(np.zeros((FRAMES, BANDS), np.float32))[0].any()


def test_strength_fits_half_precision():
    chunk = room(np.random.default_rng(6), 1)[0]
    chunk[50] = 1.0
    strength = RoomFloor().strength(chunk)[0]
    assert strength.max() == STRONGEST
    assert np.isfinite(strength.astype(np.float16)).all()


def test_steady_sound_does_not_rise():
    strength = np.full((200, BANDS), 7.0, np.float32)
    np.testing.assert_allclose(rising(strength, 12.0)[10:], 0, atol=1e-5)


def test_onset_rises_by_its_height_and_then_counts_as_background():
    strength = np.zeros((200, 1), np.float32)
    strength[100:] = 5.0
    up = rising(strength, 12.0)[:, 0]
    assert not up[:100].any()
    np.testing.assert_allclose(up[100:102], 5.0)
    np.testing.assert_allclose(up[115:], 0, atol=1e-5)


def test_bang_is_cut_off():
    strength = np.zeros((100, 1), np.float32)
    strength[50] = 20_000
    assert rising(strength, 12.0).max() == 12.0
    assert strength[50] == 20_000  # what was given is left as it was
