"""``torsionbeat freeswing``, ``spring`` and ``handcheck``: counts, measurements and sightings at the bench."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import JsonOption, LogOption, OverwritePlot, PlotOption, TakesTexts, takes_groups
from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import drawn_to
from torsionbeat.terminal.telling import say_or_print
from torsionbeat.typed.amounts import rate_of, strip_thickness_um, thickness_um
from torsionbeat.typed.sightings import SWING_HOW, arcs_seen, sighting_of
from torsionbeat.typed.sources import document_of

if TYPE_CHECKING:
    from torsionbeat.jobs.free_swing import ArcsSeen, SoundsHeard, SwingsHeard

__all__ = ["HANDCHECK_CLASS", "freeswing_command", "handcheck_command", "spring_command"]


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
        """Give the source of the arcs.

        Raises
        ------
        InputError
            No source or several, options of another source, or readings that cannot be read.
        """
        from torsionbeat.jobs.free_swing import SoundsHeard, SwingsHeard

        sources = sum([bool(typed), self.reading is not None, self.events is not None])
        if sources != 1:
            raise InputError(
                f"{sources} sources of arcs were given; give readings, --reading or --events. {SWING_HOW}"
            )
        if self.reading is not None:
            return SwingsHeard(document_of(self.reading), self.within)
        if self.events is not None:
            return SoundsHeard(self.events, self.lift, self.mark, self.within)
        return arcs_seen(typed, self.spacing, self.within)


@takes_groups
def freeswing_command(
    source: SourceOptions,
    readings: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[SWING...]",
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
    plot: PlotOption = None,
    overwrite: OverwritePlot = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find Q, what damps the balance, how long it settles, and the power the drive must give."""
    from torsionbeat.display.by_hand import free_swing_sentences
    from torsionbeat.display.clockplots import free_swing_figure
    from torsionbeat.jobs.free_swing import FreeSwingRequest, free_swing

    arcs = source.source(readings or [])
    draw = drawn_to(plot, log, overwrite)
    result = free_swing(FreeSwingRequest(arcs, period, at_arc, until, inertia, clock, log))
    draw(lambda: free_swing_figure(result))
    say_or_print(json, result.document(), *free_swing_sentences(result))


@dataclass(frozen=True, slots=True)
class ChangeOptions:
    """Changes of the strip."""

    thicker: Annotated[
        str | None, typer.Option(help="What a strip thicker by so much does: 10um, 0.01mm, -0.2thou.")
    ] = None
    longer: Annotated[
        float | None, typer.Option(help="What an active length longer by so much does (mm).")
    ] = None
    wider: Annotated[float | None, typer.Option(help="What a width greater by so much does (mm).")] = None
    new_material: Annotated[
        str | None, typer.Option(help="What the same strip of another material does.")
    ] = None

    def asked(
        self, rate: str | None
    ) -> tuple[float | None, float | None, float | None, float | None, str | None]:
        """Give the rate now and the changes, in the units of the job."""

        rate_s_per_day = None if rate is None else rate_of(rate)
        thicker_um = None if self.thicker is None else thickness_um(self.thicker)
        return rate_s_per_day, thicker_um, self.longer, self.wider, self.new_material


@dataclass(frozen=True, slots=True)
class RoomOptions:
    """Temperatures of the room."""

    cold: Annotated[float | None, typer.Option(help="Temperature of the cold room (C).")] = None
    warm: Annotated[float | None, typer.Option(help="Temperature of the warm room (C).")] = None
    balance_metal: Annotated[str, typer.Option(help="Metal that carries the weights.")] = "brass"

    def rooms_c(self) -> tuple[float, float] | None:
        """Give both temperatures, or None if none was given.

        Raises
        ------
        InputError
            One of the two is missing.
        """
        if (self.cold is None) != (self.warm is None):
            raise InputError("one room's temperature was given; give both --cold and --warm")
        return None if self.cold is None or self.warm is None else (self.cold, self.warm)


@takes_groups
def spring_command(
    thickness: Annotated[
        str,
        typer.Option(
            help="Thickness: 100, 100um, 0.1mm or 4thou (thousandths of an inch); plain numbers are um."
        ),
    ],
    width: Annotated[float, typer.Option(help="Width (mm).")],
    length: Annotated[float, typer.Option(help="Active length, between the clamps (mm).")],
    load: Annotated[float, typer.Option(help="All that hangs on it (g).")],
    change: ChangeOptions,
    room: RoomOptions,
    material: Annotated[str, typer.Option(help="C17200, C51000, N09902, A228, 302.")] = "C17200",
    period: Annotated[
        float | None, typer.Option(help="Full period with this strip (s), for the inertia.")
    ] = None,
    arc: Annotated[float, typer.Option(help="Arc, end to end (deg), for stress and the arc's effect.")] = 0.0,
    rate: Annotated[
        str | None,
        typer.Option(help="Rate now, + gains: +720 (s a day) or +12min. Which strip brings it to time?"),
    ] = None,
    thickness_within: Annotated[float, typer.Option(help="How far off a thickness may be (um).")] = 2.0,
    plot: PlotOption = None,
    overwrite: OverwritePlot = False,
    json: JsonOption = False,
) -> None:
    """Say what a suspension strip does: stiffness, what each measure does to the rate, room, stress."""
    from torsionbeat.display.bench_plots import strip_figure
    from torsionbeat.display.by_hand import strip_sentences
    from torsionbeat.jobs.strip import StripRequest, strip

    measures = strip_thickness_um(thickness), width, length, load, material, thickness_within, arc, period
    draw = drawn_to(plot, None, overwrite)
    result = strip(StripRequest(*measures, *change.asked(rate), room.rooms_c(), room.balance_metal))
    draw(lambda: strip_figure(result))
    say_or_print(json, result.document(), *strip_sentences(result))


HANDCHECK_CLASS = TakesTexts


def handcheck_command(
    sightings: Annotated[
        list[str],
        typer.Argument(
            metavar="SIGHTING...",
            help='"2026-03-01 20:00:00 +5": at the signal at 20:00:00 the hand was 5 s ahead. Or what '
            'the hand showed: "2026-03-01 20:00:00 20:00:05". Or with hours gone by: "0h 0" "168h +18". '
            '"... within 3" gives this sighting\'s own reading error.',
        ),
    ],
    clock: Annotated[
        str | None, typer.Option(help="Keep it for this clock, and compare it with its last reading.")
    ] = None,
    within: Annotated[float, typer.Option(help="How far off each sighting may be (s).")] = 5.0,
    plot: PlotOption = None,
    overwrite: OverwritePlot = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find the rate from the minute hand, seen against a time signal twice or more, best a week apart."""
    from torsionbeat.display.by_hand import hand_check_sentences
    from torsionbeat.display.clockplots import hand_figure
    from torsionbeat.jobs.by_hand import HandCheckRequest, hand_check

    seen = tuple(sighting_of(text, within) for text in sightings)
    draw = drawn_to(plot, log, overwrite)
    result = hand_check(HandCheckRequest(seen, clock, log))
    draw(lambda: hand_figure(result))
    say_or_print(json, result.document(), *hand_check_sentences(result))
