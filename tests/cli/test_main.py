"""The way in: help, version, exit statuses, and errors nobody foresaw."""

from __future__ import annotations

import pytest

import torsionbeat
from torsionbeat.cli import app as the_app
from torsionbeat.cli import main
from torsionbeat.errors import BenchLogError, DeviceError, InputError, NothingHeardError


def test_the_version_is_said(run):
    assert run("--version").out == f"torsionbeat {torsionbeat.__version__}\n"


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
