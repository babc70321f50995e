"""What the commands of the bench log share: options, moments, and what they print with."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Annotated

import typer

from torsionbeat.errors import InputError

__all__ = ["JsonOption", "KeepAnyway", "LogOption", "day", "moment", "print_json", "say"]

LogOption = Annotated[
    str | None,
    typer.Option(
        "--log",
        metavar="PATH",
        help="Bench log to use: a file, or postgresql+psycopg://... "
        "Left out: TORSIONBEAT_LOG, else the user data folder.",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, and nothing else, on standard output.")]
KeepAnyway = Annotated[
    bool,
    typer.Option("--keep-anyway", help="With --clock: keep the reading whatever is odd about it."),
]

EARLIEST = datetime(1800, 1, 1, tzinfo=UTC)


def say(*sentences: str) -> None:
    """Print sentences, each on lines of its own, wrapped (what prints is loaded when there is something to say)."""
    from torsionbeat.display.terminal import say as say_wrapped

    say_wrapped(*sentences)


def print_json(value: object) -> None:
    """Print a value as JSON."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def moment(text: str, what: str) -> datetime:
    """Read a moment such as ``2026-03-01 20:00``, this computer's time unless it says its zone.

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


def day(when: datetime | None) -> str:
    """Say a moment as the restorer's own clock showed it; nothing where there is none."""
    return "" if when is None else when.astimezone().strftime("%Y-%m-%d %H:%M")
