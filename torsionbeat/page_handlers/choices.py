"""Choices that forms offer: clocks, microphones, lengths."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from torsionbeat.errors import DeviceError, InputError, TorsionbeatError

if TYPE_CHECKING:
    from torsionbeat.jobs.clock_history import ClockFacts, ListedClock
    from torsionbeat.page.bench import Bench

__all__ = ["LENGTHS", "Choice", "clock_names", "clock_of", "length_s", "microphones", "row_of"]

LENGTHS = (
    ("", "until I end it"),
    ("120", "2 minutes: the beat"),
    ("1200", "20 minutes: a first rate"),
    ("7200", "2 hours"),
    ("morning", "until 7 tomorrow morning"),
    ("86400", "a day"),
)
MORNING_HOUR = 7
"""Hour at which a night ends by default (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A choice: its value in the form and its words."""

    value: str
    words: str


def clock_names(bench: Bench) -> list[str]:
    """Names of the clocks in the log; none where the log cannot be read (its page says why)."""
    from torsionbeat.jobs.clock_history import clocks_alone

    try:
        return [clock.name for clock in clocks_alone(bench.log)]
    except TorsionbeatError:
        return []


def clock_of(bench: Bench, number: int) -> ClockFacts:
    """Give a clock by its number.

    Raises
    ------
    InputError
        There is none.
    BenchLogError
        The log cannot be read.
    """
    from torsionbeat.jobs.clock_history import clocks_alone

    for clock in clocks_alone(bench.log):
        if clock.number == number:
            return clock
    raise InputError("this clock is not in the bench log; it may have been taken back")


def row_of(bench: Bench, number: int) -> ListedClock:
    """Give a clock by its number, with its last reading; errors as those of ``clock_of``.

    Raises
    ------
    InputError
        There is no such clock, or it was taken back.
    """
    from torsionbeat.jobs.clock_history import ListRequest, list_clocks

    for one in list_clocks(ListRequest(bench.log))[0]:
        if one.clock.number == number:
            return one
    raise InputError("this clock is not in the bench log; it may have been taken back")


def microphones() -> tuple[list[Choice], str]:
    """The microphones to choose from, or the reason why there are none."""
    from torsionbeat.jobs.microphone import devices

    try:
        found = devices()
    except DeviceError as error:
        return [], str(error)
    if not found:
        return [], "No microphone is connected. Plug one in, then open this page again."
    return [Choice(str(one.name), one.name) for one in found], ""


def length_s(value: str) -> float | None:
    """Seconds of one of ``LENGTHS``; None means until it is ended.

    Raises
    ------
    InputError
        It is none of them.
    """
    if value not in [key for key, _ in LENGTHS]:
        raise InputError(f"the length is {value[:20]!r}; choose one from the list")
    if value == "morning":
        now = datetime.now().astimezone()
        morning = now.replace(hour=MORNING_HOUR, minute=0, second=0, microsecond=0)
        return (
            (morning if morning > now + timedelta(minutes=10) else morning + timedelta(days=1)) - now
        ).total_seconds()
    return float(value) if value else None
