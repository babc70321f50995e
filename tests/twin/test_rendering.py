"""The twin's sound: the same for any block size, true to its truth, with the recorder's faults as stated."""

from __future__ import annotations

import hashlib
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from torsionbeat.errors import InputError
from torsionbeat.twin import (
    VOICES,
    Balance,
    Bangs,
    CaseKnock,
    Drips,
    Fire,
    OtherClock,
    Recorder,
    Room,
    Talk,
    TwinClock,
    VoiceSet,
    simulate,
)

SILENT = Room(pink_rms=0.0, white_rms=0.0, wetness=0.0)
QUICK = TwinClock(Balance(6.0), changes=(CaseKnock(11.0, angle_deg=1.0),))
FULL = Room(
    rain_rms=1e-3,
    hum_rms=1e-3,
    talk=Talk(600),
    bangs=Bangs(600),
    drips=Drips(),
    fire=Fire(),
    others=(OtherClock(), OtherClock(0.9, alternation_ms=20.0)),
)
EVERYTHING = Recorder(
    24_000,
    crystal_ppm=40.0,
    channels=2,
    band_hz=(100.0, 9000.0),
    silences=((3.0, 4.5),),
    losses=((10.0, 11.2), (12.0, 12.1)),
)


def digest(rendering, frames):
    return hashlib.sha256(b"".join(block.tobytes() for block in rendering.blocks(frames))).hexdigest()


@pytest.mark.parametrize("frames", [1009, 48_000, 10**9])
def test_block_size_does_not_change_a_sample(frames):
    rendering = simulate(QUICK, FULL, EVERYTHING, 20.0, seed=5, second_clock=TwinClock(Balance(4.0)))
    assert digest(rendering, frames) == digest(rendering, 65_536)
    sizes = [len(block) for block in rendering.blocks(frames)]
    assert sum(sizes) == rendering.frames
    assert all(size == frames for size in sizes[:-1])


def test_one_sample_at_a_time():
    rendering = simulate(QUICK, FULL, Recorder(8000), 0.5, seed=5)
    assert digest(rendering, 1) == digest(rendering, 65_536)


def test_the_seed_decides_everything():
    def made(seed):
        return digest(simulate(QUICK, FULL, Recorder(8000), 12.0, seed=seed), 4096)

    assert made(1) == made(1)
    assert made(1) != made(2)


def begins_at(sound, rate_hz, around_s):
    """Time of the first sample within 5 ms of a time that is not silence."""
    low = max(int((around_s - 5e-3) * rate_hz), 0)
    heard = np.flatnonzero(sound[low : low + int(10e-3 * rate_hz)])
    return (low + heard[0]) / rate_hz


@pytest.mark.parametrize("crystal_ppm", [0.0, 100.0, -100.0])
@pytest.mark.parametrize("name", sorted(VOICES))
def test_every_sound_begins_when_the_truth_says(name, crystal_ppm):
    voices = VoiceSet(drop_a=name, drop_b=name, contact_a=name, contact_b=name, drop_peak=0.5)
    recorder = Recorder(48_000, crystal_ppm=crystal_ppm, bits=24)
    made = simulate(TwinClock(Balance(6.0), voices=voices), SILENT, recorder, 30.0, seed=2)
    sound = made.samples()
    assert len(made.truth.events) == 20
    for time_s in made.truth.events.time_s:
        late_s = begins_at(sound, recorder.true_rate_hz, time_s) - time_s
        # a sample is 0.021 ms; a tick swells from nothing, its first step of 24 bits comes later
        assert 0 <= late_s < 1e-4


def test_the_crystal_moves_sounds_in_the_file():
    made = simulate(TwinClock(Balance(6.0)), SILENT, Recorder(48_000, 2000.0, bits=24), 30.0, seed=2)
    last = made.truth.events.time_s[-1]
    assert begins_at(made.samples(), 48_000, last * 1.002) == pytest.approx(last * 1.002, abs=1e-4)
    assert made.recorder.recorded_s(last) == pytest.approx(last * 1.002, rel=1e-12)
    assert made.frames == round(30 * 48_000 * 1.002)


def test_jitter_has_the_stated_size():
    made = TwinClock(Balance(1.0), jitter_ms=0.5)
    events = made.run(1500.0, 3)[1]
    spread_ms = 1e3 * np.std(events.time_s - events.clean_time_s)
    assert spread_ms == pytest.approx(0.5, rel=0.04)  # 6000 draws: 0.9 % standard error, four of them
    still = replace(made, jitter_ms=0.0).run(20.0, 3)[1]
    np.testing.assert_array_equal(still.time_s, still.clean_time_s)


def test_two_channels_hold_the_clock_at_their_levels():
    made = simulate(TwinClock(Balance(6.0)), SILENT, Recorder(channels=2, bits=24), 5.0, seed=1).samples()
    assert made.shape == (240_000, 2)
    np.testing.assert_allclose(made[:, 1], made[:, 0] * 10 ** (-12 / 20), atol=2 / 2**23)
    noise = simulate(None, Room(), Recorder(8000, channels=2), 5.0, seed=1).samples()
    assert abs(np.corrcoef(noise.T)[0, 1]) < 0.9  # each microphone has its own noise


def test_memory_stays_bounded():
    made = simulate(TwinClock(), Room(talk=Talk(), bangs=Bangs()), Recorder(16_000), 1800.0, seed=1)
    tracemalloc.start()
    try:
        total = sum(len(block) for block in made.blocks(16_000))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert total == 1800 * 16_000
    assert peak < 30e6  # the whole sound would take 115 MB


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("ending", [".flac", ".wav"])
def test_a_written_file_holds_the_same_samples(tmp_path, bits, ending):
    made = simulate(QUICK, Room(), Recorder(8000, bits=bits, gain_db=30.0), 15.0, seed=1)
    path = made.write(tmp_path / f"bench{ending}")
    read, rate_hz = soundfile.read(path, dtype="float32")
    assert rate_hz == 8000
    np.testing.assert_array_equal(read, made.samples())
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        [f"bench{ending}", "bench.truth.csv", "bench.truth.json"]
    )


def test_a_lossy_file_is_near(tmp_path):
    made = simulate(QUICK, Room(), Recorder(24_000), 15.0, seed=1)
    read, _ = soundfile.read(made.write(tmp_path / "bench.ogg", with_truth=False), dtype="float32")
    assert len(read) == made.frames
    assert np.corrcoef(read, made.samples())[0, 1] > 0.9


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: simulate(None, duration_s=0.0), "a duration of 0 s"),
        (lambda: simulate(None, duration_s=1e8), "at most 400 hours"),
        (lambda: next(simulate(None, duration_s=1.0).blocks(0)), "a block of 0 frames"),
        (lambda: Recorder(100), "sample rate 100 Hz"),
        (lambda: Recorder(crystal_ppm=1e6), "crystal 1e\\+06 ppm"),
        (lambda: Recorder(channels=6), "6 channels"),
        (lambda: Recorder(bits=12), "12 bits"),
        (lambda: Recorder(clip_level=0.0), "clip level 0"),
        (lambda: Recorder(silences=((5.0, 4.0),)), "from 5 to 4 s"),
        (lambda: Recorder(losses=((1.0, 3.0), (2.0, 4.0))), "two losses overlap at 2 s"),
        (lambda: Recorder(band_hz=(3000.0, 300.0)), "a band from 3000 to 300 Hz"),
        (lambda: Room(pink_rms=2.0), "pink_rms 2 is outside 0 to 1"),
        (lambda: Room(others=(OtherClock(tick="gong"),)), "no voice 'gong'"),
        (lambda: OtherClock(beat_s=0.0), "too short"),
        (lambda: simulate(None, duration_s=1.0).write("bench.mp3"), "end the name in .flac, .wav, .ogg"),
        (lambda: simulate(None, duration_s=1.0).write("no/such/folder/bench.wav"), "there is no folder"),
    ],
)
def test_what_cannot_be_is_refused(make, words):
    with pytest.raises(InputError, match=words):
        make()


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(self, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(soundfile.SoundFile, "write", full)
    with pytest.raises(InputError, match=r"No space left on device\. Nothing was kept"):
        simulate(None, duration_s=1.0).write(tmp_path / "bench.flac")
    assert not list(tmp_path.iterdir())
