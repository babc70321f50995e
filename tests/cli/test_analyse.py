"""``torsionbeat analyse``: figures, files, several recordings, and everything that can be wrong with the input."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from torsionbeat.benchlog import open_log

CLOCK = ("--period", "6", "--lift", "20")


def truth(sounds):
    return json.loads((sounds / "clock.truth.json").read_text(encoding="utf-8"))


def holds(figure, value, least):
    """Whether a figure's interval, or the least that can be asked of a short recording, holds the truth."""
    return abs(figure["value"] - value) <= max(3 * figure["standard_uncertainty"], least)


def test_a_reading_says_rate_beat_and_arc_in_words(run, sounds):
    told = run("analyse", sounds / "clock.flac", *CLOCK)
    assert told.status == 0
    assert told.err == ""
    assert "Heard 40 of 40 beats in 2 min" in told.words
    assert "The clock gains 25 s a day" in told.words
    assert "Its arc (amplitude end to end) is" in told.words
    assert "Timebase: unknown." in told.words
    assert max(map(len, told.out.splitlines())) <= 80


def test_reference_interval_sets_the_timebase_of_each_recording_in_which_it_is_heard(
    run, sounds, samples, tmp_path
):
    """The clock's own recording with ticks laid over it, counted as by a recorder 50 ppm fast; and without them."""
    sound, rate_hz = samples
    rng = np.random.default_rng(2)
    tick = rng.normal(0, 0.02, 240) * np.exp(-np.arange(240) / 50)
    beside = sound.copy()
    for second in np.arange(0.4, 119.5):
        at = round(second * (1 + 50e-6) * rate_hz)
        beside[at : at + len(tick)] += tick
    soundfile.write(tmp_path / "shelf.wav", beside, rate_hz, subtype="PCM_24")
    both = (tmp_path / "shelf.wav", sounds / "clock.flac")
    told = run("analyse", *both, *CLOCK, "--reference-interval", "1", "--json", "-")
    assert told.status == 0
    ticking, alone = json.loads(told.out)
    assert ticking["timebase"]["source"] == "reference ticks"
    # 119 ticks put in whole samples of 62.5 us scatter by 18 us: 0.05 ppm over two minutes
    assert abs(ticking["timebase"]["offset_ppm"] - 50) < 1.0
    assert alone["timebase"]["source"] == "unknown"
    assert "clock.flac: No clock that ticks every 1 s is heard" in " ".join(told.err.split())
    moved_ppm = 1e6 * (alone["period_s"]["value"] / ticking["period_s"]["value"] - 1)
    assert abs(moved_ppm - 50) < 5  # the ticks lie over some of forty beats, which scatter by 0.5 ms


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--reference-tolerance-ppm", "3"], "does nothing without --reference-interval"),
        (["--reference-interval", "60"], "it must lie between 0.2 and 10 s"),
        (["--reference-interval", "1", "--sample-clock-ppm", "3"], "give one of the two"),
    ],
)
def test_reference_that_cannot_be_used_is_refused_before_anything_is_read(run, options, said):
    told = run("analyse", "not-there.flac", *options)
    assert told.status == 2
    assert said in " ".join(told.err.split())


def test_json_alone_on_standard_output_agrees_with_the_truth(run, sounds):
    told = run("analyse", sounds / "clock.flac", *CLOCK, "--json", "-", "--sample-clock-ppm", "0")
    assert told.status == 0
    document, known = json.loads(told.out), truth(sounds)
    assert document["schema"] == 1
    assert document["timebase"] == {"source": "stated", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5}
    assert document["beats"] == {"expected": 40, "heard": 40}
    assert len(document["swings"]) == 40
    figures = known["figures"]
    # 40 beats whose beginnings scatter by 0.5 ms give 2 ppm of the period; the two sides sound unlike, and where each
    # sound begins is found to some tenths of a millisecond
    assert holds(document["period_s"], figures["period_s"], 3e-6 * 6)
    assert holds(document["arc_deg"], figures["arc_deg"], 0.5)
    sign = (
        1 if document["beat_error_ms"]["value"] * figures["beat_error_ms"] > 0 else -1
    )  # sides may be swapped
    assert holds(document["beat_error_ms"], sign * figures["beat_error_ms"], 1.0)
    assert holds(document["offset_deg"], sign * figures["offset_deg"], 0.1)
    assert "remarks" in document
    for remark in document["remarks"]:
        assert " ".join(remark.split()) in " ".join(told.err.split())


def test_what_the_crystal_is_said_to_be_off_goes_into_the_rate(run, sounds):
    rates = []
    for ppm in ("0", "100"):
        told = run("analyse", sounds / "clock.flac", *CLOCK, "--json", "-", "--sample-clock-ppm", ppm)
        rates.append(json.loads(told.out)["rate_s_per_day"]["value"])
    # a crystal that runs fast by 100 ppm makes the period look long: truly it is shorter, so the clock gains more
    assert rates[1] - rates[0] == pytest.approx(8.64, abs=0.01)


def test_files_are_written_beside_the_reading(run, sounds, tmp_path):
    paths = [tmp_path / name for name in ("reading.json", "events.csv", "events.txt", "plot.svg")]
    told = run(
        *(
            "analyse",
            sounds / "clock.flac",
            *CLOCK,
            "--json",
            paths[0],
            "--events",
            paths[1],
            "--plot",
            paths[3],
        )
    )
    assert told.status == 0
    assert "The clock gains" in told.words
    assert json.loads(paths[0].read_text(encoding="utf-8"))["beats"]["heard"] == 40
    with paths[1].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["time_s", "side", "kind", "level_db"]
    assert {row["kind"] for row in rows} == {"contact", "drop"}
    assert len(rows) == 80
    assert "<svg" in paths[3].read_text(encoding="utf-8")
    assert run("analyse", sounds / "clock.flac", "--events", paths[2]).status == 0
    start, end, text = paths[2].read_text(encoding="utf-8").splitlines()[0].split("\t")
    assert start == end
    assert text == f"{rows[0]['side']} {rows[0]['kind']}"


CANNOT_BE_READ = {
    "missing.wav": "does not exist; check the name and the folder",
    "empty.wav": "is an empty file; give a recording",
    "text.wav": "is not a sound file",
    "no-frames.wav": "holds no sound",
    "slow.wav": "has a sample rate of 5000 Hz; rates from 8000 to 384000 Hz can be used",
    ".": "is a folder without a recording in it",
}


@pytest.mark.parametrize("name", CANNOT_BE_READ)
def test_a_file_that_cannot_be_read_is_one_sentence_and_status_2(run, broken, name):
    told = run("analyse", broken / name, "--json", "-")
    assert (told.status, told.out) == (2, "")
    assert CANNOT_BE_READ[name] in told.err
    assert len(told.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("name", "said"),
    [("two-beats.wav", "at least three beats are needed"), ("silent.wav", "is silent from beginning to end")],
)
def test_where_no_clock_is_heard_there_are_no_figures_and_status_3(run, broken, name, said):
    told = run("analyse", broken / name, "--json", "-")
    assert (told.status, told.out) == (3, "")
    assert said in told.err
    assert len(told.err.splitlines()) == 1


def test_a_room_without_a_clock_is_status_3_and_writes_no_files(run, sounds, tmp_path):
    told = run("analyse", sounds / "room.flac", "--json", tmp_path / "r.json", "--plot", tmp_path / "p.png")
    assert told.status == 3
    assert "no clock is heard in room.flac" in told.err
    assert list(tmp_path.glob("*.json")) + list(tmp_path.glob("*.png")) == []


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("corrupt.flac", "The file is damaged"),
        ("truncated.flac", "The file ends early"),
        ("not-numbers.wav", "samples were no numbers"),
        ("stops.wav", "The last beat is heard at"),
    ],
)
def test_what_is_whole_is_read_and_the_rest_is_said(run, broken, sounds, name, said):
    told = run("analyse", broken / name, *CLOCK, "--json", "-", "--sample-clock-ppm", "0")
    assert told.status == 0
    document = json.loads(told.out)
    assert said in " ".join(document["remarks"])
    assert said in told.err
    # half the beats of the whole: twice to three times its uncertainty
    assert holds(document["period_s"], truth(sounds)["figures"]["period_s"], 10e-6 * 6)


@pytest.mark.parametrize("period", ["9", "15", "60"])
def test_a_nominal_period_that_contradicts_what_is_heard_gives_no_rate(run, sounds, period):
    told = run("analyse", sounds / "clock.flac", "--period", period, "--json", "-")
    assert told.status == 0
    document = json.loads(told.out)
    assert document["rate_s_per_day"] is None
    assert holds(document["period_s"], truth(sounds)["figures"]["period_s"], 30e-6 * 6)  # crystal unknown
    assert f"cannot be that of a clock with a nominal period of {period} s" in " ".join(document["remarks"])


def test_a_lift_larger_than_any_arc_gives_no_arc(run, sounds):
    told = run("analyse", sounds / "clock.flac", "--period", "6", "--lift", "170", "--json", "-")
    assert told.status == 0
    document = json.loads(told.out)
    assert document["arc_deg"] is None
    assert document["rate_s_per_day"] is not None
    assert "with a lift of 170 deg the swing would be" in " ".join(document["remarks"])


REFUSED = [
    (("--period", "-3"), "--period is -3; it must lie between 0.1 and 600 s"),
    (("--period", "nan"), "--period is nan"),
    (("--period", "1e9"), "--period is 1e+09"),
    (("--lift", "-20"), "--lift is -20; it must lie between 0.01 and 180 deg"),
    (("--lift", "400"), "--lift is 400"),
    (
        ("--lift", "20", "--lift-tolerance", "-1"),
        "--lift-tolerance is -1; it must lie between 0 and 90 deg",
    ),
    (("--lift", "20", "--lift-tolerance", "25"), "the tolerance must be the smaller"),
    (("--lift-tolerance", "1"), "--lift-tolerance does nothing without --lift or --clock"),
    (
        ("--sample-clock-ppm", "50000"),
        "--sample-clock-ppm is 50000; it must lie between -20000 and 20000 ppm",
    ),
    (
        ("--sample-clock-ppm", "3", "--sample-clock-tolerance-ppm", "-1"),
        "--sample-clock-tolerance-ppm is -1; it must lie between 0 and 1000 ppm",
    ),
    (("--sample-clock-tolerance-ppm", "1"), "does nothing without --sample-clock-ppm; give that too"),
    (("--shortest-period", "30", "--longest-period", "20"), "the shortest below the longest"),
    (("--shortest-period", "-4"), "--shortest-period is -4; it must lie between 0.3 and 600 s"),
    (("--plot", "plot.bmp"), "its name must end in .png, .svg or .pdf"),
    (("--json", "nowhere/r.json"), "there is no folder nowhere; make it first"),
    (("--began", "2026-03-01"), "--began does nothing without --clock"),
    (("--period", "sixty"), "Invalid value for '--period'"),
    (("--peroid", "60"), "--peroid"),
]


@pytest.mark.parametrize(("options", "said"), REFUSED, ids=[" ".join(options) for options, _ in REFUSED])
def test_absurd_options_are_refused_before_the_file_is_read(run, options, said):
    told = run("analyse", "never-read.flac", *options)
    assert (told.status, told.out) == (2, "")
    assert said in told.err
    assert len(told.err.splitlines()) == 1
    assert "never-read" not in told.err


def test_a_full_disk_is_told_and_the_reading_is_still_printed(run, sounds):
    if not os.path.exists("/dev/full"):
        pytest.skip("no /dev/full here")
    told = run("analyse", sounds / "clock.flac", *CLOCK, "--json", "/dev/full")
    assert told.status == 4
    assert "/dev/full was not written: No space left on device" in told.err
    assert "The clock gains 25 s a day" in told.words


# Several recordings


def test_one_bad_recording_costs_only_itself(run, sounds, broken):
    told = run("analyse", sounds / "clock.flac", broken / "text.wav", broken / "truncated.flac", *CLOCK)
    assert told.status == 2
    assert "clock.flac 40/40 +25" in told.words
    assert "truncated.flac 27/27 +25" in told.words
    assert "text.wav text.wav is not a sound file" in told.words
    assert "text.wav is not a sound file" in told.err
    assert max(map(len, told.out.splitlines())) <= 80


def test_the_status_is_the_highest_of_those_that_failed(run, sounds, broken):
    assert run("analyse", broken / "silent.wav", broken / "text.wav", sounds / "clock.flac").status == 3


def test_several_recordings_give_one_list_or_a_file_each(run, sounds, broken, tmp_path):
    recordings = (sounds / "clock.flac", broken / "text.wav")
    told = run("analyse", *recordings, *CLOCK, "--json", "-")
    first, second = json.loads(told.out)
    assert (told.status, first["beats"]["heard"]) == (2, 40)
    assert second["recording"] == {"name": "text.wav"}
    assert (second["exit_status"], second["error"][:29]) == (2, "text.wav is not a sound file,")
    run("analyse", *recordings, *CLOCK, "--json", tmp_path, "--events", tmp_path, "--plot", tmp_path)
    written = sorted(path.name for path in tmp_path.iterdir() if "benchlog" not in path.name)
    assert written == ["clock.flac.events.csv", "clock.flac.json", "clock.flac.png", "text.wav.json"]
    assert json.loads((tmp_path / "clock.flac.json").read_text(encoding="utf-8")) == first


def test_events_and_plots_of_several_recordings_need_a_folder(run):
    told = run("analyse", "a.flac", "b.flac", "--plot", "plot.png")
    assert (told.status, told.out) == (2, "")
    assert "for several recordings give a folder that exists" in told.err


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
def test_a_recording_that_brings_its_process_down_costs_only_itself(sounds, tmp_path):
    """Kill the process that reads an hour; the other recording is read all the same."""
    psutil = pytest.importorskip("psutil")
    long = tmp_path / "long.flac"
    samples, rate = soundfile.read(sounds / "clock.flac", dtype="int16")
    soundfile.write(long, np.tile(samples, 30), rate)
    command = [sys.executable, "-m", "torsionbeat", "analyse", long, sounds / "clock.flac", *CLOCK]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            _who_reads(psutil.Process(process.pid), long).kill()
            out, err = process.communicate(timeout=120)
        finally:
            process.kill()
    assert process.returncode == 4
    assert "the process that read it ended with signal 9" in err
    assert "clock.flac 40/40 +25" in " ".join(out.split())


def _who_reads(process, path):
    """Give the child of a process that has a file open."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        for child in process.children():
            with contextlib.suppress(OSError):
                if str(path) in [os.readlink(one) for one in Path(f"/proc/{child.pid}/fd").iterdir()]:
                    return child
        time.sleep(0.01)
    raise AssertionError(f"nobody reads {path}")


# The bench log


def test_period_and_lift_come_from_the_log_and_the_reading_is_kept(run, sounds, tmp_path):
    log = tmp_path / "log.sqlite"
    assert run("clock", "add", "Lamp", "--period", "6", "--lift", "20", "--log", log).status == 0
    told = run("analyse", sounds / "clock.flac", "--clock", "Lamp", "--log", log)
    assert told.status == 0
    assert "The clock gains 25 s a day" in told.words
    assert "Its arc (amplitude end to end) is" in told.words
    assert "clock.flac is kept for Lamp as recorded on" in told.err
    again = run(
        *("analyse", sounds / "clock.flac", "--clock", "Lamp", "--log", log, "--began", "2026-03-01 20:00")
    )
    assert "it takes the place of the reading kept of it before" in again.err
    with open_log(log) as opened:
        (kept,) = opened.readings("Lamp")
        assert len(opened.readings("Lamp", superseded=True)) == 2
    assert kept.recording_path == str(sounds / "clock.flac")
    assert len(kept.recording_sha256) == 64
    assert kept.taken_at.astimezone().strftime("%Y-%m-%d %H:%M") == "2026-03-01 20:00"
    assert kept.document["clock"]["name"] == "Lamp"


def test_an_unknown_clock_is_refused_before_anything_is_read(run):
    run("clock", "add", "Harbour lamp")
    told = run("analyse", "never-read.flac", "--clock", "Harbor lamp")
    assert (told.status, told.out) == (2, "")
    assert "Harbour lamp" in told.err


def test_a_log_that_cannot_keep_the_reading_does_not_cost_it(run, sounds, tmp_path, monkeypatch):
    from torsionbeat.benchlog.log import BenchLog
    from torsionbeat.errors import BenchLogError

    run("clock", "add", "Lamp", "--period", "6")

    def full(*_, **__):
        raise BenchLogError("the reading was not kept in the bench log: the disk is full")

    monkeypatch.setattr(BenchLog, "add_reading", full)
    told = run("analyse", sounds / "clock.flac", "--clock", "Lamp")
    assert told.status == 5
    assert "the disk is full (not kept: clock.flac)" in told.err
    assert "The clock gains 25 s a day" in told.words


def test_a_reading_of_another_clock_is_shown_and_not_kept_unless_asked(run, sounds, tmp_path):
    run("clock", "add", "Hall", "--period", "6.3")
    told = run("analyse", sounds / "clock.flac", "--clock", "Hall")
    assert told.status == 2
    assert (
        "this reading was not kept for Hall: its period is 5.998 s and the clock's nominal one 6.3 s"
        in told.err
    )
    assert "keep it with --keep-anyway" in told.err
    assert "Heard 40 of 40 beats" in told.words
    own = run(
        "analyse", sounds / "clock.flac", "--clock", "Hall", "--period", "6"
    )  # an option is no other record
    assert "was not kept for Hall" in own.err
    with open_log(tmp_path / "benchlog.sqlite") as opened:
        assert opened.readings("Hall") == []
    told = run("analyse", sounds / "clock.flac", "--clock", "Hall", "--keep-anyway", "--temperature", "19.5")
    assert told.status == 0
    assert "kept although its period is 5.998 s" in told.err
    with open_log(tmp_path / "benchlog.sqlite") as opened:
        (kept,) = opened.readings("Hall")
    assert kept.temperature_c == 19.5


def test_what_belongs_to_a_clock_is_refused_without_one(run, sounds):
    for option in (["--keep-anyway"], ["--temperature", "20"], ["--began", "2026-03-01"]):
        told = run("analyse", sounds / "clock.flac", *option)
        assert (told.status, told.out) == (2, "")
        assert "does nothing without --clock" in told.err


# The console entry


@pytest.fixture(scope="session")
def console():
    """Give the command as it is installed."""
    found = shutil.which("torsionbeat", path=os.path.dirname(sys.executable))
    if found is None:
        pytest.skip("torsionbeat is not installed in this environment")
    return found


def test_the_installed_command_reads_a_recording(console, sounds, tmp_path):
    done = subprocess.run(
        [console, "analyse", str(sounds / "clock.flac"), *CLOCK],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "The clock gains 25 s a day" in " ".join(done.stdout.split())


def test_a_reader_who_goes_away_is_no_error(console, sounds, tmp_path):
    written = tmp_path / "r.json"
    with subprocess.Popen(
        [console, "analyse", str(sounds / "clock.flac"), *CLOCK, "--json", str(written)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        process.stdout.close()
        assert process.stderr.read() == ""
    assert json.loads(written.read_text(encoding="utf-8"))["beats"]["heard"] == 40
