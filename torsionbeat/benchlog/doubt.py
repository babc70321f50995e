"""Writes in doubt: it is not known whether they were kept. They are remembered until the same write is kept.

A small file in the user's state folder holds a digest of each write and the identity it was sent under.
If the file cannot be read or written, nothing is remembered, and nothing else fails.
"""

from __future__ import annotations

import hashlib
import json
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from torsionbeat.whole_files import written_whole

__all__ = ["DoubtBook", "fingerprint"]

REMEMBERED_S = 7 * 86_400.0
"""After a week a repeated command is a new one: the same words then mean another entry."""


def fingerprint(where: str, table: str, content: Any) -> str:
    """Give the digest that identifies a repeated write.

    Parameters
    ----------
    where : str
        Which log.
    table : str
    content : object
        What is written.

    Examples
    --------
    >>> fingerprint("log", "notes", {"text": "wound"}) == fingerprint("log", "notes", {"text": "wound"})
    True
    """
    said = json.dumps([where, table, content], sort_keys=True, default=str)
    return hashlib.sha256(said.encode()).hexdigest()


class DoubtBook:
    """The remembered writes: digest to identity."""

    def __init__(self, path: Path | None = None) -> None:
        if path is None:
            from platformdirs import user_state_path

            path = user_state_path("torsionbeat", appauthor=False) / "writes-in-doubt.json"
        self._path = path

    def find(self, mark: str) -> str | None:
        """Give the identity under which the same write was sent before, or None."""
        found = self._read().get(mark)
        return None if found is None else str(found[0])

    def remember(self, mark: str, identity: str) -> None:
        """Remember a write."""
        self._write(self._read() | {mark: [identity, time.time()]})

    def forget(self, mark: str) -> None:
        """Forget a write: it is kept now."""
        self._write({key: value for key, value in self._read().items() if key != mark})

    def _read(self) -> dict[str, Any]:
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
            recent = time.time() - REMEMBERED_S
            return {key: value for key, value in found.items() if value[1] > recent}
        except (OSError, ValueError, AttributeError, TypeError, LookupError):
            return {}

    def _write(self, marks: dict[str, Any]) -> None:
        with suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with written_whole(self._path, private=True) as part:
                part.write_text(json.dumps(marks), encoding="utf-8")
