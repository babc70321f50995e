"""A clock's record and history in words and tables."""

from __future__ import annotations

from typing import Any

from rich.table import Table
from uncertainties import ufloat

from torsionbeat.benchlog import BenchLog, ClockRecord, ReadingRecord
from torsionbeat.benchlog.entries import CLOCK_FIELDS, label, value_words
from torsionbeat.cli.history import day
from torsionbeat.display.terminal import as_it_stands, simple_table
from torsionbeat.display.words import plus_minus, rate_words

__all__ = ["clock_sentences", "clocks_table", "history_table", "reading_words", "record", "record_table"]


def reading_words(reading: ReadingRecord) -> str:
    """Say what a reading found."""
    rate = reading.figure("rate_s_per_day")
    said = "no rate was measured" if rate is None else f"the clock {rate_words(rate)}"
    arc = reading.figure("arc_deg")
    if arc is not None:
        said += f"; arc (amplitude end to end) {arc.nominal_value:.0f} deg"
    return f"Reading of {day(reading.taken_at)}: {said}. Timebase: {reading.timebase_source or 'not said'}."


def clock_sentences(clock: ClockRecord) -> list[str]:
    """Say what is known of a clock, leaving out what is not."""
    kind = {"other": "a clock", "400-day": "a 400-day clock", "air-driven": "an air-driven clock"}[clock.kind]
    facts = [f"{clock.name} is {kind}, in the log since {day(clock.added_at)}."]
    if clock.nominal_period_s is None:
        facts.append("Its nominal period is not known: give it with clock change --period.")
    else:
        facts.append(f"Nominal period {clock.nominal_period_s:g} s (out and back).")
    if clock.lift_deg is not None:
        within = f", within {clock.lift_tolerance_deg:g} deg" if clock.lift_tolerance_deg else ""
        facts.append(f"Lift {clock.lift_deg:g} deg{within}.")
    if clock.arc_low_deg is not None or clock.arc_high_deg is not None:
        low = "" if clock.arc_low_deg is None else f" from {clock.arc_low_deg:g}"
        high = "" if clock.arc_high_deg is None else f" to {clock.arc_high_deg:g}"
        facts.append(f"Healthy arc (amplitude end to end){low}{high} deg.")
    if clock.knock_arc_deg is not None:
        facts.append(f"It knocks at {clock.knock_arc_deg:g} deg.")
    if clock.notes:
        facts.append(f"Notes: {clock.notes}")
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
"""Fields that ``clock_sentences`` says."""


LAWS = {
    "air": "damped by air drag",
    "dry": "damped by dry rubbing",
    "both": "damped by air drag and dry rubbing",
    "open": "what damps it not told",
}
"""The laws of a free swing as they are said."""


def record_table(clock: ClockRecord) -> Table | None:
    """Give what the sentences leave out of a clock's record, or None where that is nothing."""
    table = simple_table("Part", "")
    for name in CLOCK_FIELDS:
        value = getattr(clock, name)
        if value not in (None, "") and name not in SAID:
            said = value if isinstance(value, str) else value_words(name, value)
            if clock.regulator_unit:
                said = said.replace("units of the regulator", clock.regulator_unit)
            table.add_row(as_it_stands(label(name)), as_it_stands(said))
    return table if table.row_count else None


def history_table(log: BenchLog, name: str) -> Table | None:
    """Give everything that happened to a clock in order of time, or None where nothing did."""
    rows = [(work.done_at, work.kind, work.what) for work in log.works(name)]
    rows += [(note.written_at, "note", note.text) for note in log.notes(name)]
    for reading in log.readings(name, documents=False):
        rate, arc = reading.figure("rate_s_per_day"), reading.figure("arc_deg")
        said = "no rate measured" if rate is None else rate_words(rate)
        said += "" if arc is None else f"; arc {arc.nominal_value:.0f} deg"
        rows += [(reading.taken_at, "reading", f"{said} (timebase {reading.timebase_source or 'not said'})")]
    for check in log.handchecks(name):
        rate = ufloat(check.rate_s_per_day, check.u_rate_s_per_day)
        rows += [(check.checked_at, "hand check", f"{rate_words(rate)}, over {check.span_h:.0f} h")]
    for swing in log.freeswings(name):
        parts = ("" if swing.q is None else f"Q {swing.q:.0f}", LAWS.get(swing.law, swing.law))
        rows += [(swing.done_at, "free swing", ", ".join(part for part in parts if part))]
    if not rows:
        return None
    table = simple_table("When", "What", "")
    table.columns[0].no_wrap = True
    for when, what, said in sorted(rows, key=lambda row: row[0]):
        table.add_row(as_it_stands(day(when)), as_it_stands(what), as_it_stands(said))
    return table


def clocks_table(clocks: list[tuple[ClockRecord, list[ReadingRecord]]]) -> Table:
    """Give the clocks, each with its last reading."""
    table = simple_table("Name", "Kind", "Period (s)", "Readings", "Last", "Rate (s/day)")
    for clock, readings in clocks:
        rate = readings[-1].figure("rate_s_per_day") if readings else None
        table.add_row(
            as_it_stands(clock.name),
            clock.kind,
            "" if clock.nominal_period_s is None else f"{clock.nominal_period_s:g}",
            str(len(readings)),
            readings[-1].taken_at.astimezone().strftime("%Y-%m-%d") if readings else "",
            "" if rate is None else plus_minus(rate, sign=True),
        )
    return table


def record(clock: ClockRecord) -> dict[str, Any]:
    """Give a clock's record as JSON's own kinds."""
    fields = {name: getattr(clock, name) for name in CLOCK_FIELDS}
    return {"name": clock.name, "added_at": clock.added_at.isoformat()} | fields
