"""A progress bar on standard error: only on a terminal, and only for long work."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

__all__ = ["Bar"]

PATIENCE_S = 1.0
"""Shorter work has no bar."""


class Bar:
    """A bar that appears after a second of work and disappears at its end. Use it in ``with``."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._since = time.monotonic()
        self._shown: Progress | None = None

    def __enter__(self) -> Bar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._shown is not None:
            self._shown.stop()

    def frames(self, done: int, of: int | None) -> None:
        """Report how many frames are read, of how many."""
        if of:
            self.share(done / of)

    def share(self, done: float) -> None:
        """Report the share of the work that is done, 0 to 1."""
        if not sys.stderr.isatty() or time.monotonic() - self._since < PATIENCE_S:
            return
        if self._shown is None:
            from rich.console import Console
            from rich.progress import Progress

            self._shown = Progress(console=Console(stderr=True), transient=True)
            self._shown.add_task(self._what, total=1.0)
            self._shown.start()
        self._shown.update(self._shown.task_ids[0], completed=min(done, 1.0))
