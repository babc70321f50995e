"""Recordings for the commands: a small clock, heard for two minutes, and everything that can be wrong with it."""

from __future__ import annotations

import importlib
import json
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
import typer
from typer.testing import CliRunner

from torsionbeat.cli import by_hand, clock, correct, main, note
from torsionbeat.errors import InputError

PERIOD_S = 6.0
LIFT_DEG = 20.0


@pytest.fixture(autouse=True)
def no_log_of_the_users(tmp_path, monkeypatch):
    """Keep every command off the user's own bench log, and its lines at 80 columns."""
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "benchlog.sqlite"))
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def run(capsys):
    """Give what runs a command line in this process: status, standard output and standard error."""

    def run(*arguments):
        status = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return SimpleNamespace(status=status, out=out, err=err, words=" ".join(out.split()))

    return run


@pytest.fixture
def output_of(tmp_path, monkeypatch):
    """Give what makes, of an application, what runs its commands on an empty log: their output, or their error raised."""
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "log.sqlite"))
    monkeypatch.setenv("COLUMNS", "200")

    def of(app):
        def run(*arguments):
            result = CliRunner().invoke(app, list(arguments))
            if result.exception is not None:
                raise result.exception
            assert max(map(len, result.stdout.splitlines()), default=0) <= 80 or "--json" in arguments
            return result.stdout

        return run

    return of


@pytest.fixture
def answer_of(output_of):
    """Give the same with the output as its JSON document where that was asked for, else as its words in one line."""

    def of(app):
        output = output_of(app)

        def run(*arguments):
            said = output(*arguments)
            return json.loads(said) if "--json" in arguments else " ".join(said.split())

        return run

    return of


@pytest.fixture
def bench(answer_of):
    """Give what runs the commands that adjust on an empty log: the output, or the error raised."""
    app = typer.Typer()
    app.add_typer(clock.app, name="clock")
    app.command("note")(note.note_command)
    app.command("correct")(correct.correct_command)
    app.command("spring")(by_hand.spring_command)
    app.command("freeswing")(by_hand.freeswing_command)
    return answer_of(app)


def _document(rate, u_rate=0.2, *, period=60.0, source="host clock", swings=()):
    return {
        "schema": 1,
        "recording": {"name": "lamp.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
        "timebase": {"source": source, "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
        "clock": {"nominal_period_s": period, "lift_deg": 20.0},
        "period_s": {"value": period / (1 + rate / 86400), "standard_uncertainty": 1e-5},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": u_rate},
        "beat_error_ms": {"value": 30.0, "standard_uncertainty": 1.0},
        "arc_deg": {"value": 430.0, "standard_uncertainty": 1.0},
        "beats": {"expected": 120, "heard": 120},
        "swings": list(swings),
    }


@pytest.fixture(scope="session")
def document():
    """Give what makes a reading's document of its rate."""
    return _document


class Asked(InputError):
    """Ends a command where its job would begin."""


@pytest.fixture
def asked(monkeypatch):
    """Give what puts itself in the place of a job and keeps the request it was called with."""
    kept = []

    def stand_in(request, *_, **__):
        kept.append(request)
        raise Asked("that will do")

    def instead_of(module, name):
        monkeypatch.setattr(importlib.import_module(module), name, stand_in)
        return kept

    return instead_of


@pytest.fixture(scope="session")
def sounds(tmp_path_factory):
    """Give a folder with ``clock.flac`` (6 s clock, contact and drop, gains 25 s/day) and ``room.flac``."""
    folder = tmp_path_factory.mktemp("sounds")
    small = ["--kind", "60s", "--period", "6", "--minutes", "2", "--room", "quiet", "--sample-rate", "16000"]
    clock = ["--rate", "25", "--offset", "1.5", "--arc", "400", "--lift", "20", "--seed", "1"]
    assert main(["simulate", str(folder / "clock.flac"), *small, *clock]) == 0
    assert main(["simulate", str(folder / "room.flac"), *small, "--no-clock", "--seed", "4"]) == 0
    return folder


@pytest.fixture(scope="session")
def samples(sounds):
    """Give the clock's samples and their rate."""
    return soundfile.read(sounds / "clock.flac")


@pytest.fixture(scope="session")
def broken(sounds, samples, tmp_path_factory):
    """Give a folder of recordings that cannot be used, each in its own way, or only in part."""
    folder = tmp_path_factory.mktemp("broken")
    clock, rate = samples
    (folder / "empty.wav").touch()
    (folder / "text.wav").write_text("not a sound " * 400, encoding="utf-8")
    soundfile.write(folder / "no-frames.wav", clock[:0], rate)
    soundfile.write(folder / "two-beats.wav", clock[: int(5.5 * rate)], rate)
    soundfile.write(folder / "silent.wav", np.zeros_like(clock), rate)
    soundfile.write(folder / "slow.wav", clock[::3], 5000)
    not_numbers = clock.copy()
    not_numbers[len(clock) // 2 :][: rate // 4] = np.nan
    soundfile.write(folder / "not-numbers.wav", not_numbers, rate, subtype="FLOAT")
    room, _ = soundfile.read(sounds / "room.flac")
    half = len(clock) // 2
    soundfile.write(folder / "stops.wav", np.concatenate([clock[:half], room[half:]]), rate)
    whole = (sounds / "clock.flac").read_bytes()
    (folder / "truncated.flac").write_bytes(whole[: 2 * len(whole) // 3])
    hurt = bytearray(whole)
    middle = len(hurt) // 2
    hurt[middle : middle + 30_000] = np.random.default_rng(5).bytes(30_000)
    (folder / "corrupt.flac").write_bytes(bytes(hurt))
    return folder
