"""Words that name a source: a reading's file, a side of a comparison, an entry of the bench log.

Input: texts as people type them. Output: documents, paths or days, names of entries.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsionbeat.errors import InputError
from torsionbeat.typed.times import whole_days

if TYPE_CHECKING:
    from torsionbeat.jobs.compare import Days
    from torsionbeat.jobs.keep import EntryName

__all__ = ["document_of", "entry_of", "side_of"]


def document_of(path: Path) -> dict[str, Any]:
    """Read a reading's JSON from a file, or from standard input (``-``).

    Raises
    ------
    InputError
        It cannot be read, is larger than any reading, or is not a reading.
    """
    from torsionbeat.jobs.compare import read_document

    return read_document(path, sys.stdin if str(path) == "-" else None)


def side_of(text: str) -> Path | Days:
    """Read a side: a file or folder if it exists, else days."""
    from torsionbeat.jobs.compare import Days

    days = None if Path(text).exists() else whole_days(text)
    return Path(text) if days is None else Days(*days)


def entry_of(words: list[str]) -> EntryName:
    """Read ``note 3``, typed as one word or two.

    Raises
    ------
    InputError
        It cannot be read.
    """
    from torsionbeat.jobs.keep import EntryName

    *kind, number = " ".join(words).casefold().split() or [""]
    if [*kind, number] == ["clock"]:
        return EntryName("clock")
    if not kind or not number.isdecimal() or len(number) > 9:
        raise InputError(
            f"the entry {' '.join(words)!r} cannot be read; write it as clock show does: note 3, work 2"
        )
    called = {"handcheck": "hand check", "freeswing": "free swing"}
    return EntryName(called.get(" ".join(kind), " ".join(kind)), int(number))
