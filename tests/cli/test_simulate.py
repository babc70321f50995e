"""The simulate command: what it writes, what it says, what it refuses."""

from __future__ import annotations

import json

import pytest
import soundfile
import typer
from typer.testing import CliRunner

from torsionbeat.cli.simulate import simulate_command
from torsionbeat.errors import InputError

app = typer.Typer()
app.command("simulate")(simulate_command)
SHORT = ["--minutes", "2", "--sample-rate", "8000"]


def run(*options):
    return CliRunner().invoke(app, [str(option) for option in options])


def test_it_writes_sound_and_truth_and_says_what_they_are(tmp_path):
    out = tmp_path / "practice.flac"
    result = run(out, "--kind", "15s", "--rate", "-12.5", "--wander", "0", "--seed", "4", *SHORT)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("The clock loses 12.50 s a day against its nominal period of 15 s.\n")
    assert "16 beats in 2 minutes of a workshop" in result.stdout
    truth = json.loads((tmp_path / "practice.truth.json").read_text())
    assert truth["figures"]["period_s"] == pytest.approx(15.0 / (1 - 12.5 / 86_400), rel=1e-7)
    assert truth["figures"]["arc_deg"] == pytest.approx(300.0, abs=0.1)
    assert soundfile.info(out).frames == 120 * 8000
    assert all(len(line) <= 80 or "Sound" in line or "Truth" in line for line in result.stdout.splitlines())


def test_a_room_without_a_clock(tmp_path):
    result = run(tmp_path / "empty.wav", "--no-clock", "--room", "rain", *SHORT)
    assert result.stdout.startswith("No clock is in this recording: 2 minutes of a room under rain.")
    truth = json.loads((tmp_path / "empty.truth.json").read_text())
    assert truth["beats"] == []


@pytest.mark.parametrize(
    "room", ["quiet", "noisy", "buried", "quartz", "pendulum", "alarm", "fire", "drip", "talk"]
)
def test_every_room_can_be_made(tmp_path, room):
    result = run(tmp_path / "room.flac", "--room", room, "--minutes", "0.5", "--sample-rate", "8000")
    assert result.exit_code == 0, result.output
    assert "too few for a rate" in result.stdout


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--kind", "90s"], "there is no kind '90s': choose from 60s, 20s, 15s, 12s"),
        (["--room", "moon"], "there is no room 'moon': choose from quiet"),
        (["--minutes", "3", "--hours", "1"], "not as both"),
        (["--minutes", "0"], "a duration of 0 s"),
        (["--hours", "1000"], "at most 400 hours"),
        (["--arc", "19"], "does not clear the lift"),
        (["--lift", "300"], "lift 300 deg is outside"),
        (["--rate", "90000"], "a rate of 90000 s/day"),
        (["--period", "-3"], "period -3 s cannot be simulated"),
        (["--crystal-ppm", "99999"], "crystal 99999 ppm"),
        (["--sample-rate", "10"], "sample rate 10 Hz"),
        (["--seed", "-1"], "seed -1 is negative"),
        (["--q", "0"], "Q 0 is outside 2"),
        (["--drop-peak", "7"], "a drop's peak of 7 is outside"),
        (["--minutes", "nan"], "a duration of nan s"),
        (["--offset", "nan"], "offset nan deg"),
    ],
)
def test_absurd_values_are_refused(tmp_path, options, words):
    result = run(tmp_path / "practice.flac", *options)
    assert isinstance(result.exception, InputError)
    assert words in str(result.exception)
    assert not list(tmp_path.iterdir())


def test_an_existing_file_is_left_alone_unless_told(tmp_path):
    out = tmp_path / "precious.flac"
    out.write_bytes(b"a night of work")
    result = run(out, *SHORT)
    assert isinstance(result.exception, InputError)
    assert "was left alone" in str(result.exception)
    assert out.read_bytes() == b"a night of work"
    assert run(out, "--overwrite", *SHORT).exit_code == 0
    assert soundfile.info(out).samplerate == 8000
