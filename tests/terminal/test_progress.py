"""The bar: only on a terminal, only for work that lasts, and gone when it is done."""

from __future__ import annotations

import io
import sys

import pytest

from torsionbeat.terminal import progress


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def clock(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    return now


def test_nothing_is_shown_within_the_first_second_or_off_a_terminal(clock, monkeypatch):
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with progress.Bar("Reading") as bar:
        clock[0] += 0.9
        bar.share(0.5)
        assert bar._shown is None
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with progress.Bar("Reading") as bar:
        clock[0] += 5
        bar.share(0.5)
        assert bar._shown is None
    assert screen.getvalue() == ""


def test_after_a_second_it_shows_the_share_of_what_is_known(clock, monkeypatch):
    monkeypatch.setattr(sys, "stderr", Terminal())
    with progress.Bar("Reading") as bar:
        clock[0] += 1.0
        bar.frames(25, None)
        assert bar._shown is None
        bar.frames(25, 100)
        assert bar._shown.tasks[0].completed == 0.25
        bar.share(1.7)
        assert bar._shown.tasks[0].completed == 1.0
        assert bar._shown.tasks[0].description == "Reading"
    assert not bar._shown.live.is_started
