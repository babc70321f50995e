"""A listening watched: the flag, the lines of a check, the status file."""

from __future__ import annotations

import json
import os
import signal
import time
from dataclasses import dataclass
from types import SimpleNamespace

import pytest

from torsionbeat.terminal.watching import CheckTeller, Ending, Watcher, ended_by_signals


def test_a_wait_ends_after_its_time_or_with_the_flag():
    ending = Ending()
    began = time.monotonic()
    ending.wait(0.05)
    assert time.monotonic() - began >= 0.05
    ending.set()
    assert ending.is_set()
    began = time.monotonic()
    ending.wait(60.0)
    assert time.monotonic() - began < 5.0  # at once; seconds allow for a busy machine


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signal here")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_sets_the_flag_and_what_stood_before_is_put_back(name):
    number = getattr(signal, name)
    before = signal.getsignal(number)
    with ended_by_signals() as flag:
        assert not flag.is_set()
        os.kill(os.getpid(), number)
        assert flag.is_set()
    assert signal.getsignal(number) is before


def test_a_second_interrupt_ends_it_all():
    def twice(flag):
        os.kill(os.getpid(), signal.SIGINT)
        assert flag.is_set()
        os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt), ended_by_signals() as flag:
        twice(flag)


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signal here")
def test_a_signal_that_is_ignored_stays_ignored():
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with ended_by_signals() as flag:
            os.kill(os.getpid(), signal.SIGHUP)
            assert not flag.is_set()
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_check_says_that_it_begins_goes_on_and_hears_nothing(capsys):
    teller = CheckTeller()

    def state(heard_s, away=False):
        return SimpleNamespace(name="mic", heard_s=heard_s, duration_s=120.0, away=away)

    for heard_s in (0.0, 29.9, 30.0, 45.0, 60.0, 120.0):
        teller(state(heard_s))
    teller(state(60.0, away=True))
    assert capsys.readouterr().err.splitlines() == [
        "listening with mic for 120 s; Ctrl-C ends sooner.",
        "30 s.",
        "60 s.",
        "no sound arrives from mic; it is waited for: check its plug.",
    ]


def test_the_status_file_gets_a_line_a_minute(tmp_path, monkeypatch):
    monkeypatch.setattr(
        "torsionbeat.terminal.live.status_document", lambda state, _: {"heard_s": state.heard_s}
    )
    shown = []
    screen = SimpleNamespace(show=shown.append, begin=shown.append)
    watcher = Watcher(screen, False, tmp_path / "status.jsonl")
    for heard_s in (0.0, 30.0, 59.9, 60.0, 90.0, 125.0):
        watcher(SimpleNamespace(heard_s=heard_s))
    rows = [json.loads(line)["heard_s"] for line in (tmp_path / "status.jsonl").read_text().splitlines()]
    assert rows == [0.0, 60.0, 125.0]
    assert len(shown) == 6
    quiet = Watcher(screen, True, None)
    quiet(SimpleNamespace(heard_s=0.0))
    assert len(shown) == 6


@dataclass
class State:
    """What a watcher looks at of a state."""

    heard_s: float
    remarks: tuple = ()


@pytest.mark.parametrize("path", ["none/status.jsonl", "/dev/full", "folder"])
def test_a_status_file_that_cannot_be_written_is_told_once_and_stops_nothing(
    tmp_path, monkeypatch, capsys, path
):
    monkeypatch.setattr("torsionbeat.terminal.live.status_document", lambda state, _: {})
    (tmp_path / "folder").mkdir()
    shown = []
    for quiet in (True, False):
        watcher = Watcher(SimpleNamespace(show=shown.append), quiet, tmp_path / path)
        for heard_s in (0.0, 60.0, 120.0):
            watcher(State(heard_s, ("one",)))
        assert watcher.unwritten.code == "status-unwritten"
    said = capsys.readouterr().err
    assert said.count("cannot be written") == 1  # quiet: at once; on a screen it stands among the remarks
    assert "the night goes on without it" in said
    assert [state.remarks for state in shown] == [("one", watcher.unwritten)] * 3
