"""Pictures that commands draw on request: the option, and writing them without harm."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["OverwriteOption", "PlotOption", "drawn_to"]

PlotOption = Annotated[Path | None, typer.Option(help="Draw it to this file (.png, .svg or .pdf).")]

OverwriteOption = Annotated[bool, typer.Option("--overwrite", help="Replace a picture that is there.")]


def drawn_to(plot: Path | None, log: str | None, overwrite: bool) -> Callable[[Callable[[], Any]], None]:
    """Give what draws a figure to the file asked for, or does nothing where none is; harm is refused at once.

    Raises
    ------
    InputError
        The file is there already, or is something that must not be written over.
    """
    if plot is None:
        return lambda _: None
    from torsionbeat.terminal.outputs import refuse_harm

    refuse_harm([("--plot", plot)], (), log, overwrite=overwrite)

    def draw(make: Callable[[], Any]) -> None:
        from torsionbeat.display.style import save_figure

        save_figure(make(), plot)

    return draw
