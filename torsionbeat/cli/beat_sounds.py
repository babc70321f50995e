"""``torsionbeat digest`` and ``portrait``: the sounds of the beats, to hear and to see."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from torsionbeat.cli.options import ClockOptions, say, takes_groups
from torsionbeat.errors import InputError

__all__ = ["Channel", "channel_of", "digest_command", "portrait_command"]

Channel = Annotated[
    int | None, typer.Option(min=1, max=64, help="Channel, counted from 1; left out, the mean of all.")
]


def channel_of(channel: int | None) -> int | None:
    """Count a channel from 0."""
    return None if channel is None else channel - 1


@takes_groups
def digest_command(
    recording: Annotated[Path, typer.Argument(help="Sound file, or the folder of a night.")],
    output: Annotated[
        Path,
        typer.Option(
            "--output", "-o", help="Sound to write, .wav or .flac; its labels go beside it as .txt."
        ),
    ],
    clock: ClockOptions,
    beats: Annotated[
        int | None, typer.Option(min=1, help="How many beats, spread over the night; left out, all.")
    ] = None,
    levelled: Annotated[
        bool, typer.Option("--levelled", help="Bring each beat to the same loudness.")
    ] = False,
    slower: Annotated[
        float, typer.Option(min=1.0, max=8.0, help="How many times slower, at the same pitch.")
    ] = 1.0,
    channel: Channel = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files of that name.")] = False,
) -> None:
    """Write the beats of a recording one after the other: side a on the left, side b on the right.

    Each from shortly before its contact to after its drop. The label track beside it opens in any audio editor and says
    which beat is which, and what was taken for contact and drop.
    """
    from torsionbeat.display.portrait import flutter_words
    from torsionbeat.display.words import duration_words
    from torsionbeat.jobs.beat_sounds import DigestRequest, digest
    from torsionbeat.terminal.progress import Bar

    for path in (output, output.with_suffix(".txt")):
        if path.exists() and not overwrite:
            raise InputError(f"{path} exists and was left alone: choose another name or add --overwrite")
    request = DigestRequest(
        recording,
        output,
        clock.known(),
        beats=beats,
        levelled=levelled,
        slower=slower,
        channel=channel_of(channel),
    )
    with Bar("Listening") as bar:
        made = digest(request, progress=bar.share)
    say(
        f"{made.beats} beats in {duration_words(made.duration_s)}: {made.output}, labels in {made.labels.name}.",
        flutter_words(made.flutter, made.reading.period_s.nominal_value),
    )


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
