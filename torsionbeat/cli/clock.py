"""``torsionbeat clock``: the clocks of the bench log."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.options import JsonOption, LogOption, OverwritePlot, PlotOption, takes_groups
from torsionbeat.cli.putting_right import amend_command, restore_command, undo_command
from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import drawn_to
from torsionbeat.terminal.telling import print_json, say, say_or_print
from torsionbeat.typed.times import moment_s

if TYPE_CHECKING:
    pass

__all__ = ["FIELD_OF_OPTION", "app"]

app = typer.Typer(
    no_args_is_help=True,
    help="Add, show, list, change, export and import the clocks of the bench log; put right what is in it.",
)
Name = Annotated[str, typer.Argument(help="The clock's name in the bench log.")]


def _number(told: str) -> Any:
    return typer.Option(help=told)


def _keeps(name: str) -> Any:
    """Name the field of the record that an option fills."""
    return field(default=None, metadata={"field": name})


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """Fields of a clock's record."""

    kind: Annotated[str | None, typer.Option(help="400-day, air-driven or other.")] = None
    maker: Annotated[str | None, typer.Option(help="Who made it, for the report.")] = None
    serial: Annotated[str | None, typer.Option(help="Its serial number.")] = _keeps("serial_number")
    owner: Annotated[str | None, typer.Option(help="Text for its owner, for the report.")] = _keeps(
        "owner_text"
    )
    train: Annotated[
        str | None, typer.Option(help='Teeth of its train from the escape wheel on, e.g. "15,60/8,72/10".')
    ] = None
    period: Annotated[float | None, _number("Nominal full period, out and back (s).")] = _keeps(
        "nominal_period_s"
    )
    lift: Annotated[float | None, _number("Lift, contact to drop (deg).")] = _keeps("lift_deg")
    lift_tolerance: Annotated[float | None, _number("How far off the lift may be (deg).")] = _keeps(
        "lift_tolerance_deg"
    )
    arc_low: Annotated[float | None, _number("Least healthy arc, end to end (deg).")] = _keeps("arc_low_deg")
    arc_high: Annotated[float | None, _number("Greatest healthy arc, end to end (deg).")] = _keeps(
        "arc_high_deg"
    )
    knock_arc: Annotated[float | None, _number("Arc, end to end, at which it knocks (deg).")] = _keeps(
        "knock_arc_deg"
    )
    roller_radius: Annotated[float | None, _number("Radius of the roller (mm).")] = _keeps("roller_radius_mm")
    side_a: Annotated[str | None, typer.Option(help="What you call side a.")] = _keeps("side_a_name")
    side_b: Annotated[str | None, typer.Option(help="What you call side b.")] = _keeps("side_b_name")
    strip_material: Annotated[str | None, typer.Option(help="Material of the suspension strip.")] = None
    strip_thickness: Annotated[float | None, _number("Thickness of the strip (micrometres).")] = _keeps(
        "strip_thickness_um"
    )
    strip_width: Annotated[float | None, _number("Width of the strip (mm).")] = _keeps("strip_width_mm")
    strip_length: Annotated[float | None, _number("Active length of the strip (mm).")] = _keeps(
        "strip_length_mm"
    )
    hanging_mass: Annotated[float | None, _number("Mass that hangs on the strip (g).")] = _keeps(
        "hanging_mass_g"
    )
    inertia: Annotated[float | None, _number("Inertia of the balance (g mm2).")] = _keeps(
        "balance_inertia_g_mm2"
    )
    weight_radius: Annotated[float | None, _number("Distance of the weights from the axis (mm).")] = _keeps(
        "weight_radius_mm"
    )
    weight_total: Annotated[float | None, _number("Weights now on the balance, all together (g).")] = _keeps(
        "weight_total_g"
    )
    regulator_unit: Annotated[
        str | None, typer.Option(help="What the regulator counts: turns, divisions, mm.")
    ] = None
    regulator_low: Annotated[float | None, _number("Lowest setting of the regulator.")] = None
    regulator_high: Annotated[float | None, _number("Highest setting of the regulator.")] = None
    regulator_setting: Annotated[float | None, _number("Setting of the regulator now.")] = None
    regulator_effect: Annotated[float | None, _number("What one unit more gains (s/day).")] = _keeps(
        "regulator_s_per_day_per_unit"
    )
    regulator_doubt: Annotated[float | None, _number("Standard uncertainty of that effect (s/day).")] = (
        _keeps("u_regulator_s_per_day_per_unit")
    )
    notes: Annotated[str | None, typer.Option(help="Anything else about the clock.")] = None

    def given(self) -> dict[str, Any]:
        """Give the fields of the record that were given."""
        told = {FIELD_OF_OPTION[one.name]: getattr(self, one.name) for one in fields(self)}
        return {name: value for name, value in told.items() if value is not None}


FIELD_OF_OPTION = {one.name: str(one.metadata.get("field", one.name)) for one in fields(RecordOptions)}
"""The field of a clock's record that each option fills."""


@app.command("add")
@takes_groups
def add_command(
    name: Name,
    record: RecordOptions,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Add a clock to the bench log. Only the name is needed; the rest can follow with clock change."""
    from torsionbeat.jobs.keep import ClockRequest, add_clock
    from torsionbeat.terminal.clock_shown import answer

    kept = add_clock(ClockRequest(name, record.given(), log))
    answer(kept.clock, log, json, f"Added to the bench log {kept.where}.", *kept.remarks)


@app.command("change")
@takes_groups
def change_command(
    name: Name,
    record: RecordOptions,
    new_name: Annotated[str | None, typer.Option(help="Another name for the clock.")] = None,
    forget: Annotated[
        list[str] | None,
        typer.Option(metavar="OPTION", help="Empty a field, e.g. --forget lift; may be repeated."),
    ] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Change what the bench log knows of a clock. What it knew before is kept as a note."""
    from torsionbeat.jobs.keep import ClockRequest, change_clock
    from torsionbeat.terminal.clock_shown import answer

    wanted = record.given() | ({} if new_name is None else {"name": new_name})
    kept = change_clock(ClockRequest(name, _forgotten(wanted, forget or []), log))
    answer(kept.clock, log, json, f"Changed in the bench log {kept.where}.")


def _forgotten(wanted: dict[str, Any], forget: list[str]) -> dict[str, Any]:
    """Add the fields that are to be emptied."""
    for option in forget:
        emptied = FIELD_OF_OPTION.get(option.replace("-", "_"), option.replace("-", "_"))
        if emptied in wanted:
            raise InputError(f"{option} is given and forgotten at once; do one of the two")
        wanted[emptied] = "other" if emptied == "kind" else None
    return wanted


@app.command("show")
def show_command(
    name: Name,
    plot: PlotOption = None,
    overwrite: OverwritePlot = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Show a clock: what is known of it, its last reading, and all that happened to it, with numbers and details."""
    from torsionbeat.jobs.clock_history import HistoryRequest, clock_history
    from torsionbeat.terminal.clock_shown import answer, show_history, story_picture

    draw = drawn_to(plot, log, overwrite)
    history = clock_history(HistoryRequest(name, log=log))
    draw(lambda: story_picture(name, log))
    answer(history.clock, log, json)
    if not json:
        show_history(history, log)


@app.command("list")
def list_command(log: LogOption = None, json: JsonOption = False) -> None:
    """List all clocks with their last reading."""
    from torsionbeat.display.terminal import eighty_columns
    from torsionbeat.jobs.clock_history import ListRequest, list_clocks
    from torsionbeat.terminal.record import clocks_sentences, clocks_table, record

    found = list_clocks(ListRequest(log))
    if json:
        print_json([record(one.clock) | {"readings": one.readings} for one in found.clocks])
        return
    first, *rest = clocks_sentences(found)
    say(first)
    if found.clocks:
        eighty_columns().print(clocks_table(found.clocks))
    if rest:
        say(*rest)


app.command("undo")(undo_command)
app.command("restore")(restore_command)
app.command("amend")(amend_command)


@app.command("export")
def export_command(
    name: Name,
    path: Annotated[
        Path, typer.Argument(help="NAME.json for one file; any other name is a folder of CSV files.")
    ],
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace a file, or the folder of an earlier export.")
    ] = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Write a clock's whole history to a JSON file or a folder of CSV files, to keep or to take elsewhere."""
    from torsionbeat.benchlog.exchange import write_history
    from torsionbeat.jobs.clock_history import history_document
    from torsionbeat.terminal.outputs import refuse_log
    from torsionbeat.terminal.record import counted

    refuse_log("PATH", path, log)
    history = history_document(name, log)
    written = write_history(history, path, overwrite=overwrite)
    counts = {key: len(rows) for key, rows in history.items() if isinstance(rows, list)}
    say_or_print(
        json,
        {"clock": name, "path": str(written), "rows": counts},
        f"Wrote the history of {name} to {written}: {counted(counts) or 'no entries yet'}.",
    )


@app.command("import")
def import_command(
    path: Annotated[
        Path, typer.Argument(help="What clock export wrote: a JSON file or a folder of CSV files.")
    ],
    name: Annotated[str | None, typer.Option(help="Take it in under this name instead of its own.")] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Take in a history that clock export wrote. A clock that is in the log already is never touched."""
    from torsionbeat.benchlog.exchange import read_history
    from torsionbeat.jobs.keep import import_clock
    from torsionbeat.terminal.clock_shown import answer

    kept = import_clock(read_history(path), name, log)
    answer(kept.clock, log, json, f"Taken into the bench log {kept.where}.")


@app.command("sides")
def sides_command(
    name: Name,
    recording: Annotated[
        Path,
        typer.Argument(
            help="Made while you watched the balance; the folder of a night that is still running will do."
        ),
    ],
    at: Annotated[
        str, typer.Option(metavar="MOMENT", help="When it went by, from the start, as 12.5s or 1:35.")
    ],
    towards: Annotated[str, typer.Option(help="Where it went then, such as 'the window'.")],
    other: Annotated[str, typer.Option(help="Where it goes the other way; left out, away from there.")] = "",
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Teach which side is which: one moment at which you saw the balance go by, and which way it went.

    Sound alone cannot tell it. Taught once, the sides are known again in later recordings by their sounds and
    their beat error, and the advice names the way to turn.
    """
    from dataclasses import asdict

    from torsionbeat.bench.sides import LearnSidesRequest, learn_sides
    from torsionbeat.display.words import sides_sentences

    result = learn_sides(LearnSidesRequest(name, recording, moment_s(at), towards, other, log))
    say_or_print(json, asdict(result), *sides_sentences(name, result))
