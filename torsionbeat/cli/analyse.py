"""``torsionbeat analyse``: from recordings to figures, and into the bench log."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import ClockOptions, KeepAnyway, OverwriteOption, ReferenceOptions, takes_groups
from torsionbeat.errors import InputError
from torsionbeat.typed.times import moment

if TYPE_CHECKING:
    from torsionbeat.reading.analysis import Listening
    from torsionbeat.terminal.keeping import Keeping

__all__ = ["analyse_command"]


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
    channel: Annotated[
        int | None,
        typer.Option(
            min=1, max=8, help="Channel to hear, from 1; left out, the one that hears the clock best."
        ),
    ] = None

    def listening(self, reference: ReferenceOptions) -> Listening:
        """Give the options in the engine's form.

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
            stated_timebase(ppm, tolerance_ppm)  # refuses impossible values before anything is read
        return Listening(
            self.shortest_period,
            self.longest_period,
            ppm,
            tolerance_ppm,
            reference.reference_interval,
            reference.tolerance_ppm(),
            None if self.channel is None else self.channel - 1,
        )


@dataclass(frozen=True, slots=True)
class OutputOptions:
    """Where to write the reading."""

    json: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Write the reading as JSON; - for standard output and nothing else there. Several "
            "recordings: one list, or in a folder a file each.",
        ),
    ] = None
    events: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Write every sound as CSV, or as a label track where the name ends in .txt. Several: a folder.",
        ),
    ] = None
    plot: Annotated[
        str | None,
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
    from torsionbeat.terminal.keeping import show_heard
    from torsionbeat.terminal.outputs import Outputs
    from torsionbeat.terminal.progress import Bar

    several = len(recordings) > 1
    keeping = _keeping(clock, began, temperature, keep_anyway, several=several)
    paths = tuple(Path(one) for one in recordings)
    outputs = Outputs(paths, where.json, where.events, where.plot, clock.log, where.overwrite)
    request = HearRequest(paths, clock.known(), how.listening(reference), cluster)
    with Bar("Listening") as bar:
        result = hear(request, progress=bar.share)
    raise typer.Exit(show_heard(result, outputs, keeping))


def _keeping(
    clock: ClockOptions, began: str | None, temperature: float | None, keep_anyway: bool, *, several: bool
) -> Keeping | None:
    """Give the clock to keep readings for, or None if none was named.

    Raises
    ------
    InputError
        An impossible date, or one date for several recordings.
    """
    from torsionbeat.terminal.keeping import Keeping

    if clock.clock is None:
        return None
    if began is not None and several:
        raise InputError(
            "--began was given for several recordings, which did not begin together; read them one by one"
        )
    at = None if began is None else moment(began, "--began")
    return Keeping(clock.clock, clock.log, at, temperature, keep_anyway)
