"""What the commands of the bench log share: options, moments, and a clock's history in words and tables."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from torsionbeat.benchlog import BenchLog, ClockRecord, ReadingRecord

__all__ = ["JsonOption", "LogOption", "moment", "print_json", "rate_words", "reading_words", "say"]

LogOption = Annotated[
    str | None,
    typer.Option(
        "--log",
        metavar="PATH",
        help="Bench log to use: a file, or postgresql+psycopg://... "
        "Left out: TORSIONBEAT_LOG, else the user data folder.",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, and nothing else, on standard output.")]

WIDEST = 80
EARLIEST = datetime(1800, 1, 1, tzinfo=UTC)


def console() -> Console:
    """Give a console no wider than 80 columns, which takes text as it stands."""
    from rich.console import Console

    return Console(width=min(Console().width, WIDEST), highlight=False, markup=False, emoji=False)


def say(*sentences: str) -> None:
    """Print sentences, each on lines of its own, wrapped."""
    screen = console()
    for sentence in sentences:
        screen.print(sentence, overflow="fold")


def print_json(value: object) -> None:
    """Print a value as JSON."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def moment(text: str, what: str) -> datetime:
    """Read a moment such as ``2026-03-01 20:00``, this computer's time unless it says its zone.

    Raises
    ------
    InputError
        It cannot be read, or lies in the future or before 1800.
    """
    try:
        read = datetime.fromisoformat(text.strip()).astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(f"{what} is {text!r}; write it as 2026-03-01 20:00 or 2026-03-01") from error
    if not EARLIEST <= read <= datetime.now(UTC) + timedelta(days=1):
        raise InputError(
            f"{what} is {text!r}; it must lie after 1800 and not in the future, so check the year"
        )
    return read


def rate_words(rate_s_per_day: Any) -> str:
    """Say a rate (uncertain number, s/day) with its 95 % interval.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> rate_words(ufloat(2.4, 0.255)), rate_words(ufloat(-930, 3))
    ('gains 2.4 s a day, between 1.9 and 2.9', 'loses 930 s a day, between 924 and 936')
    >>> rate_words(ufloat(0.1, 0.2))
    'gains 0.1 s a day, between losing 0.3 and gaining 0.5'
    """
    value, half = rate_s_per_day.nominal_value, 1.96 * rate_s_per_day.std_dev
    digits = decimals(half)
    low, high = value - half, value + half
    verb = "gains" if value >= 0 else "loses"
    if low < 0 < high:
        between = f"between losing {-low:.{digits}f} and gaining {high:.{digits}f}"
    else:
        near, far = sorted((abs(low), abs(high)))
        between = f"between {near:.{digits}f} and {far:.{digits}f}"
    return f"{verb} {abs(value):.{digits}f} s a day, {between}"


def decimals(half_width: float) -> int:
    """Give the decimals an interval deserves: one digit of its half-width, two where that begins with 1 or 2.

    Examples
    --------
    >>> decimals(0.5), decimals(0.15), decimals(6.0), decimals(0.0)
    (1, 2, 0, 4)
    """
    if not half_width > 0:
        return 4
    power = math.floor(math.log10(half_width))
    return min(4, max(0, -power + (1 if half_width / 10**power < 3 else 0)))


def reading_words(reading: ReadingRecord) -> str:
    """Say what a reading found."""
    rate = reading.figure("rate_s_per_day")
    said = "no rate was measured" if rate is None else f"the clock {rate_words(rate)}"
    arc = reading.figure("arc_deg")
    if arc is not None:
        said += f"; arc (amplitude end to end) {arc.nominal_value:.0f} deg"
    return f"Reading of {day(reading.taken_at)}: {said}. Timebase: {reading.timebase_source or 'not said'}."


def day(when: datetime) -> str:
    """Say a moment as the restorer's own clock showed it."""
    return when.astimezone().strftime("%Y-%m-%d %H:%M")


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


def record_table(clock: ClockRecord) -> Table | None:
    """Give what the sentences leave out of a clock's record, or None where that is nothing."""
    from torsionbeat.benchlog.entries import CLOCK_FIELDS, label, value_words

    table = _table("Part", "")
    for name in CLOCK_FIELDS:
        value = getattr(clock, name)
        if value not in (None, "") and name not in SAID:
            said = value if isinstance(value, str) else value_words(name, value)
            table.add_row(_plain(label(name)), _plain(said))
    return table if table.row_count else None


def history_table(log: BenchLog, name: str) -> Table | None:
    """Give everything that happened to a clock in order of time, or None where nothing did."""
    from uncertainties import ufloat

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
        parts = ("" if swing.q is None else f"Q {swing.q:.0f}", swing.law)
        rows += [(swing.done_at, "free swing", ", ".join(part for part in parts if part))]
    if not rows:
        return None
    table = _table("When", "What", "")
    for when, what, said in sorted(rows, key=lambda row: row[0]):
        table.add_row(_plain(day(when)), _plain(what), _plain(said))
    return table


def _table(*titles: str) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for title in titles:
        table.add_column(title, overflow="fold", no_wrap=title == "When")
    return table


def _plain(text: str) -> Any:
    from rich.text import Text

    return Text("".join(sign if sign == "\n" or sign.isprintable() else "?" for sign in text))


def clocks_table(clocks: list[tuple[ClockRecord, list[ReadingRecord]]]) -> Table:
    """Give the clocks, each with its last reading."""
    table = _table("Name", "Kind", "Period (s)", "Readings", "Last", "Rate (s/day, 95 %)")
    for clock, readings in clocks:
        rate = readings[-1].figure("rate_s_per_day") if readings else None
        digits = 0 if rate is None else decimals(1.96 * rate.std_dev)
        table.add_row(
            _plain(clock.name),
            clock.kind,
            "" if clock.nominal_period_s is None else f"{clock.nominal_period_s:g}",
            str(len(readings)),
            readings[-1].taken_at.astimezone().strftime("%Y-%m-%d") if readings else "",
            "" if rate is None else f"{rate.nominal_value:+.{digits}f} ± {1.96 * rate.std_dev:.{digits}f}",
        )
    return table


def record(clock: ClockRecord) -> dict[str, Any]:
    """Give a clock's record as JSON's own kinds."""
    from torsionbeat.benchlog.entries import CLOCK_FIELDS

    fields = {name: getattr(clock, name) for name in CLOCK_FIELDS}
    return {"name": clock.name, "added_at": clock.added_at.isoformat()} | fields
