"""Keeps and shows readings: the output of ``analyse`` on recordings and on kept readings.

Input: outcomes of the hearing job. Output: sentences and tables on the terminal, readings in the bench log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.errors import BenchLogError, InputError, TorsionbeatError
from torsionbeat.terminal.telling import day, tell

if TYPE_CHECKING:
    from torsionbeat.bench.batch import Outcome
    from torsionbeat.jobs.hear import HearResult
    from torsionbeat.jobs.keep_reading import ReadingKept
    from torsionbeat.terminal.outputs import Outputs

__all__ = ["Keeping", "show_heard"]


@dataclass(frozen=True, slots=True)
class Keeping:
    """The clock to keep readings for, and the user's data on them. ``began``: when the recording began."""

    clock: str
    log: str | None
    began: datetime | None
    temperature_c: float | None = None
    keep_anyway: bool = False

    def keep(self, outcomes: Sequence[Outcome]) -> None:
        """Keep every reading. It replaces an earlier reading of the same recording.

        Raises
        ------
        BenchLogError
            The log did not accept them all; the message says which were not kept.
        InputError
            Some do not belong to this clock; the others are kept.
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
    from torsionbeat.jobs.keep_reading import BY_WORD

    assert kept.entry is not None
    said = f"{path.name} is kept for {kept.clock} as recorded on {day(kept.entry.at)}"
    if kept.dated_by not in ("", BY_WORD):
        said += f" by {kept.dated_by}"
    if kept.dated_by == BY_FILE:
        said += "; if that is wrong, give --began"
    if kept.odd:
        said += f"; kept although {' and '.join(kept.odd)}"
    again = "" if kept.replaces is None else "; it takes the place of the reading kept of it before"
    return f"{said} (reading {kept.entry.number}{again})"


def show_heard(result: HearResult, outputs: Outputs, keeping: Keeping | None) -> int:
    """Write, keep and print; give the exit status.

    Parameters
    ----------
    result : HearResult
    outputs : Outputs
        Requested files.
    keeping : Keeping or None
        None: no clock was named.

    Returns
    -------
    int
        The highest status of the failed recordings, 0 if all went well.
    """
    outcomes = result.outcomes
    statuses = [0, *(outcome.error.exit_status for outcome in outcomes if outcome.error is not None)]
    for write in (outputs.write, *([keeping.keep] if keeping else [])):
        try:
            write(outcomes)
        except TorsionbeatError as error:  # the readings must still be shown
            statuses.append(error.exit_status)
            tell(str(error))
    _print(result, to_stderr=outputs.json_only)
    return max(statuses)


def _print(result: HearResult, *, to_stderr: bool) -> None:
    """Print readings or, if standard output is for JSON alone, their remarks; print each error as a sentence."""
    from torsionbeat.display.terminal import print_reading, print_readings

    outcomes = result.outcomes
    if to_stderr:
        for outcome in outcomes:
            for remark in outcome.analysis.reading.remarks if outcome.analysis else ():
                tell(remark if len(outcomes) == 1 else f"{Path(outcome.path).name}: {remark}")
    elif len(outcomes) > 1:
        print_readings(
            [
                (Path(one.path).name, one.analysis.reading if one.analysis else str(one.error))
                for one in outcomes
            ]
        )
    elif outcomes[0].analysis is not None:
        print_reading(outcomes[0].analysis.reading)
    for outcome in outcomes:
        if outcome.error is not None:
            tell(str(outcome.error))
