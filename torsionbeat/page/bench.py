"""State that the handlers share: the log's name, the stream of changes, the running listening, the recordings."""

from __future__ import annotations

import asyncio
import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.errors import TorsionbeatError
from torsionbeat.page.access import Access
from torsionbeat.page.feed import Feed
from torsionbeat.page.listening import Listening
from torsionbeat.page.minutes import Minutes
from torsionbeat.page.nightwatch import NightWatch
from torsionbeat.page.recordings import Limits, Recordings

__all__ = ["Bench", "bench_of", "sounds_folder"]

if TYPE_CHECKING:
    from starlette.requests import Request

FOLDER_VARIABLE = "TORSIONBEAT_SOUNDS"
"""Environment variable: the folder for sound recorded or uploaded through the page."""


class Bench:
    """One run of the page.

    Parameters
    ----------
    log : str or None
        The bench log; None for the default one.
    access : Access
    lan_urls : tuple of str
        Addresses of the page for other devices; empty if it is for this computer alone.
    limits : Limits, optional
        Limits for uploads and for reading them.
    """

    def __init__(
        self,
        log: str | None,
        access: Access,
        lan_urls: tuple[str, ...] = (),
        limits: Limits | None = None,
    ) -> None:
        self.log, self.access, self.lan_urls = log, access, lan_urls
        self.feed = Feed()
        self.sounds = sounds_folder(log)
        self.loop: asyncio.AbstractEventLoop | None = None
        self.told: dict[str, tuple[str, ...]] = {}
        """Remarks for the next page of a session, from a form that was kept."""
        self.begun = ""
        """Says that an empty log was made at the given place; shown while it stays empty."""
        limits = limits or Limits()
        self.recordings = Recordings(self.sounds, log, self.feed, limits)
        self.minutes = Minutes(self.sounds / "minutes", limits)
        self.listening = Listening(self.sounds, log, self.feed, self.recordings)
        self.watch = NightWatch(self.sounds, self.listening, self.feed)
        self.listening.on_end = lambda _: self.watch.show_now()

    def open(self, tell: Callable[[str], None]) -> None:
        """Make sure that the log can be opened, then start reading recordings and watching nights.

        Raises
        ------
        BenchLogError
            The log cannot be opened.
        """
        from torsionbeat.benchlog import open_log

        is_new = self.log is not None and _is_missing(self.log)
        with open_log(self.log) as log:
            where = log.where
        if is_new:
            self.begun = f"There was no bench log {where}; an empty one was begun there."
            tell(f"{self.begun} If another was meant, end this and check --log.")
        self.recordings.start()
        self.watch.start(tell)

    def close(self, tell: Callable[[str], None]) -> None:
        """End. A running listening is kept to its last sample and read, and the result is reported."""
        self.feed.close()
        self.watch.stop()
        try:
            said = self.listening.end_all()
        except TorsionbeatError as error:
            said = str(error)
        self.recordings.stop()
        if said:
            tell(said)

    def now_line(self) -> str:
        """The current activity, for the head of every page."""
        return self.watch.now_line()


def bench_of(request: Request) -> Bench:
    """Give the state that all handlers share."""
    bench: Bench = request.app.state.bench
    return bench


def _is_missing(log: str) -> bool:
    from torsionbeat.benchlog.store import locate

    url = locate(log)
    return url.drivername == "sqlite" and not Path(str(url.database)).exists()


def sounds_folder(log: str | None) -> Path:
    """Give the folder for sound that the page keeps: beside the log or, with a database, in the user data folder."""
    named = os.environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named)
    from torsionbeat.benchlog.store import locate

    url = locate(log)
    if url.drivername == "sqlite" and url.database:
        path = Path(url.database)
        return path.with_name(f"{path.stem}-sounds")
    from platformdirs import user_data_path

    which = hashlib.sha256(url.render_as_string(hide_password=True).encode()).hexdigest()[:12]
    return user_data_path("torsionbeat", appauthor=False) / f"sounds-{which}"
