"""``torsionbeat portrait``: the mean sound of a beat as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from torsionbeat.cli.digest import Channel, channel_of
from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.options import ClockOptions
from torsionbeat.errors import InputError

__all__ = ["portrait_command"]


@takes_groups
def portrait_command(
    recordings: Annotated[
        list[Path], typer.Argument(metavar="RECORDING...", help="One recording, or two: before and after.")
    ],
    output: Annotated[Path, typer.Option("--output", "-o", help="Picture to write: .png, .svg or .pdf.")],
    clock: ClockOptions,
    channel: Channel = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file of that name.")] = False,
) -> None:
    """Draw the mean sound of a beat on each side: its level, and the tones that it is made of.

    Contact and drop are marked, and any other sound that every beat has, such as an unlocking or a banking.
    """
    from torsionbeat.display.portrait import portrait_figure
    from torsionbeat.display.style import save_figure
    from torsionbeat.jobs.beat_sounds import PortraitRequest, portrait
    from torsionbeat.terminal.progress import Bar

    if len(recordings) > 2:
        raise InputError(f"{len(recordings)} recordings were given; give one, or two to be compared")
    if output.exists() and not overwrite:
        raise InputError(f"{output} exists and was left alone: choose another name or add --overwrite")
    drawn = []
    for recording in recordings:
        with Bar("Listening") as bar:
            request = PortraitRequest(recording, clock.known(), channel=channel_of(channel))
            drawn.append(portrait(request, progress=bar.share))
    save_figure(portrait_figure(*drawn), output)
    typer.echo(
        "; ".join(f"side {one.side}: {one.beats} beats" for part in drawn for one in part.sides)
        + f": {output}"
    )
