"""``torsionbeat analyse``: from recordings to figures, and into the bench log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import (
    ClockOptions,
    KeepAnyway,
    OverwriteOption,
    ReferenceOptions,
    day,
    takes_groups,
)
from torsionbeat.errors import BenchLogError, InputError, TorsionbeatError
from torsionbeat.terminal.telling import tell
from torsionbeat.typed.times import moment

if TYPE_CHECKING:
    from torsionbeat.bench.batch import Outcome
    from torsionbeat.jobs.hear import HearResult
    from torsionbeat.jobs.keep_reading import ReadingKept
    from torsionbeat.reading.analysis import Listening
    from torsionbeat.terminal.outputs import Outputs

__all__ = ["Keeping", "analyse_command", "open_keeping"]


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


@dataclass(frozen=True, slots=True)
class HearingOptions:
    """How to listen to a recording."""

    sample_clock_ppm: Annotated[
        float | None, typer.Option(help="The recorder's crystal runs fast by so many ppm.")
    ] = None
    sample_clock_tolerance_ppm: Annotated[
        float | None, typer.Option(help="Standard uncertainty of that; left out, 0.5 ppm.")
    ] = None
    shortest_period: Annotated[float, typer.Option(help="Shortest full period searched (s).")] = 4.0
    longest_period: Annotated[float, typer.Option(help="Longest full period searched (s).")] = 121.0

    def listening(self, reference: ReferenceOptions) -> Listening:
        """Give them as the engine takes them.

        Raises
        ------
        InputError
            A value is out of range.
        """
        from torsionbeat.reading.analysis import Listening
        from torsionbeat.sound.timebase import STATED_UNCERTAINTY_PPM, stated_timebase

        ppm, tolerance_ppm = self.sample_clock_ppm, self.sample_clock_tolerance_ppm
        tolerance_ppm = STATED_UNCERTAINTY_PPM if tolerance_ppm is None else tolerance_ppm
        if ppm is not None:
            stated_timebase(ppm, tolerance_ppm)  # refuses what cannot be, before anything is read
        return Listening(
            self.shortest_period,
            self.longest_period,
            ppm,
            tolerance_ppm,
            reference.reference_interval,
            reference.tolerance_ppm(),
        )


@dataclass(frozen=True, slots=True)
class OutputOptions:
    """Where the reading is to be written."""

    json: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Write the reading as JSON; - for standard output and nothing else there. Several "
            "recordings: one list, or in a folder a file each.",
        ),
    ] = None
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="PATH",
            help="Write every sound as CSV, or as a label track where the name ends in .txt. Several: a folder.",
        ),
    ] = None
    plot: Annotated[
        Path | None,
        typer.Option(
            metavar="PATH", help="Draw the evidence: a .png, .svg or .pdf. Several recordings: a folder."
        ),
    ] = None
    overwrite: OverwriteOption = False


@takes_groups
def analyse_command(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING", help="Sound files, or folders in which listen kept a recording."),
    ],
    clock: ClockOptions,
    how: HearingOptions,
    reference: ReferenceOptions,
    where: OutputOptions,
    began: Annotated[
        str | None,
        typer.Option(
            help="With --clock: when the recording began, as 2026-03-01 20:00; left out, as it was kept before, or "
            "as the recording itself or its file says."
        ),
    ] = None,
    temperature: Annotated[
        float | None, typer.Option(help="With --clock: mean temperature about it (degrees Celsius).")
    ] = None,
    keep_anyway: KeepAnyway = False,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Read them on the Dask cluster at this address.")
    ] = None,
) -> None:
    """Hear the clock in a recording: period, rate, beat error, arc.

    Each figure comes with its 95 % interval and the timebase it rests on. Several recordings give a table, and
    one that cannot be read costs only itself; the exit status is then the highest of those that failed.

    Exit status: 0 heard, 2 the recording or an option cannot be used, 3 no clock heard, 4 a device failed,
    5 the bench log failed.
    """
    from torsionbeat.jobs.hear import HearRequest, hear
    from torsionbeat.terminal.outputs import Outputs
    from torsionbeat.terminal.progress import Bar

    several = len(recordings) > 1
    keeping = _keeping(clock, began, temperature, keep_anyway, several=several)
    paths = tuple(Path(one) for one in recordings)
    outputs = Outputs(paths, where.json, where.events, where.plot, clock.log, where.overwrite)
    request = HearRequest(paths, clock.known(), how.listening(reference), cluster)
    with Bar("Listening") as bar:
        result = hear(request, progress=bar.share)
    raise typer.Exit(_show(result, outputs, keeping))


def _keeping(
    clock: ClockOptions, began: str | None, temperature: float | None, keep_anyway: bool, *, several: bool
) -> Keeping | None:

    if clock.clock is not None:
        return open_keeping(
            clock.clock,
            clock.log,
            began,
            several=several,
            temperature_c=temperature,
            keep_anyway=keep_anyway,
        )
    return None


def _show(result: HearResult, outputs: Outputs, keeping: Keeping | None) -> int:
    """Write, keep and print; give the exit status."""
    outcomes = result.outcomes
    statuses = [0, *(outcome.error.exit_status for outcome in outcomes if outcome.error is not None)]
    for write in (outputs.write, *([keeping.keep] if keeping else [])):
        try:
            write(outcomes)
        except TorsionbeatError as error:  # what was read is still to be shown
            statuses.append(error.exit_status)
            tell(str(error))
    _print(result, to_stderr=outputs.json_only)
    return max(statuses)


def _print(result: HearResult, *, to_stderr: bool) -> None:
    """Print readings or, where standard output is for JSON alone, their remarks; and each error in a sentence."""
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
