"""``torsionbeat digest`` and ``portrait``: the sounds of the beats, to hear and to see."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import ClockOptions, OverwriteOption, takes_groups
from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import refuse_harm
from torsionbeat.terminal.telling import say

if TYPE_CHECKING:
    from torsionbeat.beat_sounds.portrait import BeatPortrait

__all__ = ["Channel", "channel_of", "digest_command", "portrait_command"]

# 64: more than studio interfaces have.
Channel = Annotated[
    int | None, typer.Option(min=1, max=64, help="Channel, counted from 1; left out, the mean of all.")
]


def channel_of(channel: int | None) -> int | None:
    """Give the channel's index, counted from 0."""
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
    overwrite: OverwriteOption = False,
) -> None:
    """Write the beats of a recording one after the other: side a on the left, side b on the right.

    Each from shortly before its contact to after its drop. The label track beside it opens in any audio editor and says
    which beat is which, and what was taken for contact and drop.
    """
    from torsionbeat.display.portrait import digest_sentences
    from torsionbeat.jobs.beat_sounds import DigestRequest, digest
    from torsionbeat.terminal.progress import Bar

    outputs = [("--output", output), ("the label track", output.with_suffix(".txt"))]
    refuse_harm(outputs, [recording], clock.log, overwrite=overwrite)
    how = DigestRequest(recording, output, clock.known(), beats=beats, levelled=levelled)
    request = replace(how, slower=slower, channel=channel_of(channel))
    with Bar("Listening") as bar:
        made = digest(request, progress=bar.share)
    say(*digest_sentences(made))


@takes_groups
def portrait_command(
    recordings: Annotated[
        list[Path], typer.Argument(metavar="RECORDING...", help="One recording, or two: before and after.")
    ],
    output: Annotated[Path, typer.Option("--output", "-o", help="Picture to write: .png, .svg or .pdf.")],
    clock: ClockOptions,
    channel: Channel = None,
    overwrite: OverwriteOption = False,
) -> None:
    """Draw the mean sound of a beat on each side: its level, and the tones that it is made of.

    Contact and drop are marked, and any other sound that every beat has, such as an unlocking or a banking.
    """
    from torsionbeat.display.portrait import beats_words, portrait_figure
    from torsionbeat.display.style import save_figure

    if len(recordings) > 2:
        raise InputError(f"{len(recordings)} recordings were given; give one, or two to be compared")
    refuse_harm([("--output", output)], recordings, clock.log, overwrite=overwrite)
    drawn = [_drawn(recording, clock, channel) for recording in recordings]
    save_figure(portrait_figure(*drawn), output)
    typer.echo(f"{beats_words(drawn)}: {output}")


def _drawn(recording: Path, clock: ClockOptions, channel: int | None) -> BeatPortrait:
    from torsionbeat.jobs.beat_sounds import PortraitRequest, portrait
    from torsionbeat.terminal.progress import Bar

    request = PortraitRequest(recording, clock.known(), channel=channel_of(channel))
    with Bar("Listening") as bar:
        return portrait(request, progress=bar.share)
