"""A listening run from a terminal: how it is ended, what is shown while it runs, what is printed after it."""

from __future__ import annotations

import contextlib
import json
import signal
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from torsionbeat.errors import InputError
from torsionbeat.sound.remarks import Remark
from torsionbeat.terminal.telling import tell

if TYPE_CHECKING:
    from torsionbeat.bench.nights import Night
    from torsionbeat.jobs.listen import ListenRequest, ListenResult
    from torsionbeat.jobs.microphone import CheckState
    from torsionbeat.live.session import LiveState
    from torsionbeat.terminal.live import LiveScreen

__all__ = ["CheckTeller", "Ending", "Watcher", "ended_by_signals", "follow", "show_night"]


STATUS_EVERY_S = 60.0
"""A line a minute: enough for a program that watches, and half a megabyte a night."""


TOLD_EVERY_S = 30.0
"""The microphone check reports its progress every half minute."""


class Ending:
    """A flag that a signal handler may set. It has no lock, so the handler never waits."""

    def __init__(self) -> None:
        self._set = False

    def set(self) -> None:
        """Request the end."""
        self._set = True

    def is_set(self) -> bool:
        """Whether the end was requested."""
        return self._set

    def wait(self, seconds: float) -> None:
        """Wait this long, or until the end is requested."""
        import time

        until = time.monotonic() + seconds
        while not self._set and (left_s := until - time.monotonic()) > 0:
            time.sleep(min(left_s, 0.2))


@contextlib.contextmanager
def ended_by_signals(ending: Ending | None = None) -> Iterator[Ending]:
    """Let Ctrl-C, a kill or a closed terminal end the listening, not the program; a second Ctrl-C ends the program."""
    flag = ending or Ending()

    def handle(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGINT:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        flag.set()

    if threading.current_thread() is not threading.main_thread():
        yield flag
        return
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    heeded = [
        number for number in numbers if signal.getsignal(number) != signal.SIG_IGN
    ]  # nohup is respected
    before = {number: signal.signal(number, handle) for number in heeded}
    try:
        yield flag
    finally:
        for number, old in before.items():
            signal.signal(number, old)


class CheckTeller:
    """Reports on standard error the progress of a check, and when no sound arrives."""

    def __init__(self) -> None:
        self._told_s: float | None = None

    def __call__(self, state: CheckState) -> None:
        if state.away:
            tell(f"no sound arrives from {state.name}; it is waited for: check its plug")
        elif self._told_s is None:
            self._told_s = 0.0
            tell(f"listening with {state.name} for {state.duration_s:.0f} s; Ctrl-C ends sooner")
        elif self._told_s + TOLD_EVERY_S <= state.heard_s < state.duration_s:
            self._told_s = state.heard_s
            tell(f"{state.heard_s:.0f} s")


class Watcher:
    """Called with each state: shows it, and writes the status file once a minute.

    A status file that cannot be written is told once, and tried again every minute: the night goes on.

    Parameters
    ----------
    screen : LiveScreen
    quiet : bool
        Show nothing.
    status : Path or None
        File for the state, one JSON line a minute.
    """

    def __init__(self, screen: LiveScreen, quiet: bool, status: Path | None) -> None:
        self.night: Night | None = None
        self._screen = screen
        self._show = None if quiet else screen.show
        self._status = status
        self._status_at_s = -STATUS_EVERY_S
        self.unwritten: Remark | None = None

    def begin(self, night: Night) -> None:
        """Remember the night."""
        self.night = night
        self._screen.begin(night)

    def __call__(self, state: LiveState) -> None:
        if self._status is not None and state.heard_s >= self._status_at_s + STATUS_EVERY_S:
            self._status_at_s = state.heard_s
            self._write(self._status, state)
        if self._show is not None:
            shown = (
                state if self.unwritten is None else replace(state, remarks=(*state.remarks, self.unwritten))
            )
            self._show(shown)

    def _write(self, path: Path, state: LiveState) -> None:
        """Add a line; the first that fails is told at once where nothing is drawn, else on the screen and behind the night."""
        from torsionbeat.terminal.live import status_document

        line = json.dumps(status_document(state, datetime.now().astimezone()), allow_nan=False)
        try:
            with path.open("a", encoding="utf-8") as file:
                file.write(line + "\n")
        except OSError as error:
            if self.unwritten is not None:
                return
            said = (
                f"The status file {path} cannot be written ({error.strerror or error}); the night goes on without it, "
                "and it is tried again every minute."
            )
            self.unwritten = Remark("status-unwritten", said)
            if self._show is None:
                tell(said)


def show_night(result: ListenResult, request: ListenRequest, *, quiet: bool) -> None:
    """Print the reading of a night and the place where its sound is kept.

    Parameters
    ----------
    result : ListenResult
    request : ListenRequest
    quiet : bool
        Print only the reading.

    Raises
    ------
    TorsionbeatError
        The last failure during the night; earlier ones are reported already.
    """
    from torsionbeat.display.terminal import print_reading

    print_reading(result.reading)
    if not quiet and request.keep != "figures":
        tell(f"kept in {result.folder}; read it again with: torsionbeat analyse {result.folder}")
    for trouble in result.failures[:-1]:
        tell(str(trouble))
    if result.failures:
        raise result.failures[-1]


def follow(clock: str | None) -> None:
    """Show a night that another program is listening to, and leave it running.

    Raises
    ------
    InputError
        No such night is running.
    """
    from torsionbeat.bench.nights import running_nights
    from torsionbeat.jobs.listen import follow_night
    from torsionbeat.terminal.live import LEAVES, LiveScreen

    nights = [one for one in running_nights() if clock is None or one.clock.casefold() == clock.casefold()]
    if not nights:
        raise InputError(
            f"no night of {clock or 'any clock'} is being listened to now; begin one with listen --for 9h"
        )
    with LiveScreen("", ends=LEAVES) as screen, ended_by_signals() as ending:
        screen.begin(nights[-1])
        follow_night(nights[-1], on_state=screen.show, cancel=ending)
    tell(f"the night in {nights[-1].folder} {'goes on' if ending.is_set() else 'is over'}")
