"""The way in: help, version, exit statuses, and errors nobody foresaw."""

from __future__ import annotations

import subprocess
import sys

import pytest

import torsionbeat
from torsionbeat.cli import app as the_app
from torsionbeat.cli import main
from torsionbeat.display.glossary import CAUTIONS
from torsionbeat.errors import BenchLogError, DeviceError, InputError, NothingHeardError
from torsionbeat.terminal.command_list import COMMANDS


def known_commands():
    return [name for names in COMMANDS.values() for name in names]


def test_help_lists_every_command_and_carries_the_cautions(run):
    told = run("--help")
    assert told.status == 0
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in told.words
    for name in known_commands():
        assert f"\n  {name} " in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert run().words == told.words


def test_every_command_has_help(run):
    for name in known_commands():
        told = run(name, "--help")
        assert told.status == 0
        assert f"Usage: torsionbeat {name}" in told.words


def test_the_version_is_said(run):
    assert run("--version").out == f"torsionbeat {torsionbeat.__version__}\n"


def test_help_loads_nothing_heavy():
    """What makes a command slow to start; how slow is measured in tests/benchmarks."""
    script = (
        "import sys; from torsionbeat.cli import main; main(['--help']); "
        "heavy = ('numpy', 'scipy', 'librosa', 'matplotlib', 'sqlalchemy', 'soundfile'); "
        "sys.stderr.write(' '.join(name for name in heavy if name in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_slip_in_a_command_is_one_sentence(run):
    told = run("analyze", "x.flac")
    assert (told.status, told.out) == (2, "")
    assert "No such command 'analyze'" in told.err
    assert "see torsionbeat --help" in told.err
    assert len(told.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("error", "status"),
    [(InputError, 2), (NothingHeardError, 3), (DeviceError, 4), (BenchLogError, 5), (KeyboardInterrupt, 130)],
)
def test_each_error_has_its_status(monkeypatch, capsys, error, status):
    def fails(*_, **__):
        raise error("the cause, what is\nallowed, what to do")

    monkeypatch.setattr(the_app, "app", fails)
    assert main(["analyse"]) == status
    out, err = capsys.readouterr()
    assert out == ""
    assert err == ("stopped.\n" if status == 130 else "the cause, what is allowed, what to do.\n")


def test_an_unforeseen_error_is_one_sentence_and_its_traceback_only_on_request(monkeypatch, capsys):
    def fails(*_, **__):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(the_app, "app", fails)
    monkeypatch.delenv("TORSIONBEAT_DEBUG", raising=False)
    assert main(["analyse"]) == 1
    err = capsys.readouterr().err
    assert err.startswith(
        "something went wrong that should not have: ZeroDivisionError: division by zero; set"
    )
    assert len(err.splitlines()) == 1
    monkeypatch.setenv("TORSIONBEAT_DEBUG", "1")
    assert main(["analyse"]) == 1
    assert "Traceback (most recent call last)" in capsys.readouterr().err
