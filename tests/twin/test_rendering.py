"""The twin's sound: the same for any block size, true to its truth, with the recorder's faults as stated."""

from __future__ import annotations

import hashlib
import json
import math
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
    Drive,
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


def test_a_tick_is_its_formula_at_a_fraction_of_a_sample():
    from torsionbeat.twin.voices import Voice, strike

    voice = Voice(((2000.0, 1.0, 5.0), (5000.0, 0.5, 2.0)), 0.2, 0.0, 1.0, variation=0.0)
    first_s, rate_hz = 0.37 / 48_000, 48_000
    tick = strike(voice, 0.5, first_s, rate_hz, np.random.default_rng(0))

    def formula(t):
        rise = 1 - np.exp(-t / 0.2e-3)
        one = np.exp(-t / 5e-3) * np.sin(2 * np.pi * 2000 * t)
        two = 0.5 * np.exp(-t / 2e-3) * np.sin(2 * np.pi * 5000 * t + 2.4)
        return rise * (one + two)

    times = first_s + np.arange(len(tick)) / rate_hz
    gain = 0.5 / np.abs(formula(np.arange(0, 0.04, 1 / 96_000))).max()
    np.testing.assert_allclose(tick, gain * formula(times), atol=1e-7)  # float32 at half scale


def test_jitter_has_the_stated_size():
    made = TwinClock(Balance(1.0), jitter_ms=0.5)
    events = made.run(1500.0, 3)[1]
    spread_ms = 1e3 * np.std(events.time_s - events.clean_time_s)
    assert spread_ms == pytest.approx(0.5, rel=0.04)  # 6000 draws: 0.9 % standard error, four of them
    still = replace(made, jitter_ms=0.0).run(20.0, 3)[1]
    np.testing.assert_array_equal(still.time_s, still.clean_time_s)


def test_silences_are_digital_zeros_and_losses_shorten_the_file():
    plain = simulate(QUICK, Room(), Recorder(8000), 20.0, seed=1).samples()
    holes = simulate(QUICK, Room(), Recorder(8000, silences=((3.0, 4.5),)), 20.0, seed=1).samples()
    assert not holes[24_000:36_000].any()
    np.testing.assert_array_equal(holes[:24_000], plain[:24_000])
    np.testing.assert_array_equal(holes[36_000:], plain[36_000:])
    lossy = Recorder(8000, losses=((3.0, 4.5), (16.5, 17.0)))
    short = simulate(QUICK, Room(), lossy, 20.0, seed=1)
    kept = np.concatenate([plain[:24_000], plain[36_000:132_000], plain[136_000:]])
    np.testing.assert_array_equal(short.samples(), kept)
    assert short.frames == len(kept)
    assert lossy.recorded_s(18.0) == pytest.approx(16.0)
    assert lossy.recorded_s(4.0) == pytest.approx(3.0)


def test_clipping_offset_and_bits():
    loud = simulate(QUICK, Room(), Recorder(8000, gain_db=40.0, clip_level=0.25), 20.0, seed=1).samples()
    assert loud.max() == 0.25
    assert loud.min() == -0.25
    assert (loud == 0.25).sum() > 10
    lifted = simulate(None, Room(), Recorder(8000, dc=0.05), 5.0, seed=1).samples()
    assert lifted.mean() == pytest.approx(0.05, abs=1e-3)
    for bits in (16, 24):
        steps = simulate(QUICK, Room(), Recorder(8000, bits=bits), 3.0, seed=1).samples() * 2.0 ** (bits - 1)
        np.testing.assert_array_equal(steps, np.rint(steps))


def test_two_channels_hold_the_clock_at_their_levels():
    made = simulate(TwinClock(Balance(6.0)), SILENT, Recorder(channels=2, bits=24), 5.0, seed=1).samples()
    assert made.shape == (240_000, 2)
    np.testing.assert_allclose(made[:, 1], made[:, 0] * 10 ** (-12 / 20), atol=2 / 2**23)
    noise = simulate(None, Room(), Recorder(8000, channels=2), 5.0, seed=1).samples()
    assert abs(np.corrcoef(noise.T)[0, 1]) < 0.9  # each microphone has its own noise


def test_a_telephone_band_holds_nothing_above_it():
    from scipy.signal import welch

    phone = Recorder(16_000, band_hz=(300.0, 3400.0), bits=24)
    sound = simulate(None, Room(pink_rms=0.0, white_rms=0.05), phone, 10.0, seed=1).samples()
    hz, power = welch(sound, 16_000, nperseg=1024)
    inside = power[(hz > 600) & (hz < 3000)].mean()
    assert power[hz > 5500].mean() < 1e-4 * inside
    assert power[hz < 100].mean() < 1e-2 * inside


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


def test_the_saved_truth(tmp_path):
    made = simulate(QUICK, Room(), Recorder(8000), 30.0, seed=1)
    made.write(tmp_path / "bench.flac")
    truth = json.loads((tmp_path / "bench.truth.json").read_text())
    assert truth["figures"]["period_s"] == made.truth.mean_period_s()
    assert len(truth["beats"]) == len(made.truth.beats) == 10
    assert truth["sudden"] == [{"time_s": 11.0, "what": "knock against the case"}]
    assert truth["made_with"]["clock"]["balance"]["period_s"] == 6.0
    rows = (tmp_path / "bench.truth.csv").read_text().splitlines()
    assert rows[0] == "time_s,side,kind,level_db"
    assert len(rows) == 1 + len(made.truth.events)
    time_s, side, kind, _ = rows[1].split(",")
    assert (float(time_s), side, kind) == (round(made.truth.events.time_s[0], 7), "a", "contact")


def test_truth_of_a_stretch():
    made = simulate(TwinClock(Balance(6.0), drive=Drive(arc_deg=300.0)), SILENT, Recorder(8000), 60.0, seed=1)
    part = made.truth.between(20.0, 41.0)
    assert len(part.beats) == 7
    assert part.mean_period_s() == pytest.approx(made.truth.mean_period_s("drop_s"), rel=1e-9)
    assert part.mean_arc_deg() == pytest.approx(300.0)
    assert part.beat_error_ms() == pytest.approx(0.0, abs=1e-6)
    assert len(part.events.where(kind="drop", side="a")) in (3, 4)
    assert made.truth.between(0.0, 1.0).figures()["period_s"] is None
    with pytest.raises(InputError, match="hold no full period"):
        made.truth.between(0.0, 1.0).mean_period_s()
    assert math.isnan(made.truth.between(0.0, 1.0).beat_error_ms())


def test_other_clocks_are_true_to_their_beat():
    made = simulate(
        None, Room(others=(OtherClock(0.9, alternation_ms=30.0, rate_ppm=200.0),)), None, 90.0, seed=4
    )
    ticks = made.other_ticks_s()
    assert np.mean(np.diff(ticks[::2])) == pytest.approx(1.8 * 1.0002, abs=2e-5)  # 0.1 ms jitter at the ends
    assert np.mean(np.diff(ticks)[::2]) - np.mean(np.diff(ticks)[1::2]) == pytest.approx(0.06, abs=1e-4)
    quiet = simulate(None, replace(SILENT, others=(OtherClock(),)), Recorder(bits=24), 10.0, seed=4)
    sound = quiet.samples()
    for tick_s in quiet.other_ticks_s():
        assert begins_at(sound, 48_000, tick_s) == pytest.approx(tick_s, abs=1e-4)


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
