"""``torsionbeat report``: a clock's story for its owner and for the file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.compare import SameOptions
from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.history import LogOption, say
from torsionbeat.cli.outputs import OverwriteOption, refuse_harm
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.report import Span

__all__ = ["report_command"]


@takes_groups
def report_command(
    clock: Annotated[str, typer.Argument(help="The clock's name in the bench log.")],
    same: SameOptions,
    output: Annotated[Path, typer.Option("--output", "-o", help="HTML file to write.")] = Path("report.html"),
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Write a PDF beside it too (needs torsionbeat[pdf]).")
    ] = False,
    before: Annotated[
        str | None,
        typer.Option(help="Days before, as 2026-03-01 or 2026-03-01..2026-03-07; left out, before all work."),
    ] = None,
    after: Annotated[str | None, typer.Option(help="Days after; left out, since the last work.")] = None,
    overwrite: OverwriteOption = False,
    log: LogOption = None,
) -> None:
    """Write a report on a clock: what was done, before and after, figures, findings, how it was measured."""
    from torsionbeat.display.report import report_html, write_pdf, write_report
    from torsionbeat.jobs.report import ReportRequest, report

    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"the report is to go to {output}; give a name that ends in .html")
    outputs = [("--output", output)] + ([("--pdf", output.with_suffix(".pdf"))] if pdf else [])
    refuse_harm(outputs, (), log, overwrite=overwrite)
    days = _days(before, "--before"), _days(after, "--after")
    story = report(ReportRequest(clock, log, *days, same.same_recorder, same.same_place))
    html = report_html(story, datetime.now().astimezone())
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
