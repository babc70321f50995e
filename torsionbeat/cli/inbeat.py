"""``torsionbeat inbeat``: set a clock in beat by ear, the offset large on the screen after each swing."""

from __future__ import annotations

from typing import Annotated

import typer

from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.options import ClockOptions, SoundOptions

__all__ = ["inbeat_command"]


@takes_groups
def inbeat_command(
    clock: ClockOptions,
    sound: SoundOptions,
    arc: Annotated[
        float | None,
        typer.Option(
            help="Arc (amplitude end to end) as counted by eye (deg), where only the drop is heard."
        ),
    ] = None,
    share_above_fork: Annotated[
        float,
        typer.Option(help="Fork on the strip: its free length above the fork over all of it; else 1."),
    ] = 1.0,
    length: Annotated[
        str | None,
        typer.Option("--for", metavar="LENGTH", help="How long, e.g. 20min; left out, till Ctrl-C."),
    ] = None,
) -> None:
    """Set a clock in beat: after each swing the offset, how sure it is, and the way to turn.

    Right again two swings after you have turned and let go. Side a and side b are the two ways the balance
    goes: the screen says at which it just went by. Nothing is kept.

    Exit status: 0 ended as wished, 2 an option cannot be used, 3 no clock heard, 4 the microphone failed.
    """
    from torsionbeat.cli.ending import ended_by_signals
    from torsionbeat.cli.hours import length_s
    from torsionbeat.jobs.set_beat import SetBeatRequest, set_beat
    from torsionbeat.terminal.beatview import BeatScreen

    duration_s = None if length is None else length_s(length)
    request = SetBeatRequest(sound.sound(), clock.known(), arc, share_above_fork, duration_s)
    with BeatScreen() as screen, ended_by_signals() as ending:
        set_beat(request, on_state=screen.show, cancel=ending)
