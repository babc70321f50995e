"""``torsionbeat clock``: the clocks of the bench log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from torsionbeat.cli.history import JsonOption, LogOption, print_json, say
from torsionbeat.errors import InputError

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True, help="Add, show, list, change, export and import the clocks of the bench log."
)

Name = Annotated[str, typer.Argument(help="The clock's name in the bench log.")]
Kind = Annotated[str | None, typer.Option(help="400-day, air-driven or other.")]
Period = Annotated[float | None, typer.Option(help="Nominal full period, out and back (s).")]
Lift = Annotated[float | None, typer.Option(help="Lift, contact to drop (deg).")]
LiftTolerance = Annotated[float | None, typer.Option(help="How far off the lift may be (deg).")]
ArcLow = Annotated[float | None, typer.Option(help="Least healthy arc, end to end (deg).")]
ArcHigh = Annotated[float | None, typer.Option(help="Greatest healthy arc, end to end (deg).")]
KnockArc = Annotated[float | None, typer.Option(help="Arc, end to end, at which it knocks (deg).")]
RollerRadius = Annotated[float | None, typer.Option(help="Radius of the roller (mm).")]
SideA = Annotated[str | None, typer.Option(help="What you call side a.")]
SideB = Annotated[str | None, typer.Option(help="What you call side b.")]
StripMaterial = Annotated[str | None, typer.Option(help="Material of the suspension strip.")]
StripThickness = Annotated[float | None, typer.Option(help="Thickness of the strip (micrometres).")]
StripWidth = Annotated[float | None, typer.Option(help="Width of the strip (mm).")]
StripLength = Annotated[float | None, typer.Option(help="Active length of the strip (mm).")]
HangingMass = Annotated[float | None, typer.Option(help="Mass that hangs on the strip (g).")]
Inertia = Annotated[float | None, typer.Option(help="Inertia of the balance (g mm2).")]
WeightRadius = Annotated[float | None, typer.Option(help="Distance of the weights from the axis (mm).")]
WeightTotal = Annotated[float | None, typer.Option(help="Weights now on the balance, all together (g).")]
RegulatorUnit = Annotated[str | None, typer.Option(help="What the regulator counts: turns, divisions, mm.")]
RegulatorLow = Annotated[float | None, typer.Option(help="Lowest setting of the regulator.")]
RegulatorHigh = Annotated[float | None, typer.Option(help="Highest setting of the regulator.")]
RegulatorSetting = Annotated[float | None, typer.Option(help="Setting of the regulator now.")]
RegulatorEffect = Annotated[float | None, typer.Option(help="What one unit more gains (s/day).")]
RegulatorDoubt = Annotated[float | None, typer.Option(help="Standard uncertainty of that effect (s/day).")]
Notes = Annotated[str | None, typer.Option(help="Anything else about the clock.")]

FIELD_OF_OPTION = {
    "period": "nominal_period_s",
    "lift": "lift_deg",
    "lift_tolerance": "lift_tolerance_deg",
    "arc_low": "arc_low_deg",
    "arc_high": "arc_high_deg",
    "knock_arc": "knock_arc_deg",
    "roller_radius": "roller_radius_mm",
    "side_a": "side_a_name",
    "side_b": "side_b_name",
    "strip_thickness": "strip_thickness_um",
    "strip_width": "strip_width_mm",
    "strip_length": "strip_length_mm",
    "hanging_mass": "hanging_mass_g",
    "inertia": "balance_inertia_g_mm2",
    "weight_radius": "weight_radius_mm",
    "weight_total": "weight_total_g",
    "regulator_effect": "regulator_s_per_day_per_unit",
    "regulator_doubt": "u_regulator_s_per_day_per_unit",
}
"""Options whose field has a longer name; the others are named alike."""

NOT_FIELDS = ("name", "new_name", "forget", "log", "json")

EMPTY = "no clock yet; begin with torsionbeat clock add NAME"

AIR_DRIVEN_LIMITS = {"arc_low_deg": 360.0, "arc_high_deg": 540.0, "knock_arc_deg": 600.0}
"""Common practice, no source."""


def _fields(options: dict[str, Any]) -> dict[str, Any]:
    return {
        FIELD_OF_OPTION.get(option, option): value
        for option, value in options.items()
        if value is not None and option not in NOT_FIELDS
    }


@app.command("add")
def add_command(
    name: Name,
    kind: Kind = None,
    period: Period = None,
    lift: Lift = None,
    lift_tolerance: LiftTolerance = None,
    arc_low: ArcLow = None,
    arc_high: ArcHigh = None,
    knock_arc: KnockArc = None,
    roller_radius: RollerRadius = None,
    side_a: SideA = None,
    side_b: SideB = None,
    strip_material: StripMaterial = None,
    strip_thickness: StripThickness = None,
    strip_width: StripWidth = None,
    strip_length: StripLength = None,
    hanging_mass: HangingMass = None,
    inertia: Inertia = None,
    weight_radius: WeightRadius = None,
    weight_total: WeightTotal = None,
    regulator_unit: RegulatorUnit = None,
    regulator_low: RegulatorLow = None,
    regulator_high: RegulatorHigh = None,
    regulator_setting: RegulatorSetting = None,
    regulator_effect: RegulatorEffect = None,
    regulator_doubt: RegulatorDoubt = None,
    notes: Notes = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Add a clock to the bench log. Only the name is needed; the rest can follow with clock change."""
    fields = _fields(dict(locals()))
    assumed = []
    if kind == "air-driven" and not fields.keys() & AIR_DRIVEN_LIMITS.keys():
        fields |= AIR_DRIVEN_LIMITS
        assumed.append(
            "The arc limits are those common for air-driven clocks (360 to 540 deg, knocking above 600); "
            "set this clock's own with clock change."
        )
    from torsionbeat.benchlog import open_log

    with open_log(log) as opened:
        opened.add_clock(name, **fields)
        _answer(opened, name, json, f"Added to the bench log {opened.where}.", *assumed)


@app.command("change")
def change_command(
    name: Name,
    new_name: Annotated[str | None, typer.Option(help="Another name for the clock.")] = None,
    forget: Annotated[
        list[str] | None,
        typer.Option(metavar="OPTION", help="Empty a field, e.g. --forget lift; may be repeated."),
    ] = None,
    kind: Kind = None,
    period: Period = None,
    lift: Lift = None,
    lift_tolerance: LiftTolerance = None,
    arc_low: ArcLow = None,
    arc_high: ArcHigh = None,
    knock_arc: KnockArc = None,
    roller_radius: RollerRadius = None,
    side_a: SideA = None,
    side_b: SideB = None,
    strip_material: StripMaterial = None,
    strip_thickness: StripThickness = None,
    strip_width: StripWidth = None,
    strip_length: StripLength = None,
    hanging_mass: HangingMass = None,
    inertia: Inertia = None,
    weight_radius: WeightRadius = None,
    weight_total: WeightTotal = None,
    regulator_unit: RegulatorUnit = None,
    regulator_low: RegulatorLow = None,
    regulator_high: RegulatorHigh = None,
    regulator_setting: RegulatorSetting = None,
    regulator_effect: RegulatorEffect = None,
    regulator_doubt: RegulatorDoubt = None,
    notes: Notes = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Change what the bench log knows of a clock. What it knew before is kept as a note."""
    fields = _fields(dict(locals()))
    for option in forget or []:
        field = FIELD_OF_OPTION.get(option.replace("-", "_"), option.replace("-", "_"))
        if field in fields:
            raise InputError(f"{option} is given and forgotten at once; do one of the two")
        fields[field] = "other" if field == "kind" else None
    if new_name is not None:
        fields["name"] = new_name
    if not fields:
        raise InputError(f"nothing to change on {name!r} was given; see torsionbeat clock change --help")
    from torsionbeat.benchlog import open_log

    with open_log(log) as opened:
        changed = opened.change_clock(name, **fields)
        _answer(opened, changed.name, json, f"Changed in the bench log {opened.where}.")


@app.command("show")
def show_command(name: Name, log: LogOption = None, json: JsonOption = False) -> None:
    """Show a clock: what is known of it, its last reading, and all that happened to it."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.cli.history import console, history_table, reading_words

    with open_log(log) as opened:
        _answer(opened, name, json)
        if json:
            return
        readings = opened.readings(name, documents=False)
        say(reading_words(readings[-1]) if readings else "It has not been heard yet.")
        table = history_table(opened, name)
        if table is not None:
            console().print(table)


@app.command("list")
def list_command(log: LogOption = None, json: JsonOption = False) -> None:
    """List all clocks with their last reading."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.cli.history import clocks_table, console, record

    with open_log(log) as opened:
        clocks = [(clock, opened.readings(clock.name, documents=False)) for clock in opened.clocks()]
        if json:
            print_json([record(clock) | {"readings": len(readings)} for clock, readings in clocks])
            return
        count = f"{len(clocks)} clock{'' if len(clocks) == 1 else 's'}" if clocks else EMPTY
        say(f"The bench log {opened.where} holds {count}.")
        if clocks:
            console().print(clocks_table(clocks))


@app.command("export")
def export_command(
    name: Name,
    path: Annotated[
        Path, typer.Argument(help="NAME.json for one file; any other name is a folder of CSV files.")
    ],
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Write a clock's whole history to a JSON file or a folder of CSV files, to keep or to take elsewhere."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.benchlog.exchange import write_history

    with open_log(log) as opened:
        history = opened.export_clock(name)
    written = write_history(history, path)
    counts = {key: len(rows) for key, rows in history.items() if isinstance(rows, list)}
    if json:
        print_json({"clock": name, "path": str(written), "rows": counts})
        return
    titles = {key: key.replace("_", " ") for key in counts}
    said = ", ".join(
        f"{count} {titles[key] if count > 1 else titles[key][:-1]}" for key, count in counts.items() if count
    )
    say(f"Wrote the history of {name} to {written}: {said or 'no entries yet'}.")


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
    from torsionbeat.benchlog import open_log
    from torsionbeat.benchlog.exchange import read_history

    history = read_history(path)
    with open_log(log) as opened:
        clock = opened.import_clock(history, name)
        _answer(opened, clock.name, json, f"Taken into the bench log {opened.where}.")


def _answer(opened: Any, name: str, json: bool, *first: str) -> None:
    """Show the record of a clock, or its whole history as JSON."""
    from torsionbeat.cli.history import clock_sentences, console, record_table

    if json:
        print_json(opened.export_clock(name))
        return
    clock = opened.clock(name)
    say(*first, " ".join(clock_sentences(clock)))
    table = record_table(clock)
    if table is not None:
        console().print(table)
