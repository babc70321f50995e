"""Which recording it is, and when it began: what identifies a night, and dates it.

A kept folder was given an identity when it was begun, and notes the clock of day; a file is identified by its digest, and
dated by what it says of itself, else by its date, which is that of its end.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from torsionbeat.sound.journal import JOURNAL_NAME, read_journal
from torsionbeat.sound.kept import is_kept

__all__ = ["BY_FILE", "Birth", "birth_of", "sha256_of"]

EARLIEST_OWN = datetime(1990, 1, 1, tzinfo=UTC)
"""Dates before come from recorders whose clock was never set (their epochs are 1904, 1970 and 1980)."""

BY_FILE = "the file's date"


@dataclass(frozen=True, slots=True)
class Birth:
    """A recording's identity, the digest of a file, when it began, and where that is known from."""

    identity: str
    sha256: str
    began: datetime | None
    dated_by: str


def birth_of(path: Path, duration_s: float) -> Birth:
    """Say which recording lies at a path, and when it began.

    Parameters
    ----------
    path : Path
        A sound file, or a folder in which a night was kept.
    duration_s : float
        Its length: a file's date is that of its end.
    """
    if path.is_dir() and is_kept(path):
        journal = read_journal(path / JOURNAL_NAME)
        rate = float((journal.begun or {}).get("sample_rate_hz", 0)) or 48_000.0
        begun_ns = journal.begun_utc_ns(rate)
        if journal.identity:
            began = None if begun_ns is None else datetime.fromtimestamp(begun_ns / 1e9, UTC)
            return Birth(f"journal:{journal.identity}", "", began, "the journal")
    digest = sha256_of(path)
    own = None if path.is_dir() else _own_date(path)
    if own is not None:
        return Birth(f"sha256:{digest}", digest, own, "the recording's own date")
    ended = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    began = max(ended - timedelta(seconds=duration_s), EARLIEST_OWN)
    return Birth(f"sha256:{digest}", digest, began, BY_FILE)


def sha256_of(path: Path) -> str:
    """Give the checksum of a recording's bytes; of a folder, of all its files in order of their names."""
    digest = hashlib.sha256()
    for file in sorted(one for one in path.iterdir() if one.is_file()) if path.is_dir() else [path]:
        with file.open("rb") as opened:
            while piece := opened.read(1 << 20):
                digest.update(piece)
    return digest.hexdigest()


def _own_date(path: Path) -> datetime | None:
    """Read the moment that a file says it was recorded at; None where it says none that can be."""
    import av

    try:
        with av.open(str(path)) as container:
            told = {key.casefold(): str(value).strip() for key, value in container.metadata.items()}
    except (av.FFmpegError, OSError, ValueError, LookupError):
        return None
    hour, date = told.get("creation_time", ""), told.get("date", "")
    for text in (hour, f"{date} {hour}", date):  # a WAV's bext chunk has date and hour apart
        if len(text) < len("2026-03-01 20:00"):
            continue
        try:
            found = datetime.fromisoformat(text).astimezone()
        except (ValueError, OverflowError):
            continue
        if EARLIEST_OWN < found <= datetime.now(UTC) + timedelta(days=1):
            return found
    return None
