"""Lengths, hours, days and moments.

Input: texts as people type them. Output: seconds, local times of day, aware moments.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta

from torsionbeat.errors import InputError

__all__ = [
    "EARLIEST",
    "days_of",
    "length_s",
    "moment",
    "moment_s",
    "next_night",
    "night_span",
    "until_s",
    "whole_days",
]

LENGTH = re.compile(
    r"(?:(\d+(?:\.\d+)?)\s*h)?\s*(?:(\d+(?:\.\d+)?)\s*m(?:in)?)?\s*(?:(\d+(?:\.\d+)?)\s*s)?", re.I
)


DATES = re.compile(r"(\d{4}-\d{2}-\d{2})(?:\.\.(\d{4}-\d{2}-\d{2}))?")


MOMENT = re.compile(r"(?:(\d+):)?(\d+(?:\.\d+)?)")


HOUR = re.compile(r"(\d{1,2}):(\d{2})")


SHORTEST_S, LONGEST_S = 10.0, 31 * 86400.0
"""A shorter recording has no beat of most clocks; more than a month is a typing mistake (common practice, no source)."""


def length_s(text: str) -> float:
    """Read a length such as ``9h``, ``90min`` or ``1h30m``, in seconds.

    Raises
    ------
    InputError
        It cannot be read, or is shorter than 10 s or longer than 31 days.

    Examples
    --------
    >>> length_s("9h"), length_s("1h30m"), length_s("45 s")
    (32400.0, 5400.0, 45.0)
    """
    match = LENGTH.fullmatch(text.strip())
    if match is None or not any(match.groups()):
        raise InputError(f"--for is {text!r}; write it as 9h, 90min, 1h30m or 600s")
    seconds = sum(float(part or 0) * unit for part, unit in zip(match.groups(), (3600, 60, 1), strict=True))
    if not SHORTEST_S <= seconds <= LONGEST_S:
        raise InputError(f"--for is {text!r}; listen for at least 10 s and at most 31 days (744h)")
    return seconds


def moment_s(text: str) -> float:
    """Read a moment of a recording such as ``12.5s``, ``95``, ``1:35`` or ``1m35s``, in seconds from its start.

    Raises
    ------
    InputError
        It cannot be read.

    Examples
    --------
    >>> moment_s("12.5s"), moment_s("95"), moment_s("1:35"), moment_s("1m35s")
    (12.5, 95.0, 95.0, 95.0)
    """
    said = text.strip()
    clock = MOMENT.fullmatch(said)
    if clock is not None:
        return 60 * float(clock[1] or 0) + float(clock[2])
    match = LENGTH.fullmatch(said)
    if match is None or not any(match.groups()):
        raise InputError(
            f"the moment {text!r} cannot be read; write it as 12.5s, 1:35 or 1m35s from the start"
        )
    return sum(float(part or 0) * unit for part, unit in zip(match.groups(), (3600, 60, 1), strict=True))


def until_s(text: str, now: datetime) -> float:
    """Seconds from ``now`` to the next time of day such as ``07:00``.

    Examples
    --------
    >>> until_s("07:00", datetime.fromisoformat("2026-03-01 22:00+00:00").astimezone()) <= 86400
    True
    """
    return (_next(_hour(text, "--until"), now) - now).total_seconds()


def night_span(text: str) -> tuple[time, time]:
    """Read a span such as ``22:00-07:00``.

    Raises
    ------
    InputError
        It cannot be read, or has no length.

    Examples
    --------
    >>> night_span("22:00-07:00")
    (datetime.time(22, 0), datetime.time(7, 0))
    """
    begin, dash, end = text.partition("-")
    if not dash:
        raise InputError(f"--every-night is {text!r}; write it as 22:00-07:00")
    span = _hour(begin, "--every-night"), _hour(end, "--every-night")
    if span[0] == span[1]:
        raise InputError(f"--every-night is {text!r}; it must begin and end at different hours")
    return span


def next_night(span: tuple[time, time], now: datetime) -> tuple[datetime, datetime]:
    """Beginning and end of the current or next night; the current night begins ``now``.

    Examples
    --------
    >>> now = datetime(2026, 3, 1, 23, 0).astimezone()
    >>> begin, end = next_night(night_span("22:00-07:00"), now)
    >>> begin == now, f"{end:%d %H:%M}"
    (True, '02 07:00')
    """
    begin, end = _next(span[0], now), _next(span[1], now)
    if end < begin:
        return now, end
    return begin, _next(span[1], begin)


def _hour(text: str, option: str) -> time:
    match = HOUR.fullmatch(text.strip())
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:
        raise InputError(f"{option} has the hour {text.strip()!r}; write it as 07:00, from 00:00 to 23:59")
    return time(int(match[1]), int(match[2]))


def _next(hour: time, now: datetime) -> datetime:
    """The next moment with this local time: summer time can lengthen or shorten a night, and repeat an hour."""
    for days in (0, 1):
        for fold in (0, 1):
            date = now.astimezone().date() + timedelta(days=days)
            wall = datetime.combine(date, hour.replace(fold=fold)).astimezone()
            if wall > now:
                return wall
    return wall


def whole_days(text: str) -> tuple[datetime, datetime] | None:
    """Read ``2026-03-01`` or ``2026-03-01..2026-03-07`` as the moments at which those days begin and end.

    Raises
    ------
    InputError
        The days run backwards, or are not in the calendar.

    Examples
    --------
    >>> start, end = whole_days("2026-03-01..2026-03-02")
    >>> (end - start).days, whole_days("before.flac")
    (2, None)
    """
    match = DATES.fullmatch(text.strip())
    if match is None:
        return None
    try:
        first, last = (datetime.fromisoformat(day) for day in (match[1], match[2] or match[1]))
    except ValueError as error:
        raise InputError(f"the date {text!r} is not in the calendar; write it as 2026-03-01") from error
    if last < first:
        raise InputError(f"the dates {text!r} run backwards; give the earlier one first")
    start, end = (
        datetime.combine(day.date(), time()).astimezone() for day in (first, last + timedelta(days=1))
    )
    return start, end


def days_of(text: str | None, option: str) -> tuple[datetime, datetime] | None:
    """Read the days given to an option, or None if it was left out.

    Raises
    ------
    InputError
        They cannot be read.
    """
    days = None if text is None else whole_days(text)
    if text is not None and days is None:
        raise InputError(f"{option} is {text!r}; write it as 2026-03-01 or 2026-03-01..2026-03-07")
    return days


EARLIEST = datetime(1800, 1, 1, tzinfo=UTC)
"""No clock of these kinds is older; a year typed with two digits is earlier."""


def moment(text: str, what: str) -> datetime:
    """Read a moment such as ``2026-03-01 20:00``, in this computer's local time unless it has a zone.

    Raises
    ------
    InputError
        It cannot be read, or lies in the future or before 1800.
    """
    try:
        read = datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(f"{what} is {text!r}; write it as 2026-03-01 20:00 or 2026-03-01") from error
    if not EARLIEST <= read <= datetime.now(UTC) + timedelta(days=1):
        raise InputError(
            f"{what} is {text!r}; it must lie after 1800 and not in the future, so check the year"
        )
    return read
