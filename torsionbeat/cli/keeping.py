"""Keeping readings in the bench log: the clock's record before, the reading with its recording after."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.cli.history import day, moment
from torsionbeat.cli.telling import tell
from torsionbeat.errors import BenchLogError, InputError

if TYPE_CHECKING:
    from torsionbeat.benchlog import BenchLog
    from torsionbeat.reading.batch import Outcome
    from torsionbeat.reading.figures import Clock

__all__ = ["Keeping", "open_keeping", "sha256_of"]


@dataclass(frozen=True, slots=True)
class Keeping:
    """A clock of the bench log and what is to be kept for it. ``began``: when the recording began, if given."""

    clock: Clock
    log: str | None
    began: datetime | None

    def keep(self, outcomes: Sequence[Outcome]) -> None:
        """Keep every reading; a recording that was kept before is corrected by a new row.

        Raises
        ------
        BenchLogError
            The log did not take them all; the sentence says which were not kept.
        """
        from torsionbeat.benchlog import open_log

        with open_log(self.log) as log:
            for place, outcome in enumerate(outcomes):
                if outcome.analysis is None:
                    continue
                try:
                    self._keep(log, outcome)
                except BenchLogError as error:
                    lost = ", ".join(
                        Path(one.path).name for one in outcomes[place:] if one.analysis is not None
                    )
                    raise BenchLogError(f"{error} (not kept: {lost})") from error

    def _keep(self, log: BenchLog, outcome: Outcome) -> None:
        from torsionbeat.reading.document import reading_document

        assert outcome.analysis is not None
        path, reading, name = Path(outcome.path), outcome.analysis.reading, self.clock.name
        began = self.began or _began(path, reading.recording.duration_s)
        digest = sha256_of(path)
        before = [one for one in log.readings(name, documents=False) if one.recording_sha256 == digest]
        log.add_reading(
            name,
            reading_document(reading),
            path,
            digest,
            taken_at=began,
            supersedes_id=before[-1].id if before else None,
            reason="the same recording, analysed again" if before else "",
        )
        said = f"{path.name} is kept for {name} as recorded on {day(began)}"
        if self.began is None and path.is_file():
            said += " by the file's date; if that is wrong, give --began"
        tell(said + (" (it takes the place of the reading kept of it before)" if before else ""))


def open_keeping(name: str, log: str | None, began: str | None, *, several: bool) -> Keeping:
    """Read a clock's record from the bench log.

    Raises
    ------
    InputError
        No such clock, or a date that cannot be.
    BenchLogError
        The log cannot be read.
    """
    from torsionbeat.benchlog import open_log

    if began is not None and several:
        raise InputError(
            "--began was given for several recordings, which did not begin together; read them one by one"
        )
    at = None if began is None else moment(began, "--began")
    with open_log(log) as opened:
        return Keeping(opened.clock(name).as_clock(), log, at)


def sha256_of(path: Path) -> str:
    """Give the checksum of a recording's bytes; of a folder, of all its files in order of their names."""
    digest = hashlib.sha256()
    for file in sorted(one for one in path.iterdir() if one.is_file()) if path.is_dir() else [path]:
        with file.open("rb") as opened:
            while piece := opened.read(1 << 20):
                digest.update(piece)
    return digest.hexdigest()


def _began(path: Path, duration_s: float) -> datetime:
    """Say when a recording began: by its own journal, else by the file's date, which is that of its end."""
    from torsionbeat.sound.recording import open_recording

    with open_recording(path) as recording:
        if recording.begun_utc_ns is not None:
            return datetime.fromtimestamp(recording.begun_utc_ns / 1e9, UTC)
    return datetime.fromtimestamp(max(0.0, path.stat().st_mtime - duration_s), UTC)
