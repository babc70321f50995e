"""Whether the computer's clock is kept by network time, and clocks that nobody sets."""

from __future__ import annotations

import subprocess
from types import SimpleNamespace

import pytest

from torsionbeat.sound import hostclock
from torsionbeat.sound.hostclock import HostClock, host_clock_synchronised


@pytest.mark.parametrize(
    ("state", "status", "answer"),
    [(0, 0x2001, True), (0, 0x2041, False), (5, 0x0040, False), (5, 0x2001, False)],
)
def test_synchronised_by_adjtimex(monkeypatch, state, status, answer):
    def adjtimex(asked):
        asked._obj.status = status
        return state

    monkeypatch.setattr(hostclock.sys, "platform", "linux")
    monkeypatch.setattr(hostclock.ctypes, "CDLL", lambda *_, **__: SimpleNamespace(adjtimex=adjtimex))
    assert host_clock_synchronised() is answer


@pytest.mark.parametrize(("said", "answer"), [("yes\n", True), ("no\n", False), ("", None), (OSError, None)])
def test_synchronised_by_timedatectl_where_adjtimex_is_forbidden(monkeypatch, said, answer):
    def run(*_, **__):
        if said is OSError:
            raise OSError
        return SimpleNamespace(stdout=said)

    monkeypatch.setattr(hostclock.sys, "platform", "linux")
    monkeypatch.setattr(hostclock.ctypes, "CDLL", lambda *_, **__: SimpleNamespace(adjtimex=lambda _: -1))
    monkeypatch.setattr(subprocess, "run", run)
    assert host_clock_synchronised() is answer


def test_elsewhere_nobody_can_say(monkeypatch):
    monkeypatch.setattr(hostclock.sys, "platform", "darwin")
    assert host_clock_synchronised() is None


def test_this_computer_answers():
    assert host_clock_synchronised() in (True, False, None)


def test_clocks_go_forward():
    clock = HostClock()
    first, second = clock.monotonic_ns(), clock.monotonic_ns()
    assert second >= first
    assert clock.utc_ns() > 1_700_000_000 * 10**9  # 2023
