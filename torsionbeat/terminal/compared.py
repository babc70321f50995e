"""Shows a comparison or a report: on the terminal, as JSON, and as the requested files."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.terminal.telling import print_json

if TYPE_CHECKING:
    from torsionbeat.history.comparison import Comparison
    from torsionbeat.jobs.report import ClockStory

__all__ = ["show_comparison", "write_report_files"]


def show_comparison(
    result: Comparison, plot: Path | None, portrait: Path | None = None, *, json: bool, every_row: bool
) -> None:
    """Print what changed between two sides, and draw the requested pictures.

    Parameters
    ----------
    result : Comparison
    plot : Path or None
        Picture to write.
    portrait : Path or None
        Picture to write of the mean sounds of both sides.
    json : bool
        Print JSON instead of sentences and table.
    every_row : bool
        Print unchanged rows too.
    """
    from torsionbeat.display.changes import comparison_figure, print_comparison
    from torsionbeat.display.style import save_figure

    if plot is not None:
        save_figure(comparison_figure(result), plot)
    if portrait is not None:
        from torsionbeat.display.portrait import mean_sounds_figure

        save_figure(mean_sounds_figure(result), portrait)
    if json:
        print_json(result.document())
    else:
        print_comparison(result, every_row=every_row)


def write_report_files(
    story: ClockStory, log: str | None, paths: list[Path], photo: Path | None, workshop: Path | None
) -> None:
    """Write a clock's report as HTML and, with a second path, as PDF.

    Parameters
    ----------
    story : ClockStory
    log : str or None
        The bench log; None: the default one.
    paths : list of Path
        Path of the HTML file and, optionally, of the PDF.
    photo, workshop : Path or None
        Photo of the clock and letterhead.
    """
    from torsionbeat.jobs.advise import judged
    from torsionbeat.reports.report import report_html, write_pdf, write_report
    from torsionbeat.reports.workshop import load_workshop, picture_data

    judgement, why = judged(story.clock.name, log)
    html = report_html(
        story,
        datetime.now().astimezone(),
        judgement=judgement,
        unjudged=why,
        workshop=load_workshop(workshop),
        photo="" if photo is None else picture_data(photo),
    )
    write_report(html, paths[0])
    for path in paths[1:]:
        write_pdf(html, path)
