"""``torsionbeat report``: a clock's story for its owner and for the file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.history import LogOption, say
from torsionbeat.cli.sides import whole_days
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.display.story import Span

__all__ = ["report_command"]


def report_command(
    clock: Annotated[str, typer.Argument(help="The clock's name in the bench log.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="HTML file to write.")] = Path("report.html"),
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Write a PDF beside it too (needs torsionbeat[pdf]).")
    ] = False,
    before: Annotated[
        str | None,
        typer.Option(help="Days before, as 2026-03-01 or 2026-03-01..2026-03-07; left out, before all work."),
    ] = None,
    after: Annotated[str | None, typer.Option(help="Days after; left out, since the last work.")] = None,
    same_recorder: Annotated[
        bool, typer.Option("--same-recorder", help="Before and after were recorded with the same device.")
    ] = False,
    same_place: Annotated[
        bool,
        typer.Option(
            "--same-place", help="Neither clock nor microphone was moved between, and the room was as quiet."
        ),
    ] = False,
    log: LogOption = None,
) -> None:
    """Write a report on a clock: what was done, before and after, figures, findings, how it was measured."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.display.report import report_html, write_pdf, write_report
    from torsionbeat.display.story import gather

    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"the report is to go to {output}; give a name that ends in .html")
    days = _days(before, "--before"), _days(after, "--after")
    with open_log(log) as opened:
        story = gather(
            opened,
            clock,
            before=days[0],
            after=days[1],
            same_recorder=same_recorder,
            same_place=same_place,
        )
    html = report_html(story, datetime.now().astimezone())
    write_report(html, output)
    written = [str(output)]
    if pdf:
        write_pdf(html, output.with_suffix(".pdf"))
        written.append(str(output.with_suffix(".pdf")))
    say(f"The report on {clock} is in {' and '.join(written)}.")


def _days(text: str | None, option: str) -> Span | None:
    if text is None:
        return None
    days = whole_days(text)
    if days is None:
        raise InputError(f"{option} is {text!r}; write it as 2026-03-01 or 2026-03-01..2026-03-07")
    return days
