"""``torsionbeat report``: a clock's story for its owner and for the file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.compare import SameOptions
from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.history import LogOption, say
from torsionbeat.cli.options import OverwriteOption
from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import refuse_harm

if TYPE_CHECKING:
    from torsionbeat.jobs.report import Span

__all__ = ["report_command"]


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
    from torsionbeat.display.report import report_html, write_pdf, write_report
    from torsionbeat.display.workshop import load_workshop, picture_data
    from torsionbeat.jobs.advise import judgement_or_none
    from torsionbeat.jobs.report import ReportRequest, report

    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"the report is to go to {output}; give a name that ends in .html")
    outputs = [("--output", output)] + ([("--pdf", output.with_suffix(".pdf"))] if pdf else [])
    refuse_harm(outputs, (), log, overwrite=overwrite)
    days = _days(before, "--before"), _days(after, "--after")
    story = report(ReportRequest(clock, log, *days, same.same_recorder, same.same_place))
    html = report_html(
        story,
        datetime.now().astimezone(),
        judgement=judgement_or_none(clock, log),
        workshop=load_workshop(workshop),
        photo="" if photo is None else picture_data(photo),
    )
    write_report(html, output)
    written = [str(output)]
    if pdf:
        write_pdf(html, output.with_suffix(".pdf"))
        written.append(str(output.with_suffix(".pdf")))
    say(f"The report on {clock} is in {' and '.join(written)}.")


def _days(text: str | None, option: str) -> Span | None:
    from torsionbeat.cli.hours import whole_days

    days = None if text is None else whole_days(text)
    if text is not None and days is None:
        raise InputError(f"{option} is {text!r}; write it as 2026-03-01 or 2026-03-01..2026-03-07")
    return days
