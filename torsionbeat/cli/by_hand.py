"""``torsionbeat freeswing``, ``spring`` and ``handcheck``: what is counted, measured and seen at the bench."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.drawing import OverwriteOption, PlotOption, drawn_to
from torsionbeat.cli.options import JsonOption, LogOption, TakesTexts, moment, print_json, say, takes_groups
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.by_hand import Sighting
    from torsionbeat.jobs.free_swing import ArcsSeen, FreeSwingResult, SoundsHeard, SwingsHeard

__all__ = ["HANDCHECK_CLASS", "freeswing_command", "handcheck_command", "spring_command", "thickness_um"]

SWING = re.compile(
    r"(?P<time>\d+(?:\.\d+)?) ?(?P<unit>s|min|h)? +(?P<arc>\d+(?:\.\d+)?)(?P<kind> ?deg| ?x| ?ornaments)?"
)


SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, None: 60.0}
"""Seconds of each unit; a plain number counts minutes."""


SWING_HOW = 'write time and arc as "0 400" and "30min 330", or ornaments counted as "0 20x" with --spacing'


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
        from torsionbeat.cli.texts import document_of
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
        return _seen(typed, self.spacing, self.within)


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
    overwrite: OverwriteOption = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find Q, what damps the balance, how long it settles, and the power the drive must give."""
    from torsionbeat.display.by_hand import free_swing_sentences
    from torsionbeat.jobs.free_swing import FreeSwingRequest, free_swing

    arcs = source.source(readings or [])
    draw = drawn_to(plot, log, overwrite)
    result = free_swing(FreeSwingRequest(arcs, period, at_arc, until, inertia, clock, log))
    draw(lambda: _decay_figure(result))
    if json:
        print_json(result.document())
    else:
        say(*free_swing_sentences(result))


def _decay_figure(result: FreeSwingResult) -> Any:
    import numpy as np

    from torsionbeat.display.clockplots import decay_figure
    from torsionbeat.history.arc_findings import Decay

    decay = Decay(np.array(result.time_s), np.array(result.arc_deg), result.period_s)
    return decay_figure(decay, *([result.kept_for] if result.kept_for else []))


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
    match = SWING.fullmatch(" ".join(text.split()))
    if match is not None:
        counted = (match["kind"] or "").strip() in ("x", "ornaments")
        return float(match["time"]) * SECONDS[match["unit"]], float(match["arc"]), counted
    if Path(text).suffix:
        raise InputError(
            f"{text!r} is a file, not a reading; hear a recording first with torsionbeat analyse {text} "
            "--events sounds.csv, then give --events sounds.csv with --lift or --mark"
        )
    raise InputError(f"the reading {text!r} cannot be read; {SWING_HOW}")


LENGTH = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>um|µm|mm|thou|in)?")


UM_PER_UNIT = {"um": 1.0, "µm": 1.0, "mm": 1000.0, "thou": 25.4, "in": 25_400.0, None: 1.0}
"""Micrometres of each unit; an inch is 25.4 mm exactly (1959 agreement), a plain number counts micrometres."""


@dataclass(frozen=True, slots=True)
class ChangeOptions:
    """What another strip would do."""

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
        from torsionbeat.cli.texts import rate_of

        rate_s_per_day = None if rate is None else rate_of(rate)
        thicker_um = None if self.thicker is None else thickness_um(self.thicker)
        return rate_s_per_day, thicker_um, self.longer, self.wider, self.new_material


@dataclass(frozen=True, slots=True)
class RoomOptions:
    """What the room does."""

    cold: Annotated[float | None, typer.Option(help="Temperature of the cold room (C).")] = None
    warm: Annotated[float | None, typer.Option(help="Temperature of the warm room (C).")] = None
    balance_metal: Annotated[str, typer.Option(help="Metal that carries the weights.")] = "brass"

    def rooms_c(self) -> tuple[float, float] | None:
        """Give both temperatures, or None where none was given.

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
    json: JsonOption = False,
) -> None:
    """Say what a suspension strip does: stiffness, what each measure does to the rate, room, stress."""
    from torsionbeat.display.by_hand import strip_sentences
    from torsionbeat.jobs.strip import StripRequest, strip

    measures = thickness_um(thickness), width, length, load, material, thickness_within, arc, period
    result = strip(StripRequest(*measures, *change.asked(rate), room.rooms_c(), room.balance_metal))
    if json:
        print_json(result.document())
    else:
        say(*strip_sentences(result))


def thickness_um(text: str) -> float:
    """Read a thickness in micrometres.

    Raises
    ------
    InputError
        It cannot be read.

    Examples
    --------
    >>> thickness_um("0.1mm"), thickness_um("4thou"), thickness_um("-5")
    (100.0, 101.6, -5.0)
    """
    match = LENGTH.fullmatch(text.strip())
    if match is None:
        raise InputError(f"the thickness {text!r} cannot be read; write 100um, 0.1mm or 4thou")
    return round(float(match["value"]) * UM_PER_UNIT[match["unit"]], 9)


HANDCHECK_CLASS = TakesTexts


SIGHTING_HOW = (
    'write it as "2026-03-01 20:00:00 +5" or "2026-03-01 20:00:00 20:00:05", or for hours gone by "168h +18" or '
    '"168h +1min"'
)


SIGHTING = re.compile(
    r"(?:(?P<date>\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:\d\d)?)"
    r"|(?P<gone>\d+(?:\.\d+)?) ?(?P<unit>[hd]))"
    r"\s+(?:(?P<time>\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?)|(?P<ahead>[+-]?\d+(?:\.\d+)?) ?(?P<of>s|min)?)"
    r"(?:\s+within\s+(?P<within>\d+(?:\.\d+)?) ?s?)?"
)


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
    overwrite: OverwriteOption = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find the rate from the minute hand, seen against a time signal twice or more, best a week apart."""
    from torsionbeat.display.by_hand import hand_check_sentences
    from torsionbeat.display.clockplots import hand_figure
    from torsionbeat.jobs.by_hand import HandCheckRequest, hand_check

    seen = tuple(_read(text, within) for text in sightings)
    draw = drawn_to(plot, log, overwrite)
    result = hand_check(HandCheckRequest(seen, clock, log))
    draw(lambda: hand_figure(result))
    if json:
        print_json(result.document())
    else:
        say(*hand_check_sentences(result))


def _read(text: str, within_s: float) -> Sighting:
    from torsionbeat.jobs.by_hand import Sighting

    match = SIGHTING.fullmatch(" ".join(text.split()))
    if match is None:
        raise InputError(f"the sighting {text!r} cannot be read; {SIGHTING_HOW}")
    error_s = float(match["within"] or within_s)
    ahead_s = float(match["ahead"] or 0) * (60 if match["of"] == "min" else 1)
    if match["date"] is None:
        if match["time"]:
            raise InputError(
                f"the sighting {text!r} has hours gone by and a time on the dial; {SIGHTING_HOW}"
            )
        hours = float(match["gone"]) * (24 if match["unit"] == "d" else 1)
        return Sighting(ahead_s, error_s, elapsed_h=hours)
    told = datetime.fromisoformat(match["date"])
    when = moment(match["date"], "the moment of a sighting").astimezone(told.tzinfo)
    if match["ahead"]:
        return Sighting(ahead_s, error_s, when)
    parts = [float(part) for part in match["time"].split(":")]
    if parts[0] > 24 or any(part >= 60 for part in parts[1:]):
        raise InputError(f"the sighting {text!r} has the hand at {match['time']}; no dial shows that")
    shown_s = sum(part * unit for part, unit in zip(parts, (3600, 60, 1), strict=False))
    true_s = told.hour * 3600 + told.minute * 60 + told.second + told.microsecond / 1e6
    half_dial_s = 6 * 3600
    return Sighting((shown_s - true_s + half_dial_s) % (2 * half_dial_s) - half_dial_s, error_s, when)
