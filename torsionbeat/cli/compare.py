"""``torsionbeat compare`` and ``report``: a clock before and after, and its history."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import ClockOptions, JsonOption, LogOption, OverwriteOption, takes_groups
from torsionbeat.errors import InputError
from torsionbeat.terminal.compared import show_comparison, write_report_files
from torsionbeat.terminal.outputs import refuse_harm
from torsionbeat.terminal.telling import say, tell
from torsionbeat.typed.sources import side_of
from torsionbeat.typed.times import days_of

if TYPE_CHECKING:
    from torsionbeat.jobs.compare import CompareRequest, Days

__all__ = ["SameOptions", "compare_command", "report_command"]


@dataclass(frozen=True, slots=True)
class SameOptions:
    """What was the same on both sides."""

    same_recorder: Annotated[
        bool, typer.Option("--same-recorder", help="Both sides were recorded with the same device.")
    ] = False
    same_place: Annotated[
        bool,
        typer.Option(
            "--same-place", help="Neither clock nor microphone was moved between, and the room was as quiet."
        ),
    ] = False


@dataclass(frozen=True, slots=True)
class RoomOptions:
    """Known data of recorder and room."""

    sample_clock_ppm: Annotated[
        float | None, typer.Option(help="The recorder's crystal runs fast by so many ppm.")
    ] = None
    swap_sides: Annotated[
        bool | None,
        typer.Option(
            "--swap-sides/--keep-sides",
            help="Side a before is side b after, or is side a; left out, the sounds decide.",
        ),
    ] = None
    temperature_before: Annotated[float | None, typer.Option(help="Mean temperature before (°C).")] = None
    temperature_after: Annotated[float | None, typer.Option(help="Mean temperature after (°C).")] = None


@takes_groups
def compare_command(
    before: Annotated[
        str,
        typer.Argument(
            help="A recording, a reading kept as JSON, a folder of either, or with --clock a date "
            "such as 2026-03-01 or 2026-03-01..2026-03-07."
        ),
    ],
    after: Annotated[str, typer.Argument(help="The same, after the work.")],
    clock: ClockOptions,
    same: SameOptions,
    room: RoomOptions,
    every_row: Annotated[
        bool, typer.Option("--all", help="Show every row, also those that could not be judged.")
    ] = False,
    plot: Annotated[Path | None, typer.Option(help="Draw it to this file (.png, .svg or .pdf).")] = None,
    portrait: Annotated[
        Path | None, typer.Option(help="Draw the mean sounds of both, side by side, to this file.")
    ] = None,
    overwrite: OverwriteOption = False,
    json: JsonOption = False,
) -> None:
    """Compare a clock before and after: what changed beyond doubt, and what did not."""
    from torsionbeat.jobs.compare import compare
    from torsionbeat.terminal.progress import Bar

    request = _comparison(side_of(before), side_of(after), clock, same, room)
    outputs = [
        (name, path) for name, path in (("--plot", plot), ("--portrait", portrait)) if path is not None
    ]
    sides = [side for side in (request.before, request.after) if isinstance(side, Path)]
    refuse_harm(outputs, sides, clock.log, overwrite=overwrite)
    with Bar("Listening") as bar:
        result = compare(request, progress=bar.share)
    show_comparison(result, plot, portrait, json=json, every_row=every_row)


def _comparison(
    before: Path | Days, after: Path | Days, clock: ClockOptions, same: SameOptions, room: RoomOptions
) -> CompareRequest:
    from torsionbeat.jobs.compare import CompareRequest

    return CompareRequest(
        before,
        after,
        clock.known(),
        room.sample_clock_ppm,
        same.same_recorder,
        same.same_place,
        room.swap_sides,
        (room.temperature_before, room.temperature_after),
    )


@takes_groups
def report_command(
    clock: Annotated[str, typer.Argument(help="The clock's name in the bench log.")],
    same: SameOptions,
    output: Annotated[Path, typer.Option("--output", "-o", help="HTML file to write.")] = Path("report.html"),
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print a PDF beside it too, by a browser that is here.")
    ] = False,
    photo: Annotated[Path | None, typer.Option(help="Photo of the clock for the owner's page.")] = None,
    workshop: Annotated[
        Path | None,
        typer.Option(help="Letterhead (TOML); left out, workshop.toml in your settings of torsionbeat."),
    ] = None,
    before: Annotated[
        str | None,
        typer.Option(help="Days before, as 2026-03-01 or 2026-03-01..2026-03-07; left out, before all work."),
    ] = None,
    after: Annotated[str | None, typer.Option(help="Days after; left out, since the last work.")] = None,
    overwrite: OverwriteOption = False,
    log: LogOption = None,
) -> None:
    """Write a report on a clock: a page for its owner, and the technical annex behind it.

    The owner reads how the clock goes, what was done, before and after, and what is still to be done; the annex
    holds figures, findings, and how they were measured.
    """
    from torsionbeat.jobs.report import ReportRequest, report

    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"the report is to go to {output}; give a name that ends in .html")
    outputs = [("--output", output), *([("--pdf", output.with_suffix(".pdf"))] if pdf else [])]
    refuse_harm(outputs, [one for one in (photo, workshop) if one is not None], log, overwrite=overwrite)
    days = days_of(before, "--before"), days_of(after, "--after")
    story = report(ReportRequest(clock, log, *days, same.same_recorder, same.same_place))
    for remark in story.left_out:
        tell(remark)
    write_report_files(story, log, [path for _, path in outputs], photo, workshop)
    say(f"The report on {clock} is in {' and '.join(str(path) for _, path in outputs)}.")
