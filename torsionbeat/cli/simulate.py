"""``torsionbeat simulate``: a recording of an invented clock in an invented room, with its true figures."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import takes_groups
from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import refuse_harm

if TYPE_CHECKING:
    from torsionbeat.twin.demonstration import Demonstration

__all__ = ["simulate_command"]


@dataclass(frozen=True, slots=True)
class ClockOptions:
    """The invented clock."""

    kind: Annotated[
        str, typer.Option(help="60s: contact and drop are heard; 20s, 15s, 12s: 400-day kinds, drop only.")
    ] = "60s"
    period: Annotated[float | None, typer.Option(help="Nominal period in seconds; left out, the kind's.")] = (
        None
    )
    rate: Annotated[
        float, typer.Option(help="What the clock gains at its steady arc, s/day; below 0 it loses.")
    ] = 0.0
    lift: Annotated[float, typer.Option(help="Lift from contact to drop, deg.")] = 20.0
    arc: Annotated[float | None, typer.Option(help="Steady arc (amplitude end to end), deg.")] = None
    offset: Annotated[float, typer.Option(help="Middle of the lift against rest, deg.")] = 0.0
    q: Annotated[float, typer.Option("--q", help="Quality factor of the swing.")] = 300.0
    start_arc: Annotated[
        float | None, typer.Option(help="Arc at which the balance is let go, deg; left out, the steady arc.")
    ] = None
    wander: Annotated[float, typer.Option(help="Wander of the drive, percent.")] = 1.0
    drop_peak: Annotated[
        float, typer.Option(help="Loudness of the drop: its peak, 1 is full scale; the noise goes with it.")
    ] = 0.08
    jitter: Annotated[float, typer.Option(help="Scatter of each sound's beginning, ms.")] = 0.5
    drive_lost_at: Annotated[float | None, typer.Option(help="Minute at which the drive is lost.")] = None


@dataclass(frozen=True, slots=True)
class RecordingOptions:
    """Room, length and recorder."""

    minutes: Annotated[float | None, typer.Option(help="Length in minutes; left out, 20.")] = None
    hours: Annotated[float | None, typer.Option(help="Length in hours, instead of --minutes.")] = None
    room: Annotated[
        str,
        typer.Option(
            help="Room: quiet, workshop, noisy, buried, quartz, pendulum, alarm, rain, fire, drip, talk."
        ),
    ] = "workshop"
    no_clock: Annotated[bool, typer.Option("--no-clock", help="Leave the clock out.")] = False
    sample_rate: Annotated[int, typer.Option(help="Sample rate, Hz.")] = 48_000
    bits: Annotated[int, typer.Option(help="16 or 24 bits.")] = 16
    stereo: Annotated[bool, typer.Option("--stereo", help="Two channels, the clock louder in one.")] = False
    crystal_ppm: Annotated[float, typer.Option(help="The recorder's crystal runs fast by this, ppm.")] = 0.0
    seed: Annotated[int, typer.Option(help="The same seed gives the same recording.")] = 0


@takes_groups
def simulate_command(
    out: Annotated[Path, typer.Argument(help="Sound to write: NAME.flac, .wav or .ogg.")],
    clock: ClockOptions,
    how: RecordingOptions,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file of that name.")] = False,
) -> None:
    """Make a recording of an invented clock, with the truth of every beat beside it.

    For practice, teaching and tests: OUT.truth.json holds the figures and every beat, OUT.truth.csv every
    sound.
    """
    from torsionbeat.terminal.progress import Bar
    from torsionbeat.terminal.simulated import simulated_words
    from torsionbeat.twin.demonstration import demonstrate

    what = _demonstration(clock, how)
    _refuse_taken(out, overwrite)
    rendering = demonstrate(what)
    with Bar(f"Making {out.name}") as bar:
        rendering.write(out, on_progress=bar.share)
    typer.echo(simulated_words(rendering, out, what))


def _demonstration(clock: ClockOptions, how: RecordingOptions) -> Demonstration:
    from torsionbeat.twin import Recorder
    from torsionbeat.twin.demonstration import Demonstration

    if how.minutes is not None and how.hours is not None:
        raise InputError("give the length as --minutes or as --hours, not as both.")
    minutes = 20.0 if how.minutes is None else how.minutes
    return Demonstration(
        clock.kind,
        clock.period,
        clock.rate,
        clock.lift,
        clock.arc,
        clock.offset,
        clock.q,
        clock.start_arc,
        clock.wander,
        clock.drop_peak,
        clock.jitter,
        clock.drive_lost_at,
        how.hours * 3600 if how.hours is not None else minutes * 60,
        how.room,
        not how.no_clock,
        Recorder(how.sample_rate, how.crystal_ppm, channels=2 if how.stereo else 1, bits=how.bits),
        how.seed,
    )


def _refuse_taken(out: Path, overwrite: bool) -> None:
    made = [out, out.with_suffix(".truth.json"), out.with_suffix(".truth.csv")]
    for path in made:
        if path.exists() and not overwrite:
            raise InputError(f"{path} exists and was left alone: choose another name or add --overwrite.")
    refuse_harm([("OUT", path) for path in made], overwrite=True)
