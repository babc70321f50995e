"""From a file to its reading: twin recordings, and real sounds of an open data set.

Real clips: K. J. Piczak, ESC: Dataset for Environmental Sound Classification, Proc. ACM Multimedia 2015, set ESC-10,
clips that are CC0. They are not part of the project: tests that use them skip where they are absent. Their folder
is named by the environment variable TORSIONBEAT_REALTICKS, or is called realticks and lies in a folder beside the
project's. Beats were measured from the waveforms (least squares of tick time on tick number), to 0.5 to 0.9 ms.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from torsionbeat.errors import InputError, NothingHeardError
from torsionbeat.reading.analysis import Listening, analyse, analyse_fully
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.block import Block
from torsionbeat.sound.keeper import Keeper
from torsionbeat.theory.rate import rate_s_per_day
from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, simulate
from torsionbeat.twin.scenes import quartz_room

RATE_HZ = 16_000
CLOCK = Clock("Harbour lamp", 6.0, 20.0)
FAST = Listening(shortest_period_s=1.5, longest_period_s=3, sample_clock_ppm=0)


@pytest.fixture(scope="session")
def recording(tmp_path_factory):
    """A 6 s clock of 90 s on disk, and what was rendered."""
    clock = TwinClock(
        balance=Balance(6.0, q=300),
        escapement=Escapement(lift_deg=20.0, offset_deg=1.5),
        drive=Drive(arc_deg=300.0),
        start_s=-1.0,
    )
    made = simulate(clock, Room(), Recorder(RATE_HZ), 90.0, 1)
    return made.write(tmp_path_factory.mktemp("sound") / "evening.flac", with_truth=False), made


def test_figures_of_a_file(recording):
    path, made = recording
    told = []
    done = analyse_fully(
        path, CLOCK, Listening(sample_clock_ppm=0.0), lambda now, whole: told.append((now, whole))
    )
    reading, truth = done.reading, made.truth
    for figure, true in (
        (reading.period_s, truth.mean_period_s()),
        (reading.beat_error_ms, truth.beat_error_ms()),
        (reading.arc_deg, truth.mean_arc_deg()),
        (reading.offset_deg, 1.5),
    ):
        # one recording: 95 % of them within 1.96, all but one in 700 within 3.2 standard uncertainties
        assert abs(figure.nominal_value - true) < 3.2 * figure.std_dev
    assert reading.beats_heard == reading.beats_expected == len(truth.beats)
    assert reading.recording.name == "evening.flac"
    assert told[-1] == (made.frames, made.frames)
    assert done.heard.samples == made.frames


def test_unknown_crystal_is_assumed_fifty_ppm(recording):
    reading = analyse(recording[0], CLOCK)
    assert reading.timebase.source == "unknown"
    assert reading.rate_s_per_day.std_dev > 86400 * 50e-6 / np.sqrt(3)


def test_noise_is_no_clock(tmp_path):
    path = tmp_path / "room.wav"
    soundfile.write(path, 0.01 * np.random.default_rng(1).standard_normal(45 * RATE_HZ), RATE_HZ)
    with pytest.raises(NothingHeardError, match=r"no clock is heard in room\.wav, which is 45 s long"):
        analyse(path)


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"nowhere\.flac"):
        analyse(tmp_path / "nowhere.flac")


@pytest.mark.parametrize(("low", "high"), [(0.1, 20), (20, 10), (4, 900)])
def test_absurd_range_of_periods(low, high):
    with pytest.raises(InputError, match=f"periods from {low} to {high} s were asked for"):
        Listening(low, high)


def test_absurd_tolerance():
    with pytest.raises(InputError, match="tolerance of the recorder's ppm is -1"):
        Listening(sample_clock_ppm=0, sample_clock_tolerance_ppm=-1)


@pytest.fixture(scope="module")
def beside_quartz(tmp_path_factory):
    """Half an hour of a 60 s clock by a recorder 50 ppm fast; a quartz clock 2 ppm slow ticks every second."""
    scene = quartz_room(1, 1800.0, -3.0)
    quartz = replace(scene.room.others[0], rate_ppm=2.0)
    scene = replace(scene, recorder=Recorder(8000, 50.0), room=replace(scene.room, others=(quartz,)))
    made = scene.render()
    return made.write(tmp_path_factory.mktemp("sound") / "shelf.flac", with_truth=False), made


def test_quartz_clock_in_the_room_sets_the_timebase(beside_quartz):
    path, made = beside_quartz
    clock = Clock(nominal_period_s=60.0, lift_deg=20.0)
    reading = analyse(path, clock, reference_interval_s=1.0)
    assert reading.timebase.source == "reference ticks"
    # 5 ppm either way of a rectangular distribution is 2.89; the fit of 1800 ticks adds next to nothing
    assert 2.88 < reading.timebase.standard_uncertainty_ppm < 3.0
    rate, true = reading.rate_s_per_day, rate_s_per_day(made.truth.mean_period_s(), 60.0)
    assert abs(rate.nominal_value - true) < 1.96 * rate.std_dev
    assert rate.std_dev < 0.3  # 2.89 ppm is 0.25 s a day; without the ticks 28.9 ppm are 2.5
    assert not any("not known: up to 50 ppm" in remark for remark in reading.remarks)
    uncorrected = analyse(path, clock)
    moved_ppm = 1e6 * (uncorrected.period_s.nominal_value / reading.period_s.nominal_value - 1)
    assert moved_ppm == pytest.approx(reading.timebase.offset_ppm, abs=0.01)


def test_quartz_clock_counts_for_more_than_a_computer_nobody_kept_right(beside_quartz, tmp_path):
    """A recording folder of the same sound: the computer's crystal is off as well, and the journal rests on it."""
    _, made = beside_quartz
    clock = Clock(nominal_period_s=60.0)
    sound = made.samples()[: 300 * 8000].reshape(-1, 1).astype(np.float32)
    with Keeper(tmp_path / "night", 8000, 1, synchronised=False) as keeper:
        for start in range(0, len(sound), 8000):
            keeper.hear(Block(start, sound[start : start + 8000]))
            seen_ns = round(
                (start + 8000) / 8000 * 1e9
            )  # a computer just as fast as the recorder sees no difference
            keeper.note("clock", stretch=0, frame=start + 8000, monotonic_ns=seen_ns, utc_ns=seen_ns)
    assert analyse(tmp_path / "night", clock).timebase.source == "host clock"
    found = analyse(tmp_path / "night", clock, reference_interval_s=1.0).timebase
    assert found.source == "reference ticks"
    assert abs(found.offset_ppm - 50.0) < 1.96 * found.standard_uncertainty_ppm
    missing = analyse(tmp_path / "night", clock, reference_interval_s=0.73)
    assert missing.timebase.source == "host clock"
    said = " ".join(missing.remarks)
    assert "No clock that ticks every 0.73 s is heard for long enough" in said
    assert "The computer's clock was used instead." in said


def test_reference_that_is_not_heard_leaves_the_timebase_and_says_so(recording):
    reading = analyse(recording[0], CLOCK, reference_interval_s=1.0)
    assert reading.timebase == analyse(recording[0], CLOCK).timebase
    (said,) = [remark for remark in reading.remarks if "ticks every 1 s" in remark]
    assert said.startswith("No clock that ticks every 1 s is heard")
    assert said.endswith("So nothing tells how true the recorder's crystal is.")


def test_clock_does_not_measure_itself(tmp_path):
    """Every third tick of a quartz clock that is not there would fall on a beat of a 6 s clock."""
    clock = TwinClock(balance=Balance(6.0, q=300), drive=Drive(arc_deg=300.0), start_s=-1.0)
    path = simulate(clock, Room(), Recorder(8000, 50.0), 240.0, 1).write(
        tmp_path / "alone.flac", with_truth=False
    )
    reading = analyse(path, CLOCK, reference_interval_s=1.0)
    assert reading.timebase.source == "unknown"
    (said,) = [remark for remark in reading.remarks if "ticks every 1 s" in remark]
    assert said.startswith(
        "Nothing that ticks every 1 s is heard but the clock itself: put the reference clock nearer"
    )


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"reference_interval_s": 60.0}, "0.2 to 10 s can be used"),
        ({"reference_interval_s": 1.0, "reference_tolerance_ppm": -1.0}, "between 0 and 1000"),
        ({"reference_interval_s": 1.0, "sample_clock_ppm": 3.0}, "give one of the two"),
    ],
)
def test_reference_that_cannot_be(given, said):
    with pytest.raises(InputError, match=said):
        Listening(**given)


@pytest.fixture(scope="session")
def realticks():
    """Give the folder of real clips."""
    project = Path(__file__).parents[2]
    named = os.environ.get("TORSIONBEAT_REALTICKS")
    folders = (
        [Path(named)]
        if named
        else sorted([*project.parent.glob("realticks"), *project.parent.glob("*/realticks")])
    )
    if not folders or not folders[0].is_dir():
        pytest.skip("real clips of ESC-10 are not here: set TORSIONBEAT_REALTICKS to their folder")
    return folders[0]


# clip, beat in s and its stated error, alternation in s
BEATS = [
    ("tick_1-35687-A.ogg", 0.9182, 0.0005),
    ("tick_2-141584-A.ogg", 0.9993, 0.0006),
    ("tick_3-143933-A.ogg", 0.9999, 0.0009),
]


@pytest.mark.parametrize(("clip", "beat_s", "error_s"), BEATS)
def test_beat_of_a_real_clock(realticks, clip, beat_s, error_s):
    period = analyse_fully(realticks / clip, None, FAST).reading.period_s
    combined = np.hypot(2 * error_s, 1.96 * period.std_dev / 2)
    assert abs(period.nominal_value / 2 - beat_s) < combined
    assert period.std_dev < 0.02  # a tenth of a beat would be no answer


@pytest.mark.parametrize(
    "clip",
    [
        "noise_rain_1-17367-A.ogg",
        "noise_fire_crackling_1-17808-A.ogg",
        "noise_dog_bark_1-30226-A.ogg",
        "noise_helicopter_1-172649-A.ogg",
        "noise_person_sneeze_1-54505-A.ogg",
    ],
)
@pytest.mark.parametrize("listening", [FAST, Listening()], ids=["fast", "torsion"])
def test_real_noise_is_no_clock(realticks, clip, listening):
    with pytest.raises(NothingHeardError, match="no clock is heard"):
        analyse_fully(realticks / clip, None, listening)


@pytest.mark.parametrize("noise", ["noise_rain_1-17367-A.ogg", "noise_helicopter_1-172649-A.ogg"])
def test_real_ticks_laid_out_as_a_torsion_clock(realticks, tmp_path, noise):
    """Semi-synthetic: single ticks of one clip, placed as the drops of a 15 s clock over one noise clip.

    The noise goes on in pieces drawn from all over its clip: a plain loop would itself repeat every five seconds.
    """
    ticks, rate_hz = soundfile.read(realticks / "tick_1-35687-A.ogg", dtype="float64")
    room, noise_hz = soundfile.read(realticks / noise, dtype="float64")
    assert noise_hz == rate_hz
    start = int(np.argmax(np.abs(ticks)))
    tick = ticks[start - int(0.005 * rate_hz) : start + int(0.06 * rate_hz)]
    tick = tick * np.hanning(2 * len(tick))[len(tick) :] / np.abs(tick).max()
    rng = np.random.default_rng(1)
    times = 3.1 + 7.501 * np.arange(20)
    times[1::2] += 0.06
    pieces = [room[at : at + int(rng.uniform(0.5, 2) * rate_hz)] for at in rng.integers(0, 3 * rate_hz, 300)]
    sound = np.concatenate(pieces)[: int(160 * rate_hz)] * 0.005 / np.std(room)
    sound += 0.0005 * rng.standard_normal(len(sound))
    for time in times:
        at = round(time * rate_hz)
        sound[at : at + len(tick)] += 0.3 * tick
    path = tmp_path / "bench.wav"
    soundfile.write(path, np.clip(sound, -1, 1), rate_hz)
    reading = analyse_fully(path, Clock("", 15.0), Listening(sample_clock_ppm=0.0)).reading
    assert reading.beats_heard >= 19
    assert abs(reading.period_s.nominal_value - 15.002) < 3.2 * max(reading.period_s.std_dev, 2e-6)
    found = reading.events.time_s[reading.events.kind == "drop"]
    away = found - times[np.abs(found[:, None] - times[None, :]).argmin(axis=1)]
    assert np.std(away) < 0.0005  # one frame; the same tick each time
    assert abs(np.mean(away)) < 0.006  # the clip's own tick begins up to 5 ms into the piece
