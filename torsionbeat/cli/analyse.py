"""``torsionbeat analyse``: from recordings to figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.history import LogOption
from torsionbeat.cli.known import ReferenceInterval, ReferenceTolerance, known_clock, reference_tolerance
from torsionbeat.cli.telling import tell
from torsionbeat.errors import InputError, TorsionbeatError

if TYPE_CHECKING:
    from torsionbeat.reading.analysis import Listening
    from torsionbeat.reading.batch import Outcome
    from torsionbeat.reading.figures import Clock

__all__ = ["analyse_command"]


def analyse_command(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING", help="Sound files, or folders in which listen kept a recording."),
    ],
    period: Annotated[
        float | None, typer.Option(help="Nominal full period, out and back (s); left out, it is found.")
    ] = None,
    lift: Annotated[float | None, typer.Option(help="Lift, contact to drop (deg); the arc needs it.")] = None,
    lift_tolerance: Annotated[float | None, typer.Option(help="How far off the lift may be (deg).")] = None,
    sample_clock_ppm: Annotated[
        float | None, typer.Option(help="The recorder's crystal runs fast by so many ppm.")
    ] = None,
    sample_clock_tolerance_ppm: Annotated[
        float | None, typer.Option(help="Standard uncertainty of that; left out, 0.5 ppm.")
    ] = None,
    reference_interval: ReferenceInterval = None,
    reference_tolerance_ppm: ReferenceTolerance = None,
    shortest_period: Annotated[float, typer.Option(help="Shortest full period searched (s).")] = 4.0,
    longest_period: Annotated[float, typer.Option(help="Longest full period searched (s).")] = 121.0,
    json: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Write the reading as JSON; - for standard output and nothing else there. Several "
            "recordings: one list, or in a folder a file each.",
        ),
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="PATH",
            help="Write every sound as CSV, or as a label track where the name ends in .txt. Several: a folder.",
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            metavar="PATH", help="Draw the evidence: a .png, .svg or .pdf. Several recordings: a folder."
        ),
    ] = None,
    clock: Annotated[
        str | None,
        typer.Option(
            help="Clock of the bench log: period, lift and limits come from it; the reading is kept."
        ),
    ] = None,
    began: Annotated[
        str | None,
        typer.Option(
            help="With --clock: when the recording began, as 2026-03-01 20:00; left out, by the file's date."
        ),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Read them on the Dask cluster at this address.")
    ] = None,
    log: LogOption = None,
) -> None:
    """Hear the clock in a recording: period, rate, beat error, arc.

    Each figure comes with its 95 % interval and the timebase it rests on. Several recordings give a table, and
    one that cannot be read costs only itself; the exit status is then the highest of those that failed.

    Exit status: 0 heard, 2 the recording or an option cannot be used, 3 no clock heard, 4 a device failed,
    5 the bench log failed.
    """
    from torsionbeat.cli.keeping import open_keeping
    from torsionbeat.cli.outputs import Outputs

    outputs = Outputs(json, events, plot, several=len(recordings) > 1)
    keeping = None if clock is None else open_keeping(clock, log, began, several=len(recordings) > 1)
    if keeping is None and (began is not None or log is not None):
        raise InputError("--began and --log belong to --clock; say for which clock the reading is to be kept")
    known = known_clock(keeping.clock if keeping else None, period, lift, lift_tolerance)
    listening = replace(
        _listening(shortest_period, longest_period, sample_clock_ppm, sample_clock_tolerance_ppm),
        reference_interval_s=reference_interval,
        reference_tolerance_ppm=reference_tolerance(reference_interval, reference_tolerance_ppm),
    )
    statuses = [0]
    outcomes = _outcomes(recordings, known, listening, cluster)
    statuses += [outcome.error.exit_status for outcome in outcomes if outcome.error is not None]
    for write in (outputs.write, *([keeping.keep] if keeping else [])):
        try:
            write(outcomes)
        except TorsionbeatError as error:  # what was read is still to be shown
            statuses.append(error.exit_status)
            tell(str(error))
    _show(outcomes, to_stderr=outputs.json_only)
    raise typer.Exit(max(statuses))


def _listening(shortest: float, longest: float, ppm: float | None, tolerance_ppm: float | None) -> Listening:
    from torsionbeat.reading.analysis import Listening
    from torsionbeat.sound.timebase import STATED_UNCERTAINTY_PPM, stated_timebase

    if ppm is None and tolerance_ppm is not None:
        raise InputError("--sample-clock-tolerance-ppm belongs to --sample-clock-ppm; give that too")
    tolerance_ppm = STATED_UNCERTAINTY_PPM if tolerance_ppm is None else tolerance_ppm
    if ppm is not None:
        stated_timebase(ppm, tolerance_ppm)  # refuses what cannot be, before anything is read
    return Listening(shortest, longest, ppm, tolerance_ppm)


def _outcomes(
    recordings: Sequence[str], known: Clock, listening: Listening, cluster: str | None
) -> list[Outcome]:
    from torsionbeat.cli.progress import Bar
    from torsionbeat.reading.batch import analyse_many, outcome_of

    with Bar("Listening") as bar:
        if cluster is not None:
            from torsionbeat.reading.cluster import analyse_on_cluster

            return analyse_on_cluster(cluster, recordings, known, listening, bar.share)
        if len(recordings) > 1:
            return analyse_many(recordings, known, listening, bar.share)
        return [outcome_of(recordings[0], known, listening, bar.frames)]


def _show(outcomes: Sequence[Outcome], *, to_stderr: bool) -> None:
    """Print readings or, where standard output is for JSON alone, their remarks; and each error in a sentence."""
    from torsionbeat.display.terminal import print_reading, print_readings

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
