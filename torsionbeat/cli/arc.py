"""``torsionbeat arc``: the arc of a clock of which only the drop is heard, from two beat errors."""

from __future__ import annotations

from typing import Annotated

import typer

from torsionbeat.cli.compare import side_of
from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.history import JsonOption, print_json, say
from torsionbeat.cli.options import ClockOptions

__all__ = ["arc_command"]


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
    if json:
        print_json(result.document())
    else:
        say(*two_offsets_sentences(result))
