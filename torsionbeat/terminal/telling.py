"""Output of commands: results on standard output; errors and remarks on standard error, one on each line."""

from __future__ import annotations

import json
import shlex
import sys
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from torsionbeat.bench.nights import Night

__all__ = ["LONGEST", "day", "print_json", "reading_line", "say", "say_or_print", "tell", "tell_broken_off"]

LONGEST = 1500
"""Most letters shown of a sentence: about twenty lines. Only a sentence with the user's text in it can be longer."""


def say(*sentences: str) -> None:
    """Print sentences, each on lines of its own, wrapped (the printing library is loaded only here)."""
    from torsionbeat.display.terminal import say as say_wrapped

    say_wrapped(*sentences)


def print_json(value: object) -> None:
    """Print a value as JSON."""
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def say_or_print(as_json: bool, document: object, *sentences: str) -> None:
    """Print the document as JSON if ``as_json``, else print the sentences.

    Parameters
    ----------
    as_json : bool
    document : object
        Anything that `json.dumps` accepts.
    *sentences : str
    """
    if as_json:
        print_json(document)
    else:
        say(*sentences)


def day(when: datetime | None) -> str:
    """Say a moment in local time; nothing if there is none."""
    return "" if when is None else when.astimezone().strftime("%Y-%m-%d %H:%M")


def tell(sentence: str) -> None:
    """Print one sentence on standard error, in one line, without characters that move a cursor."""
    line = "".join(sign if sign.isprintable() else _escaped(sign) for sign in " ".join(sentence.split()))
    if len(line) > LONGEST:
        half = LONGEST // 2
        line = f"{line[:half]} ... ({len(line) - 2 * half} letters left out) ... {line[-half:]}"
    print(line if line.endswith((".", "?", "!")) else line + ".", file=sys.stderr)


def tell_broken_off(clock: str) -> None:
    """Name the nights of a clock that were interrupted and never read, each with the command that reads it."""
    from torsionbeat.bench.nights import broken_off_nights

    for night in broken_off_nights(clock):
        tell(
            f"the night of {night.clock} that began on {night.began.astimezone():%Y-%m-%d at %H:%M} was broken off and "
            f"was not read; read and keep it with: {reading_line(night)}"
        )


def reading_line(night: Night) -> str:
    """Give the command that reads a night, and keeps it if it was begun for a clock."""
    clock = ["--clock", night.clock] if night.clock else []
    log = ["--log", night.log] if night.clock and night.log else []
    return shlex.join(["torsionbeat", "analyse", str(night.folder), *clock, *log])


def _escaped(sign: str) -> str:
    return sign.encode("unicode_escape", "backslashreplace").decode("ascii")
