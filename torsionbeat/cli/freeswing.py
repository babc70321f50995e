"""``torsionbeat freeswing``: how the arc dies away without a drive, and what that points to."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.groups import takes_groups
from torsionbeat.cli.history import JsonOption, LogOption, print_json, say
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.free_swing import ArcsSeen, SoundsHeard, SwingsHeard

__all__ = ["freeswing_command"]

READING = re.compile(
    r"(?P<time>\d+(?:\.\d+)?) ?(?P<unit>s|min|h)? +(?P<arc>\d+(?:\.\d+)?)(?P<kind> ?deg| ?x| ?ornaments)?"
)
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, None: 60.0}
HOW = 'write time and arc as "0 400" and "30min 330", or ornaments counted as "0 20x" with --spacing'


@dataclass(frozen=True, slots=True)
class SourceOptions:
    """Where the arcs come from."""

    reading: Annotated[
        Path | None, typer.Option(metavar="JSON", help="Swings heard: what analyse --json wrote.")
    ] = None
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="Sounds heard: what analyse --events wrote; needs --lift or --mark."
        ),
    ] = None
    lift: Annotated[float | None, typer.Option(help="Angle from contact to drop (deg), with --events.")] = (
        None
    )
    mark: Annotated[
        float | None,
        typer.Option(help="With --events of one sound a passage: the mark's angle from rest (deg)."),
    ] = None
    spacing: Annotated[float | None, typer.Option(help="Angle between ornaments (deg); 12 of them: 30.")] = (
        None
    )
    within: Annotated[float | None, typer.Option(help="How far off an arc may be (deg).")] = None

    def source(self, typed: list[str]) -> ArcsSeen | SwingsHeard | SoundsHeard:
        """Give the one source that was given.

        Raises
        ------
        InputError
            None or several, options that belong to another, or readings that cannot be read.
        """
        from torsionbeat.cli.adjusting import document_of
        from torsionbeat.jobs.free_swing import SoundsHeard, SwingsHeard

        sources = sum([bool(typed), self.reading is not None, self.events is not None])
        if sources != 1:
            raise InputError(
                f"{sources} sources of arcs were given; give readings, --reading or --events. {HOW}"
            )
        if self.reading is not None:
            return SwingsHeard(document_of(self.reading), self.within)
        if self.events is not None:
            return SoundsHeard(self.events, self.lift, self.mark, self.within)
        return _seen(typed, self.spacing, self.within)


@takes_groups
def freeswing_command(
    source: SourceOptions,
    readings: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[READING...]",
            help='"0 400" "30 330": minutes and arc, end to end (deg); "90s 310"; "0 20x": 20 ornaments.',
        ),
    ] = None,
    period: Annotated[float | None, typer.Option(help="Full period (s).")] = None,
    at_arc: Annotated[
        float | None, typer.Option(help="Running arc for which Q and settling are wanted (deg).")
    ] = None,
    until: Annotated[
        float | None, typer.Option(help="How long until the arc falls below this (deg)?")
    ] = None,
    inertia: Annotated[
        float | None, typer.Option(help="Inertia of the balance (g mm2), for the power.")
    ] = None,
    clock: Annotated[
        str | None, typer.Option(help="Clock of the bench log: its period and inertia; keep it there.")
    ] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find Q, what damps the balance, how long it settles, and the power the drive must give."""
    from torsionbeat.display.by_hand import free_swing_sentences
    from torsionbeat.jobs.free_swing import FreeSwingRequest, free_swing

    arcs = source.source(readings or [])
    result = free_swing(FreeSwingRequest(arcs, period, at_arc, until, inertia, clock, log))
    if json:
        print_json(result.document())
    else:
        say(*free_swing_sentences(result))


def _seen(typed: list[str], spacing: float | None, within_deg: float | None) -> ArcsSeen:
    from torsionbeat.jobs.free_swing import ArcsSeen
    from torsionbeat.regulation.freeswing import arcs_from_counts

    times, arcs = [], []
    for text in typed:
        time_s, arc, counted = _typed(text)
        if counted and spacing is None:
            raise InputError(
                f"the reading {text!r} counts ornaments; give the angle between them with --spacing"
            )
        times.append(time_s)
        arcs.append(float(arcs_from_counts([arc], spacing)[0]) if counted and spacing is not None else arc)
    if within_deg is None and spacing is not None:
        within_deg = spacing / 2
    return ArcsSeen(tuple(times), tuple(arcs), within_deg)


def _typed(text: str) -> tuple[float, float, bool]:
    """Read one typed reading: seconds, degrees or ornaments, and whether they are ornaments."""
    match = READING.fullmatch(" ".join(text.split()))
    if match is not None:
        counted = (match["kind"] or "").strip() in ("x", "ornaments")
        return float(match["time"]) * SECONDS[match["unit"]], float(match["arc"]), counted
    if Path(text).suffix:
        raise InputError(
            f"{text!r} is a file, not a reading; hear a recording first with torsionbeat analyse {text} "
            "--events sounds.csv, then give --events sounds.csv with --lift or --mark"
        )
    raise InputError(f"the reading {text!r} cannot be read; {HOW}")
