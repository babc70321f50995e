"""Changes while a page is open: a stream of events that a page can rejoin after it lost its connection.

Input: fragments of pages, plots and notices, from any thread. Output: server-sent events. A fragment or a plot
replaces the earlier one in its place, so only the newest of each is kept; notices are kept in order. Each event has
a number. A page that rejoins with the last number it saw gets the later events. A number of an earlier server gets all.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections import deque
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Event", "Feed"]

SHORTEST_BETWEEN_S = 0.2
"""The eye follows no more than five updates a second."""

QUIET_S = 15.0
"""A comment is sent after this much silence, so that both sides notice a dead connection."""

NOTICES_KEPT = 200
"""A bad night has a few dozen notices; a page that missed more has been away for days."""


@dataclass(frozen=True, slots=True)
class Event:
    """One change: its number, its kind (``show``, ``plot``, ``beat`` or ``notice``), its topic, and its data as JSON."""

    number: int
    kind: str
    topic: str
    data: str

    def wire(self, boot: str) -> str:
        """Write it in the format of the event stream (WHATWG HTML, server-sent events)."""
        return f"id: {boot}-{self.number}\nevent: {self.kind}\ndata: {self.data}\n\n"


class Feed:
    """Takes changes from any thread, gives streams of them to pages."""

    def __init__(self) -> None:
        self._boot = secrets.token_hex(4)
        self._lock = threading.Lock()
        self._number = 0
        self._latest: dict[tuple[str, str], Event] = {}
        self._notices: deque[Event] = deque(maxlen=NOTICES_KEPT)
        self._listeners: dict[asyncio.Event, asyncio.AbstractEventLoop] = {}
        self._closed = False

    @property
    def last_id(self) -> str:
        """Number of the newest change, in the form that a page remembers."""
        return f"{self._boot}-{self._number}"

    @property
    def streams(self) -> int:
        """How many pages listen now."""
        return len(self._listeners)

    def show(self, topic: str, place: str, html: str) -> None:
        """Put a fragment into the element with the id ``place``; nothing is sent if it is already there.

        Parameters
        ----------
        topic : str
            Topic that a page listens to.
        place : str
            Id of the element.
        html : str
            The fragment.
        """
        self._replace("show", topic, place, json.dumps({"place": place, "html": html}))

    def plot(self, topic: str, place: str, plot: Mapping[str, Any]) -> None:
        """Draw a plot, made by ``plots``, in the element with the id ``place``.

        Parameters
        ----------
        topic : str
            Topic that a page listens to.
        place : str
            Id of the element.
        plot : mapping
        """
        self._replace("plot", topic, place, json.dumps({"place": place, "plot": plot}, allow_nan=False))

    def beat(self, topic: str, mark: Mapping[str, Any]) -> None:
        """Move the mark of the beat and, if the page wants it, sound its tone."""
        self._replace("beat", topic, "beat-mark", json.dumps(mark, allow_nan=False))

    def notice(self, topic: str, sentence: str) -> None:
        """Send a notice that must not be missed."""
        with self._lock:
            self._number += 1
            self._notices.append(Event(self._number, "notice", topic, json.dumps({"text": sentence})))
        self._wake()

    def forget(self, topic: str) -> None:
        """Drop what was shown under a topic before it begins again."""
        with self._lock:
            self._latest = {key: event for key, event in self._latest.items() if event.topic != topic}

    def close(self) -> None:
        """End all streams."""
        self._closed = True
        self._wake()

    def since(self, last_id: str, topics: frozenset[str]) -> list[Event]:
        """Give the events after a number, in order; all of them if the number is from another server."""
        boot, _, number = last_id.partition("-")
        seen = int(number) if boot == self._boot and number.isdecimal() and len(number) < 18 else -1
        with self._lock:
            events = [*self._latest.values(), *self._notices]
        wanted = [event for event in events if event.number > seen and event.topic in topics]
        return sorted(wanted, key=lambda event: event.number)

    async def stream(self, last_id: str, topics: frozenset[str]) -> AsyncIterator[str]:
        """Give the events of the topics as they occur, beginning with those since ``last_id``."""
        changed = asyncio.Event()
        self._listeners[changed] = asyncio.get_running_loop()
        try:
            yield "retry: 1000\n\n"
            while not self._closed:
                changed.clear()
                events = self.since(last_id, topics)
                if events:
                    last_id = f"{self._boot}-{events[-1].number}"
                    yield "".join(event.wire(self._boot) for event in events)
                    await asyncio.sleep(SHORTEST_BETWEEN_S)
                try:
                    await asyncio.wait_for(changed.wait(), QUIET_S)
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self._listeners.pop(changed, None)

    def _replace(self, kind: str, topic: str, place: str, data: str) -> None:
        with self._lock:
            before = self._latest.get((kind, place))
            if before is not None and before.data == data and before.topic == topic:
                return
            self._number += 1
            self._latest[kind, place] = Event(self._number, kind, topic, data)
        self._wake()

    def _wake(self) -> None:
        for changed, loop in list(self._listeners.items()):
            if not loop.is_closed():
                loop.call_soon_threadsafe(changed.set)
