"""Nights of this computer outside the page: those other programs listen to, and those that were interrupted.

Input: the entries of ``torsionbeat.bench.nights``. Output: the line at the head of every page, and the state of a night
that a terminal listens to. Nights that ended with a kill or a power cut are read, and the result is announced.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from torsionbeat.errors import InputError, NothingHeardError, TorsionbeatError
from torsionbeat.page.views import day_words, fragment, named_path, sentence

if TYPE_CHECKING:
    from torsionbeat.bench.nights import Night
    from torsionbeat.page.feed import Feed
    from torsionbeat.page.listening import Listening

__all__ = ["NightWatch"]

LOOK_EVERY_S = 2.0
"""A night of another program appears within this time; a look lists one folder."""


class NightWatch:
    """Watches the nights while the page is served.

    Parameters
    ----------
    sounds : Path
        Folder of the page's own nights.
    listening : Listening
        The page's own listening.
    feed : Feed
    """

    def __init__(self, sounds: Path, listening: Listening, feed: Feed) -> None:
        self._sounds, self._listening, self._feed = sounds.absolute(), listening, feed
        self._over = threading.Event()
        self._threads: list[threading.Thread] = []
        self.news: list[tuple[str, str]] = []
        """Results of interrupted nights: a sentence for each, and the path of the page to continue on."""
        self._line = ""

    def start(self, tell: Callable[[str], None]) -> None:
        """Start watching; ``tell`` is called with the results of interrupted nights."""
        for work in (self._look, lambda: self._mend(tell)):
            thread = threading.Thread(target=work, name="night watch", daemon=True)
            self._threads.append(thread)
            thread.start()

    def stop(self) -> None:
        """Stop watching."""
        self._over.set()

    def others(self) -> list[Night]:
        """Nights that other programs of this user listen to now."""
        from torsionbeat.bench.nights import running_nights

        mine = self._listening.running is not None
        return [night for night in running_nights() if not (mine and night.folder.parent == self._sounds)]

    def find(self, number: str) -> Night:
        """Give a running night of another program.

        Raises
        ------
        InputError
            It has ended.
        """
        for night in self.others():
            if night.id == number:
                return night
        raise InputError("this night has ended; its reading is with its clock")

    def now_line(self) -> str:
        """The listenings that are running, for the head of every page."""
        running = self._listening.running
        parts = []
        if running is not None:
            said = running.what[:1].upper() + running.what[1:]
            parts.append(
                Markup('<a href="/listen">{}</a> since {:%H:%M}').format(said, running.began.astimezone())
            )
        with contextlib.suppress(OSError):
            parts += [
                Markup(
                    '<a href="/listen/night/{}">Listening to {}</a> in another program since {:%H:%M}'
                ).format(night.id, night.clock or "a clock", night.began.astimezone())
                for night in self.others()
            ]
        return Markup(". ").join(parts)

    def _look(self) -> None:
        while not self._over.wait(LOOK_EVERY_S):
            with contextlib.suppress(Exception):  # a page without this line is better than none
                self.show_now()
                for night in self.others():
                    self._show_other(night)

    def show_now(self) -> None:
        """Update the line at the head of every page."""
        self._feed.show("all", "now", str(self.now_line()))

    def _show_other(self, night: Night) -> None:
        from torsionbeat.bench.nights import night_state

        topic = f"night-{night.id}"
        state = night_state(night)
        if state is None:
            return
        self._feed.show(topic, f"other-{night.id}", fragment("live_other.html", "state", night, state))

    def _mend(self, tell: Callable[[str], None]) -> None:
        """Read the interrupted nights, one after the other."""
        from torsionbeat.bench.nights import broken_off_nights
        from torsionbeat.display.words import reading_sentences
        from torsionbeat.jobs.listen import finish_night

        for night in broken_off_nights():
            if self._over.is_set():
                return
            what = f"The night of {night.clock or 'a clock'} that began on {day_words(night.began)} was broken off"
            try:
                result = finish_night(night.folder, night.known, cancel=self._over)
            except NothingHeardError as error:
                self._news(f"{what}. Its sound is kept, but nothing could be measured: {error}", "", tell)
                continue
            except TorsionbeatError as error:
                if not self._over.is_set():
                    self._news(f"{what}, and could not be read: {error}", "", tell)
                continue
            found = " ".join(reading_sentences(result.reading)[:2])
            failed = " ".join(str(failure) for failure in result.failures)
            self._news(
                f"{what}. It was read from what was kept. {found} {failed}",
                named_path(night.clock) if result.kept_for else "",
                tell,
            )

    def _news(self, said: str, path: str, tell: Callable[[str], None]) -> None:
        self.news.append((sentence(said), path))
        self._feed.notice("all", sentence(said))
        tell(said)
