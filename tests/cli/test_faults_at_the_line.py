"""The command line itself under faults: a night broken off, a reader gone, a full disk, hostile names, signals."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.nights import announced, broken_off_nights
from torsionbeat.benchlog import open_log
from torsionbeat.terminal.telling import LONGEST

COMMAND = [sys.executable, "-m", "torsionbeat"]


@pytest.fixture
def alder():
    with open_log() as log:
        log.add_clock("Alder", nominal_period_s=6.0, lift_deg=20.0)


def break_off(folder):
    """Leave a night as a kill does: its entry is there, and nobody holds its lock."""
    folder.mkdir()
    try:
        with announced(folder, KnownClock("Alder"), "mic", datetime.now(UTC), 60.0, "sound"):
            raise RuntimeError("killed")
    except RuntimeError:
        pass


def test_a_night_broken_off_is_told_by_whatever_touches_its_clock(run, alder, sounds, tmp_path):
    break_off(tmp_path / "night of the storm")
    for line in (
        ["clock", "show", "Alder"],
        ["handcheck", "0h 0", "168h +18", "--clock", "Alder"],
    ):
        told = run(*line)
        assert told.status == 0
        said = " ".join(told.err.split())
        assert "was broken off and was not read; read and keep it with: torsionbeat analyse '" in said
        assert "night of the storm' --clock Alder" in said
    assert run("devices", "--help").err == ""
    assert len(broken_off_nights("Alder")) == 1


def test_a_night_of_another_clock_is_not_told(run, alder, tmp_path):
    break_off(tmp_path / "night")
    with open_log() as log:
        log.add_clock("Birch")
    assert run("clock", "show", "Birch").err == ""


def test_a_name_full_of_escapes_cannot_move_the_cursor(run):
    told = run("analyse", "a\x1b[2Jb\x07\x9b.flac")
    assert told.status == 2
    assert "a\\x1b[2Jb\\x07\\x9b.flac" in told.err
    assert all(sign.isprintable() or sign == "\n" for sign in told.err)


@pytest.mark.parametrize(
    "line", [["analyse", "x" * 10**6], ["x" * 10**6], ["analyse", "a.flac", "--period", "6" * 10**6]]
)
def test_a_megabyte_is_not_echoed(run, line):
    told = run(*line)
    assert told.status == 2
    assert len(told.err) < LONGEST + 100


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no full device here")
def test_a_full_standard_output_ends_in_words(sounds):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*COMMAND, "analyse", str(sounds / "clock.flac"), "--period", "6"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 4
    assert "the disk under standard output is full" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


def test_a_reader_that_goes_away_costs_nothing_that_is_kept(sounds, tmp_path):
    """As ``listen | head -1``: the night is kept, and the status says that the reader went."""
    reading, writing = os.pipe()
    listening = subprocess.Popen(
        [*COMMAND, "listen", "--from", str(sounds / "clock.flac"), "--pace", "0", "--period", "6", "--quiet"],
        stdout=writing,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
    )
    os.close(writing)
    os.close(reading)
    _, said = listening.communicate(timeout=120)
    assert listening.returncode == 141, said
    assert said == b""
    (folder,) = tmp_path.glob("night-*")
    assert (folder / "reading.json").exists()


def begin_listening(sounds, tmp_path, *, ignore=()):
    """Listen to a recording in real time, and give the process once it hears."""

    def ignored():
        for number in ignore:
            signal.signal(number, signal.SIG_IGN)

    process = subprocess.Popen(
        [*COMMAND, "listen", "--from", str(sounds / "clock.flac"), "--period", "6", "--folder", "night"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
        text=True,
        preexec_fn=ignored,
    )
    until = time.monotonic() + 60
    while not list((tmp_path / "night").glob("sound-*")) and time.monotonic() < until:
        time.sleep(0.1)
    time.sleep(1.0)
    return process


def test_under_nohup_a_terminal_that_is_closed_ends_nothing(sounds, tmp_path):
    process = begin_listening(sounds, tmp_path, ignore=[signal.SIGHUP])
    process.send_signal(signal.SIGHUP)
    time.sleep(1.0)
    assert process.poll() is None
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=60)
    assert process.returncode in (0, 3)  # so short a night may hold no clock that can be measured


@pytest.mark.parametrize("later_s", [0.03, 0.3, 0.6])  # while it is read; when all is told and Python ends
def test_a_second_interrupt_says_how_the_night_is_read(sounds, tmp_path, later_s):
    process = begin_listening(sounds, tmp_path)
    process.send_signal(signal.SIGINT)
    time.sleep(later_s)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    if process.returncode == 130 and not (tmp_path / "night" / "reading.json").exists():
        assert "read it with: torsionbeat analyse" in " ".join(said.split()), said
        assert Path("night").name in said
    else:  # the first was already through: the night was read
        assert process.returncode in (0, 3, 130), said


def test_there_is_no_night_to_follow(run):
    told = run("listen", "--follow")
    assert told.status == 2
    assert "no night of any clock is being listened to now" in " ".join(told.err.split())
