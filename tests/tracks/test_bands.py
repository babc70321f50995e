"""Band levels: power held against an independent band-pass, hum kept out, blocks without influence."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from torsionbeat.errors import InputError
from torsionbeat.tracks.bands import (
    CHUNK_FRAMES,
    POOLED_FRAMES,
    POWER_OF_LEVEL,
    BandEar,
    ChannelEar,
    RoomFloor,
    plan_bands,
    power_of,
)

RATE_HZ = 48_000


def pooled(sound, rate_hz=RATE_HZ):
    plan = plan_bands(rate_hz)
    frames = -(-len(sound) // plan.chunk_samples) * CHUNK_FRAMES
    whole = np.zeros((frames + 2) * plan.hop, np.float32)
    whole[: len(sound)] = sound
    return power_of(whole, plan).reshape(-1, POOLED_FRAMES, plan.bands).mean(axis=1)


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_frames_last_half_a_millisecond_at_any_rate(rate_hz):
    plan = plan_bands(rate_hz)
    # A whole number of samples: at 8 kHz that is 4 of 125 us, at 22.05 kHz 11 of 45 us
    assert plan.frame_s == pytest.approx(0.0005, abs=0.5 / rate_hz)
    assert plan.bands == len(plan.edges_hz) - 1 >= 2
    assert np.all(np.diff(plan.edges_hz) > 0)
    assert plan.edges_hz[-1] <= rate_hz / 2
    np.testing.assert_allclose(
        plan.kernels.reshape(3 * plan.hop, -1).astype(float).T ** 2 @ np.ones(3 * plan.hop), 1, rtol=1e-5
    )


@pytest.mark.parametrize("rate_hz", [0.0, 5_000.0, 7_999.0, 500_000.0])
def test_rates_that_cannot_be_heard_with(rate_hz):
    with pytest.raises(InputError, match=f"sample rate is {rate_hz:g} Hz; 8000 to 384000 Hz"):
        plan_bands(rate_hz)


def test_power_of_coloured_noise_is_what_an_independent_band_pass_finds():
    """Parseval: mean power in a band is the same by our windows and by scipy's Butterworth filter squared."""
    rng = np.random.default_rng(1)
    # falls by about 18 dB from 1 to 15 kHz, as a workshop's noise does
    sound = signal.lfilter([0.02], [1, -0.9], rng.standard_normal(20 * RATE_HZ))
    plan = plan_bands(RATE_HZ)
    ours = pooled(sound)[8:-300].mean(axis=0)
    for band, (low, high) in enumerate(zip(plan.edges_hz[:-1], plan.edges_hz[1:], strict=True)):
        sos = signal.butter(6, [low, high], "bandpass", fs=RATE_HZ, output="sos")
        density = np.mean(signal.sosfilt(sos, sound) ** 2) / ((high - low) / (RATE_HZ / 2))
        expected = density / (3 * plan.hop)
        # 1.5 ms windows blur the edges by about 700 Hz: with this slope that is at most 1 dB in the narrowest band
        assert 10 * np.log10(ours[band] / expected) == pytest.approx(0, abs=1.0)


def test_power_follows_a_burst_as_an_independent_band_pass_does():
    rng = np.random.default_rng(2)
    sound = 1e-3 * rng.standard_normal(10 * RATE_HZ)
    time = np.arange(int(0.2 * RATE_HZ)) / RATE_HZ
    for start in np.arange(0.5, 9.5, 0.37):
        at = int(start * RATE_HZ)
        sound[at : at + len(time)] += 0.05 * np.exp(-time / 0.02) * np.sin(2 * np.pi * 4500 * time)
    plan = plan_bands(RATE_HZ)
    band = int(np.searchsorted(plan.edges_hz, 4500)) - 1
    sos = signal.butter(4, plan.edges_hz[band : band + 2], "bandpass", fs=RATE_HZ, output="sos")
    square = signal.sosfiltfilt(sos, sound) ** 2
    step = POOLED_FRAMES * plan.hop
    theirs = (
        square[plan.hop // 2 : plan.hop // 2 + len(square) // step * step - step]
        .reshape(-1, step)
        .mean(axis=1)
    )
    ours = pooled(sound)[: len(theirs), band]
    assert np.corrcoef(ours, theirs)[0, 1] > 0.98


@pytest.mark.parametrize("hum_hz", [50.0, 60.0, 100.0])
def test_hum_is_kept_out(hum_hz):
    """Hum as strong as a tone within a band comes out at least 60 dB below it in every band."""
    time = np.arange(5 * RATE_HZ) / RATE_HZ
    plan = plan_bands(RATE_HZ)
    hum = pooled(0.5 * np.sin(2 * np.pi * hum_hz * time))[4:-300]
    middles = (np.array(plan.edges_hz[:-1]) + np.array(plan.edges_hz[1:])) / 2
    for band, middle in enumerate(middles):
        tone = pooled(0.5 * np.sin(2 * np.pi * middle * time))[4:-300, band]
        assert 10 * np.log10(tone.mean() / max(hum[:, band].max(), 1e-20)) > 60


def test_constant_offset_is_not_sound():
    rng = np.random.default_rng(3)
    noise = 1e-3 * rng.standard_normal(3 * RATE_HZ)
    np.testing.assert_allclose(pooled(noise + 0.3)[:-300], pooled(noise)[:-300], rtol=0.02)


def test_levels_are_the_power_in_half_decibels():
    rng = np.random.default_rng(4)
    ear = BandEar(plan_bands(RATE_HZ))
    sound = 0.01 * rng.standard_normal(3 * RATE_HZ)
    (chunk, *_) = ear.feed(sound.astype(np.float32))
    power = POWER_OF_LEVEL[chunk.levels].reshape(-1, POOLED_FRAMES, chunk.levels.shape[1]).mean(axis=1)
    # one level is right to a quarter of a decibel; the mean of eight is no worse
    np.testing.assert_allclose(10 * np.log10(power / pooled(sound)[: len(power)]), 0, atol=0.26)


@pytest.mark.parametrize("rate_hz", [8_000, 44_100])
def test_block_size_does_not_change_a_level(rate_hz):
    rng = np.random.default_rng(5)
    sound = (0.01 * rng.standard_normal(int(3.3 * rate_hz))).astype(np.float32)
    plan = plan_bands(rate_hz)
    whole = BandEar(plan)
    expected = whole.feed(sound) + whole.finish()
    for size in (1, 509, 48_000):
        ear = BandEar(plan)
        found = [
            chunk for start in range(0, len(sound), size) for chunk in ear.feed(sound[start : start + size])
        ]
        found += ear.finish()
        assert len(found) == len(expected)
        for mine, other in zip(found, expected, strict=True):
            assert mine.number == other.number
            np.testing.assert_array_equal(mine.levels, other.levels)
            np.testing.assert_array_equal(mine.strength, other.strength)


def test_lost_samples_count_as_silence_in_their_place():
    rng = np.random.default_rng(6)
    sound = (0.01 * rng.standard_normal(RATE_HZ * 4)).astype(np.float32)
    with_zeros = sound.copy()
    with_zeros[RATE_HZ : 2 * RATE_HZ] = 0
    plain, skipped = BandEar(plan_bands(RATE_HZ)), BandEar(plan_bands(RATE_HZ))
    expected = plain.feed(with_zeros) + plain.finish()
    found = (
        skipped.feed(sound[:RATE_HZ])
        + skipped.skip(RATE_HZ)
        + skipped.feed(sound[2 * RATE_HZ :])
        + skipped.finish()
    )
    for mine, other in zip(found, expected, strict=True):
        np.testing.assert_array_equal(mine.levels, other.levels)
    levels = np.concatenate([chunk.levels for chunk in found])
    silent = np.flatnonzero((levels == 0).all(axis=1))
    inside = silent[silent < 4 * 2000 - 10]
    # half a millisecond a frame; a window of three hops that touches sound is not silent
    assert inside[0] == pytest.approx(2000, abs=3)
    assert inside[-1] == pytest.approx(4000, abs=3)


def test_odd_samples_are_counted_and_do_no_harm():
    rng = np.random.default_rng(7)
    sound = (0.01 * rng.standard_normal(RATE_HZ)).astype(np.float32)
    bad = sound.copy()
    bad[[1000, 2000, 3000]] = [np.nan, np.inf, -np.inf]
    clean, ear = BandEar(plan_bands(RATE_HZ)), BandEar(plan_bands(RATE_HZ))
    (expected,) = clean.feed(sound) + clean.finish()
    (found,) = ear.feed(bad) + ear.finish()
    assert (found.bad_samples, expected.bad_samples) == (3, 0)
    assert np.isfinite(found.strength).all()
    far = np.ones(CHUNK_FRAMES, bool)
    for sample in (1000, 2000, 3000):
        far[sample // 24 - 3 : sample // 24 + 2] = False
    np.testing.assert_array_equal(found.levels[far], expected.levels[far])


def test_clipped_samples_are_counted():
    loud = np.clip(2 * np.sin(2 * np.pi * 997 * np.arange(RATE_HZ) / RATE_HZ), -1, 1).astype(np.float32)
    ear = BandEar(plan_bands(RATE_HZ))
    (chunk,) = ear.feed(loud) + ear.finish()
    # a sine of twice full scale is beyond it for 2/3 of the time (asin 1/2 = 30 deg)
    assert chunk.clipped_samples / RATE_HZ == pytest.approx(2 / 3, abs=0.01)
    assert chunk.peak == 1.0


def test_ear_that_heard_nothing_has_nothing_to_finish():
    assert BandEar(plan_bands(RATE_HZ)).finish() == []


def test_a_chapter_is_the_chunks_taken_in_and_not_forgotten_however_much_room_there_was_at_first():
    plan = plan_bands(16_000)
    noise = np.random.default_rng(7).standard_normal(16_000 * 12).astype(np.float32)
    few, many = ChannelEar(plan, 1), ChannelEar(plan, 500)
    room, chunks = RoomFloor(), BandEar(plan).feed(noise)
    powers = pooled(noise, 16_000).reshape(-1, CHUNK_FRAMES // POOLED_FRAMES, plan.bands)
    strength = [room.strength(power)[0] for power in powers[: len(chunks)]]
    for ear in (few, many):
        for chunk in chunks:
            ear.take(chunk)
        ear.forget(3)
        chapter = ear.chapter(plan.frame_s)
        assert ear.chunks == len(chunks) - 3 == len(chapter.floors)
        np.testing.assert_array_equal(chapter.levels, np.concatenate([one.levels for one in chunks[3:]]))
        # half precision has 11 bits
        np.testing.assert_allclose(chapter.strength, np.concatenate(strength[3:]), rtol=2**-11, atol=1e-3)


def test_the_floor_is_the_power_of_the_room():
    """The median of the means of eight frames, as the levels have them: of a second of one band it scatters by 5 %, and the floor
    is the higher of this chunk's and the usual."""
    plan = plan_bands(16_000)
    noise = (0.01 * np.random.default_rng(8).standard_normal(3 * plan.chunk_samples)).astype(np.float32)
    for chunk in BandEar(plan).feed(noise)[:2]:
        power = POWER_OF_LEVEL[chunk.levels].reshape(-1, POOLED_FRAMES, plan.bands).mean(axis=1)
        np.testing.assert_allclose(chunk.floor, np.median(power, axis=0), rtol=0.2)
