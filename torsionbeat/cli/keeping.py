"""Keeping readings of analyse in the bench log, and saying what became of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.cli.history import day, moment
from torsionbeat.errors import BenchLogError, InputError
from torsionbeat.terminal.telling import tell

if TYPE_CHECKING:
    from torsionbeat.jobs.keep_reading import ReadingKept
    from torsionbeat.reading.batch import Outcome

__all__ = ["Keeping", "open_keeping"]


@dataclass(frozen=True, slots=True)
class Keeping:
    """For which clock readings are to be kept, and what was said of them. ``began``: when the recording began."""

    clock: str
    log: str | None
    began: datetime | None
    temperature_c: float | None = None
    keep_anyway: bool = False

    def keep(self, outcomes: Sequence[Outcome]) -> None:
        """Keep every reading; one of a recording that was kept before takes that one's place.

        Raises
        ------
        BenchLogError
            The log did not take them all; the sentence says which were not kept.
        InputError
            Some are not this clock's; the others are kept.
        """
        read = [one for one in outcomes if one.analysis is not None]
        refused: list[InputError] = []
        for place, outcome in enumerate(read):
            try:
                kept = self._keep(outcome)
            except BenchLogError as error:
                lost = ", ".join(Path(one.path).name for one in read[place:])
                raise BenchLogError(f"{error} (not kept: {lost})") from error
            if kept.refusal is not None:
                named = f"{Path(outcome.path).name}: " if len(read) > 1 else ""
                refused.append(InputError(f"{named}{kept.refusal}"))
        for one in refused[:-1]:
            tell(str(one))
        if refused:
            raise refused[-1]

    def _keep(self, outcome: Outcome) -> ReadingKept:
        from torsionbeat.jobs.keep_reading import ReadingRequest, keep_reading

        assert outcome.analysis is not None
        path = Path(outcome.path)
        kept = keep_reading(
            ReadingRequest(
                self.clock,
                outcome.analysis.reading,
                path,
                self.began,
                self.temperature_c,
                self.keep_anyway,
                voices=outcome.analysis.heard.voices,
                log=self.log,
            )
        )
        if kept.entry is not None:
            tell(_said(path, kept))
            for remark in kept.remarks:
                tell(remark)
        return kept


def _said(path: Path, kept: ReadingKept) -> str:
    from torsionbeat.bench.recordings import BY_FILE

    assert kept.entry is not None
    said = f"{path.name} is kept for {kept.clock} as recorded on {day(kept.entry.at)}"
    if kept.dated_by not in ("", "your word"):
        said += f" by {kept.dated_by}"
    if kept.dated_by == BY_FILE:
        said += "; if that is wrong, give --began"
    if kept.odd:
        said += f"; kept although {' and '.join(kept.odd)}"
    again = "" if kept.replaces is None else "; it takes the place of the reading kept of it before"
    return f"{said} (reading {kept.entry.number}{again})"


def open_keeping(
    clock: str,
    log: str | None,
    began: str | None,
    *,
    several: bool,
    temperature_c: float | None = None,
    keep_anyway: bool = False,
) -> Keeping:
    """Say for which clock readings are to be kept.

    Parameters
    ----------
    clock, log, began : str or None
        As they were typed.
    several : bool
        More than one recording: they did not begin together.
    temperature_c : float or None
    keep_anyway : bool

    Raises
    ------
    InputError
        A date that cannot be, or one for several recordings.
    """
    if began is not None and several:
        raise InputError(
            "--began was given for several recordings, which did not begin together; read them one by one"
        )
    at = None if began is None else moment(began, "--began")
    return Keeping(clock, log, at, temperature_c, keep_anyway)
