"""A clock's record and history in words and tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.table import Table
from rich.text import Text

from torsionbeat.benchlog.entries import CLOCK_FIELDS, label, value_words
from torsionbeat.display.terminal import as_it_stands, simple_table
from torsionbeat.display.words import plus_minus, rate_words
from torsionbeat.jobs.clock_history import ClockFacts, ClockHistory, ClockList, Happened, ListedClock

__all__ = [
    "clock_sentences",
    "clocks_sentences",
    "clocks_table",
    "counted",
    "entry_document",
    "entry_words",
    "history_table",
    "reading_words",
    "record",
    "record_table",
    "where_it_stands",
]

KINDS = {"other": "a clock", "400-day": "a 400-day clock", "air-driven": "an air-driven clock"}

EMPTY = "no clock yet; begin with torsionbeat clock add NAME"


def reading_words(reading: Happened) -> str:
    """Say what a reading found."""
    rate, arc = reading.figures.get("rate_s_per_day"), reading.figures.get("arc_deg")
    said = "no rate was measured" if rate is None else f"the clock {rate_words(rate)}"
    if arc is not None:
        said += f"; arc (amplitude end to end) {arc.nominal_value:.0f} deg"
    timebase = reading.details["timebase_source"] or "not said"
    return f"Reading of {_day(reading)}: {said}. Timebase: {timebase}."


def clock_sentences(clock: ClockFacts) -> list[str]:
    """Say what is known about a clock; leave out the unknown."""
    known = clock.fields
    added = clock.added_at.astimezone().strftime("%Y-%m-%d %H:%M")
    facts = [f"{clock.name} is {KINDS.get(known['kind'], 'a clock')}, in the log since {added}."]
    if known["nominal_period_s"] is None:
        facts.append("Its nominal period is not known: give it with clock change --period.")
    else:
        facts.append(f"Nominal period {known['nominal_period_s']:g} s (out and back).")
    if known["lift_deg"] is not None:
        within = f", within {known['lift_tolerance_deg']:g} deg" if known["lift_tolerance_deg"] else ""
        facts.append(f"Lift {known['lift_deg']:g} deg{within}.")
    low, high = known["arc_low_deg"], known["arc_high_deg"]
    if low is not None or high is not None:
        least = "" if low is None else f" from {low:g}"
        most = "" if high is None else f" to {high:g}"
        facts.append(f"Healthy arc (amplitude end to end){least}{most} deg.")
    if known["knock_arc_deg"] is not None:
        facts.append(f"It knocks at {known['knock_arc_deg']:g} deg.")
    if known["notes"]:
        facts.append(f"Notes: {known['notes']}")
    return facts


SAID = frozenset(
    [
        "kind",
        "nominal_period_s",
        "lift_deg",
        "lift_tolerance_deg",
        "arc_low_deg",
        "arc_high_deg",
        "knock_arc_deg",
        "notes",
    ]
)
"""Fields covered by ``clock_sentences``."""

LAWS = {
    "air": "damped by air drag",
    "dry": "damped by dry rubbing",
    "both": "damped by air drag and dry rubbing",
    "open": "what damps it not told",
}
"""The laws of a free swing in words."""


def record_table(clock: ClockFacts) -> Table | None:
    """Give the fields of a clock's record that the sentences leave out, or None if there are none."""
    table = simple_table("Part", "")
    for name in CLOCK_FIELDS:
        value = clock.fields[name]
        if value not in (None, "") and name not in SAID:
            table.add_row(as_it_stands(label(name)), as_it_stands(_value(clock, name)))
    return table if table.row_count else None


def _value(clock: ClockFacts, name: str) -> str:
    value = clock.fields[name]
    said = value if isinstance(value, str) else value_words(name, value)
    unit = clock.fields["regulator_unit"]
    return said.replace("units of the regulator", unit) if unit else said


def where_it_stands(clock: ClockFacts) -> str:
    """Say the regulator's setting and the weights on the balance; nothing if neither is known."""
    known = [name for name in ("regulator_setting", "weight_total_g") if clock.fields[name] is not None]
    if not known:
        return ""
    return "In the record now: " + "; ".join(f"{label(name)} {_value(clock, name)}" for name in known) + "."


def entry_words(entry: Happened) -> str:
    """Say an entry of a history in one line: its result or words, its details, and whether it counts."""
    if entry.kind == "reading":
        rate, arc = entry.figures.get("rate_s_per_day"), entry.figures.get("arc_deg")
        said = "no rate measured" if rate is None else rate_words(rate)
        said += "" if arc is None else f"; arc {arc.nominal_value:.0f} deg"
        said += f" (timebase {entry.details['timebase_source'] or 'not said'})"
        if entry.details["temperature_c"] is not None:
            said += f"; at {entry.details['temperature_c']:g} °C"
    elif entry.kind == "hand check":
        said = f"{rate_words(entry.figures['rate_s_per_day'])}, over {entry.details['span_h']:.0f} h"
    elif entry.kind == "free swing":
        q = entry.figures.get("q")
        parts = ("" if q is None else f"Q {q.nominal_value:.0f}", LAWS.get(entry.what, entry.what))
        said = ", ".join(part for part in parts if part)
    else:
        said = entry.what
    if entry.kind == "work" and entry.details:
        said += f" ({_details(entry.details)})"
    return said


def _details(details: Mapping[str, Any]) -> str:
    told = []
    for name, value in details.items():
        if name != "derived":
            derived = ", worked out" if name == details.get("derived") else ""
            told.append(f"{name} {value:g}{derived}" if isinstance(value, int | float) else f"{name} {value}")
    return "; ".join(told)


def _fate(entry: Happened) -> str:
    """Say why an entry does not count; nothing if it counts."""
    if entry.retracted_because is not None:
        return f"taken back: {entry.retracted_because or 'no reason given'}"
    return "" if entry.overtaken_by is None else f"reading {entry.overtaken_by} stands in its place"


def history_table(history: ClockHistory) -> Table | None:
    """Give a clock's history in order of time, or None if it is empty.

    An entry that no longer counts is struck through, and words say why.
    """
    if not history.entries:
        return None
    table = simple_table("When", "What", "")
    table.columns[0].no_wrap = True
    for entry in history.entries:
        what = f"{entry.kind} {entry.number}" + (f", {entry.work}" if entry.work else "")
        said, fate = as_it_stands(entry_words(entry)), _fate(entry)
        if fate:
            said.stylize("strike")
            said = Text.assemble(f"[{fate}] ", said)
        table.add_row(as_it_stands(_day(entry)), as_it_stands(what), said)
    return table


def entry_document(entry: Happened) -> dict[str, Any]:
    """Give an entry in JSON types."""
    return {
        "kind": entry.kind,
        "number": entry.number,
        "at": None if entry.at is None else entry.at.isoformat(),
        "what": entry.what,
        "work": entry.work,
        "details": dict(entry.details) if entry.kind == "work" else {},
        "retracted_because": entry.retracted_because,
        "overtaken_by": entry.overtaken_by,
    }


def clocks_sentences(found: ClockList) -> list[str]:
    """Say how many clocks a log holds, what its table means, and which rows were left out."""
    clocks = found.clocks
    count = f"{len(clocks)} clock{'' if len(clocks) == 1 else 's'}" if clocks else EMPTY
    said = [f"The bench log {found.where} holds {count}."]
    if any(one.last is not None for one in clocks):
        said.append("± is the half-width of the 95 % interval.")
    return [*said, *found.remarks]


def clocks_table(clocks: Sequence[ListedClock]) -> Table:
    """Give the clocks, each with its last reading."""
    table = simple_table("Name", "Kind", "Period (s)", "Readings", "Last", "Rate (s/day)")
    for one in clocks:
        known, last = one.clock.fields, one.last
        rate = None if last is None else last.figures.get("rate_s_per_day")
        period = known["nominal_period_s"]
        table.add_row(
            as_it_stands(one.clock.name),
            as_it_stands(known["kind"]),
            "" if period is None else f"{period:g}",
            str(one.readings),
            "" if last is None else _day(last)[:10],
            "" if rate is None else plus_minus(rate, sign=True),
        )
    return table


def record(clock: ClockFacts) -> dict[str, Any]:
    """Give a clock's record in JSON types."""
    return {"name": clock.name, "added_at": clock.added_at.isoformat()} | dict(clock.fields)


def counted(rows: Mapping[str, int]) -> str:
    """Say how many rows of each table there are, as ``2 works, 1 note``."""
    titles = {key: key.replace("_", " ") for key in rows}
    return ", ".join(
        f"{count} {titles[key] if count > 1 else titles[key][:-1]}" for key, count in rows.items() if count
    )


def _day(entry: Happened) -> str:
    return "" if entry.at is None else entry.at.astimezone().strftime("%Y-%m-%d %H:%M")
