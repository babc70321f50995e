"""``torsionbeat advise``: one judgement of a clock of the bench log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from torsionbeat.cli.correct import ClockOptions, StateOptions, WeightOptions, request_of
from torsionbeat.cli.options import JsonOption, LogOption, OverwritePlot, PlotOption, takes_groups
from torsionbeat.terminal.outputs import drawn_to
from torsionbeat.terminal.telling import say_or_print

__all__ = ["advise_command"]


@takes_groups
def advise_command(
    weights: WeightOptions,
    about: ClockOptions,
    clock: Annotated[str, typer.Argument(help="The clock's name in the bench log.")],
    room: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Logger's file of room temperature, for the clock's nights."),
    ] = None,
    to: Annotated[float, typer.Option(help="Leave the clock alone within this (s/day).")] = 0.5,
    plot: PlotOption = None,
    overwrite: OverwritePlot = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Judge a clock by all that is in the log: how it goes now, what to do first, what waits, when to look again."""
    from torsionbeat.display.bench_plots import judgement_figure
    from torsionbeat.display.judgement import judgement_document, judgement_sentences
    from torsionbeat.jobs.advise import advise

    draw = drawn_to(plot, log, overwrite)
    judgement = advise(request_of(clock, log, StateOptions(to=to, room=room), weights, about))
    draw(lambda: judgement_figure(judgement))
    say_or_print(json, judgement_document(judgement), *judgement_sentences(judgement))
