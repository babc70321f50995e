"""How a listening is ended from outside: Ctrl-C, a kill, a terminal that is closed."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType

__all__ = ["Ending", "ended_by_signals"]


class Ending:
    """A flag that a signal handler may set; no lock, so that it never waits."""

    def __init__(self) -> None:
        self._set = False

    def set(self) -> None:
        """Ask for the end."""
        self._set = True

    def is_set(self) -> bool:
        """Whether the end was asked for."""
        return self._set

    def wait(self, seconds: float) -> None:
        """Wait so long, or until the end is asked for."""
        import time

        until = time.monotonic() + seconds
        while not self._set and (left_s := until - time.monotonic()) > 0:
            time.sleep(min(left_s, 0.2))


@contextlib.contextmanager
def ended_by_signals(ending: Ending | None = None) -> Iterator[Ending]:
    """Let Ctrl-C, a kill or a closed terminal end the listening, not the program; a second Ctrl-C ends it all."""
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
