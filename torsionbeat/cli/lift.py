"""``torsionbeat lift`` and ``arc``: the two angles that need a separate measurement."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import ClockOptions, JsonOption, takes_groups
from torsionbeat.terminal.telling import say, say_or_print
from torsionbeat.typed.amounts import counted_arc
from torsionbeat.typed.sources import side_of

if TYPE_CHECKING:
    pass

__all__ = ["arc_command", "lift_command"]


@takes_groups
def lift_command(
    recording: Annotated[Path, typer.Argument(help="Sound file, or the folder of a night.")],
    counted: Annotated[
        list[str],
        typer.Argument(
            metavar="COUNTED...",
            help='Arc counted by eye, end to end (deg): "430", "430 within 5", or while it swings down "390 at 12min".',
        ),
    ],
    clock: ClockOptions,
    keep: Annotated[bool, typer.Option("--keep", help="Set it in the record of --clock.")] = False,
    free_swing: Annotated[
        bool,
        typer.Option("--free-swing", help="The drive was off: arcs, passages and decay are fitted together."),
    ] = False,
) -> None:
    """Find the lift from the arc, counted by eye once or more often while the clock is recorded.

    Ornaments passing a pointer will do: twelve of them stand 30 degrees apart. The arc of every later recording then
    rests on this lift.
    """
    from torsionbeat.display.by_hand import lift_sentences
    from torsionbeat.jobs.find_lift import FindLiftRequest, find_lift
    from torsionbeat.terminal.progress import Bar

    request = FindLiftRequest(
        recording, tuple(map(counted_arc, counted)), clock.known(), keep=keep, free_swing=free_swing
    )
    with Bar("Listening") as bar:
        found = find_lift(request, progress=bar.share)
    say(*lift_sentences(found))


@takes_groups
def arc_command(
    before: Annotated[
        str,
        typer.Argument(help="A recording, a reading kept as JSON, or with --clock a day, before the turn."),
    ],
    after: Annotated[str, typer.Argument(help="The same, after it, when the arc is steady again.")],
    turned: Annotated[
        float, typer.Option(help="How far the beat setting was turned between, either way (deg).")
    ],
    clock: ClockOptions,
    within: Annotated[float, typer.Option(help="How far off that may be (deg).")] = 0.5,
    share_above_fork: Annotated[
        float,
        typer.Option(help="Fork on the strip: its free length above the fork over all of it; else 1."),
    ] = 1.0,
    swap_sides: Annotated[
        bool | None,
        typer.Option(
            "--swap-sides/--keep-sides",
            help="Side a before is side b after, or is side a; left out, the sounds decide.",
        ),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Find the arc where only the drop is heard: read, turn the beat setting a little, and read again.

    The beat error moves with the offset, by more the smaller the arc: two beat errors and the turn between them
    give it. Turn far enough that the beat errors differ by many times their intervals, some five degrees.
    """
    from torsionbeat.display.by_hand import two_offsets_sentences
    from torsionbeat.jobs.by_hand import TwoOffsetsRequest, two_offsets
    from torsionbeat.terminal.progress import Bar

    sides = side_of(before), side_of(after)
    request = TwoOffsetsRequest(*sides, turned, within, share_above_fork, swap_sides, clock.known())
    with Bar("Listening") as bar:
        result = two_offsets(request, progress=bar.share)
    say_or_print(json, result.document(), *two_offsets_sentences(result))
