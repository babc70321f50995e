"""The identity and the start time of a recording.

A kept folder has an identity, given when it was begun, and a note of the time of day. A file is identified by its
digest. It is dated by its own metadata, else by its file date, which is that of its end.
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
"""Earlier dates come from recorders whose clock was never set (their epochs are 1904, 1970 and 1980)."""

BY_FILE = "the file's date"


@dataclass(frozen=True, slots=True)
class Birth:
    """A recording's identity, the digest of a file, its start time, and the source of this time."""

    identity: str
    sha256: str
    began: datetime | None
    dated_by: str


def birth_of(path: Path, duration_s: float) -> Birth:
    """Find the identity and the start time of the recording at a path.

    Parameters
    ----------
    path : Path
        A sound file, or the folder of a kept night.
    duration_s : float
        Length of the recording, needed because a file's date is that of its end.
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
    """Give the checksum of a recording's bytes; for a folder, of all its files in order of their names."""
    digest = hashlib.sha256()
    for file in sorted(one for one in path.iterdir() if one.is_file()) if path.is_dir() else [path]:
        with file.open("rb") as opened:
            while piece := opened.read(1 << 20):
                digest.update(piece)
    return digest.hexdigest()


def _own_date(path: Path) -> datetime | None:
    """Read the recording time from a file's metadata; None where it has no valid one."""
    import av

    try:
        with av.open(str(path)) as container:
            told = {key.casefold(): str(value).strip() for key, value in container.metadata.items()}
    except (av.FFmpegError, OSError, ValueError, LookupError):
        return None
    hour, date = told.get("creation_time", ""), told.get("date", "")
    for text in (hour, f"{date} {hour}", date):  # the bext chunk of a WAV file has separate date and time
        if len(text) < len("2026-03-01 20:00"):
            continue
        try:
            found = datetime.fromisoformat(text).astimezone()
        except (ValueError, OverflowError):
            continue
        if EARLIEST_OWN < found <= datetime.now(UTC) + timedelta(days=1):
            return found
    return None
