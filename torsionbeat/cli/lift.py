"""``torsionbeat lift``: the lift of a clock, from arcs counted by eye."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.history import say
from torsionbeat.cli.options import ClockOptions
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.find_lift import CountedArc

__all__ = ["lift_command"]

COUNTED = re.compile(
    r"(?P<arc>\d+(\.\d+)?)( *within *(?P<within>\d+(\.\d+)?))?( *at *(?P<at>\d+(\.\d+)?) *(?P<unit>s|min))?"
)


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
) -> None:
    """Find the lift from the arc, counted by eye once or more often while the clock is recorded.

    Ornaments passing a pointer will do: twelve of them stand 30 degrees apart. The arc of every later recording then
    rests on this lift.
    """
    from torsionbeat.display.words import figure_words
    from torsionbeat.jobs.find_lift import FindLiftRequest, find_lift
    from torsionbeat.terminal.progress import Bar

    request = FindLiftRequest(recording, tuple(map(_counted, counted)), clock.known(), keep=keep)
    with Bar("Listening") as bar:
        found = find_lift(request, progress=bar.share)
    each = [figure_words(one, "deg") for one in found.each_deg]
    say(
        f"The lift is {figure_words(found.lift_deg, 'deg')}.",
        *([f"Of each count: {'; '.join(each)}."] if len(each) > 1 else []),
        *found.remarks,
        f"Kept for {found.kept_for}."
        if found.kept_for
        else f"Give it as --lift {found.lift_deg.nominal_value:.2f} --lift-tolerance {found.tolerance_deg:.2f}, or keep it "
        "with --clock NAME --keep.",
    )


def _counted(text: str) -> CountedArc:
    from torsionbeat.jobs.find_lift import COUNTED_WITHIN_DEG, CountedArc

    read = COUNTED.fullmatch(text.strip())
    if read is None:
        raise InputError(f'counted is {text[:80]!r}; write it as "430", "430 within 5" or "390 at 12min"')
    at_s = None if read["at"] is None else float(read["at"]) * (60 if read["unit"] == "min" else 1)
    return CountedArc(float(read["arc"]), float(read["within"] or COUNTED_WITHIN_DEG), at_s)
