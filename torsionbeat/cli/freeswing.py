"""``torsionbeat freeswing``: how the arc dies away without a drive, and what that points to."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.history import JsonOption, LogOption, print_json, say
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.regulation.freeswing import FreeSwingResult

__all__ = ["freeswing_command"]

READING = re.compile(
    r"(?P<time>\d+(?:\.\d+)?) ?(?P<unit>s|min|h)? +(?P<arc>\d+(?:\.\d+)?)(?P<kind> ?deg| ?x| ?ornaments)?"
)
SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, None: 60.0}
HOW = 'write time and arc as "0 400" and "30min 330", or ornaments counted as "0 20x" with --spacing'
LONGEST_CSV_BYTES = 500_000_000


def freeswing_command(
    readings: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[READING...]",
            help='"0 400" "30 330": minutes and arc, end to end (deg); "90s 310"; "0 20x": 20 ornaments.',
        ),
    ] = None,
    period: Annotated[float | None, typer.Option(help="Full period (s).")] = None,
    reading: Annotated[
        Path | None, typer.Option(metavar="JSON", help="Swings heard: what analyse --json wrote.")
    ] = None,
    events: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="Sounds heard: what analyse --events wrote; needs --lift or --mark."
        ),
    ] = None,
    lift: Annotated[
        float | None, typer.Option(help="Angle from contact to drop (deg), with --events.")
    ] = None,
    mark: Annotated[
        float | None,
        typer.Option(help="With --events of one sound a passage: the mark's angle from rest (deg)."),
    ] = None,
    spacing: Annotated[
        float | None, typer.Option(help="Angle between ornaments (deg); 12 of them: 30.")
    ] = None,
    within: Annotated[float | None, typer.Option(help="How far off an arc may be (deg).")] = None,
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
    from torsionbeat.regulation.freeswing import free_swing

    opened = None
    if clock is not None:
        from torsionbeat.benchlog import open_log

        opened = open_log(log)
    try:
        if opened is not None and clock is not None:
            record = opened.clock(clock)
            period, inertia = period or record.nominal_period_s, inertia or record.balance_inertia_g_mm2
            lift = lift or record.lift_deg
        sources = [bool(readings), reading is not None, events is not None]
        if sum(sources) != 1:
            raise InputError(
                f"{sum(sources)} sources of arcs were given; give readings, --reading or --events. {HOW}"
            )
        time_s, arc_deg, period = _arcs(
            readings, reading, events, period, lift=lift, mark=mark, spacing=spacing
        )
        error = within
        if error is None and readings and spacing is not None:
            error = spacing / 2
        result = free_swing(
            time_s,
            arc_deg,
            period,
            reading_error_deg=error,
            at_arc_deg=at_arc,
            until_arc_deg=until,
            inertia_g_mm2=inertia,
        )
        document = _document(result, period, time_s, arc_deg)
        sentences = _sentences(result, period)
        if opened is not None and clock is not None:
            opened.add_freeswing(
                clock,
                document,
                law=result.law,
                q=result.q,
                settling_time_s=result.settling_time_s.nominal_value,
            )
            sentences.append(f"Kept for {clock} in the bench log.")
    finally:
        if opened is not None:
            opened.close()
    if json:
        print_json(document)
    else:
        say(*sentences)


def _arcs(
    readings: list[str] | None,
    reading: Path | None,
    events: Path | None,
    period: float | None,
    *,
    lift: float | None,
    mark: float | None,
    spacing: float | None,
) -> tuple[Any, Any, float]:
    """Give times, arcs and period from whichever source was given."""
    if reading is not None:
        from torsionbeat.cli.adjusting import document_of
        from torsionbeat.history.nights import reading_from_document
        from torsionbeat.reading.arc_course import without_drive

        heard = reading_from_document(document_of(reading))
        if not len(heard.swings):
            raise InputError(f"{reading} holds no swings; give what analyse --json wrote of a free swing")
        period = period or (None if heard.period_s is None else heard.period_s.nominal_value)
        free = without_drive(heard.swings.time_s, heard.swings.arc_deg)
        return (
            heard.swings.time_s[free],
            heard.swings.arc_deg[free],
            _period(period or heard.clock.nominal_period_s),
        )
    if events is not None:
        return *_heard(events, _period(period), lift, mark), _period(period)
    rows = [_typed(text, spacing) for text in readings or []]
    return [row[0] for row in rows], [row[1] for row in rows], _period(period)


def _period(period: float | None) -> float:
    if period is None:
        raise InputError("the period is not known; give it with --period (full period, out and back, s)")
    return period


def _typed(text: str, spacing: float | None) -> tuple[float, float]:
    """Read one typed reading: seconds, and degrees."""
    from torsionbeat.regulation.freeswing import arcs_from_counts

    match = READING.fullmatch(" ".join(text.split()))
    if match is None:
        if Path(text).suffix:
            raise InputError(
                f"{text!r} is a file, not a reading; hear a recording first with torsionbeat analyse {text} "
                "--events sounds.csv, then give --events sounds.csv with --lift or --mark"
            )
        raise InputError(f"the reading {text!r} cannot be read; {HOW}")
    time_s, arc = float(match["time"]) * SECONDS[match["unit"]], float(match["arc"])
    if (match["kind"] or "").strip() in ("x", "ornaments"):
        if spacing is None:
            raise InputError(
                f"the reading {text!r} counts ornaments; give the angle between them with --spacing"
            )
        arc = float(arcs_from_counts([arc], spacing)[0])
    return time_s, arc


def _heard(path: Path, period: float, lift: float | None, mark: float | None) -> tuple[Any, Any]:
    """Read the sounds of the passages, and turn them into arcs."""
    import csv

    from torsionbeat.regulation.freeswing import arcs_from_mark, arcs_from_passages

    if (lift is None) == (mark is None):
        raise InputError(
            "--events needs either --lift (contact and drop heard) or --mark (one sound a passage)"
        )
    try:
        if path.stat().st_size > LONGEST_CSV_BYTES:
            raise InputError(
                f"{path} has {path.stat().st_size} bytes; the sounds of a night have far less than 500 MB"
            )
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = [(float(row["time_s"]), row.get("kind") or "") for row in csv.DictReader(file)]
    except InputError:
        raise
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path} cannot be read as sounds ({error!r}); give what analyse --events wrote "
            "(time_s,side,kind,level_db)"
        ) from error
    if mark is not None:
        return arcs_from_mark([time for time, _ in rows], period, mark)
    assert lift is not None
    pairs = [
        (first[0], second[0])
        for first, second in pairwise(rows)
        if first[1] == "contact" and second[1] == "drop" and second[0] - first[0] < period / 4
    ]
    if not pairs:
        raise InputError(
            f"{path} holds no contact followed by its drop; record nearer to the clock, or use --mark"
        )
    return arcs_from_passages([pair[0] for pair in pairs], [pair[1] for pair in pairs], period, lift)


def _document(result: FreeSwingResult, period: float, time_s: Any, arc_deg: Any) -> dict[str, Any]:
    import math

    from torsionbeat.cli.adjusting import figure

    return {
        "law": result.law,
        "likelihood": result.likelihood,
        "at_arc_deg": result.at_arc_deg,
        "period_s": period,
        "q": figure(result.q),
        "settling_time_s": figure(result.settling_time_s),
        "half_life_s": figure(result.half_life_s),
        "dry_share": figure(result.dry_share),
        "loss_deg_per_swing": figure(result.loss_deg_per_swing),
        "until_arc_deg": result.until_arc_deg,
        "until_s": figure(result.until_s),
        "energy_per_day_mj": figure(result.energy_per_day_mj),
        "power_nw": figure(result.power_nw),
        "readings": [
            {"time_s": float(time), "arc_deg": float(arc)}
            for time, arc in zip(time_s, arc_deg, strict=True)
            if math.isfinite(arc)
        ],
        "findings": list(result.sentences),
        "remarks": list(result.remarks),
    }


def _sentences(result: FreeSwingResult, period: float) -> list[str]:
    from torsionbeat.display.words import figure_words
    from torsionbeat.regulation.waiting import duration_words, settling_s

    q = figure_words(result.q, "").replace(" ,", ",")
    hours = result.settling_time_s / 3600
    said = [
        f"Q is {q}, at an arc (amplitude end to end) of {result.at_arc_deg:.0f} deg.",
        *result.sentences,
        f"A disturbed arc settles with a time constant of {figure_words(hours, 'h')}; wait "
        f"{duration_words(settling_s(result.q.nominal_value, period))} until 2 % of the disturbance is left.",
    ]
    if result.half_life_s is not None:
        said.append(
            f"Without a drive the arc falls to half in {figure_words(result.half_life_s / 60, 'min')}."
        )
    if result.until_s is not None:
        said.append(
            f"It falls below {result.until_arc_deg:g} deg after "
            f"{figure_words(result.until_s / 60, 'min')}, counted from "
            "the first reading."
        )
    said.append(f"At that arc a swing loses {figure_words(result.loss_deg_per_swing, 'deg')}.")
    if result.power_nw is not None:
        said.append(
            f"The drive must give {figure_words(result.power_nw, 'nanowatts')}: "
            f"{figure_words(result.energy_per_day_mj, 'millijoules')} a day."
        )
    return [*said, *result.remarks]
