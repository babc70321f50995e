"""``torsionbeat clock``: the clocks of the bench log."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

from torsionbeat.cli.history import JsonOption, LogOption, print_json, say
from torsionbeat.errors import InputError

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True, help="Add, show, list, change, export and import the clocks of the bench log."
)

Name = Annotated[str, typer.Argument(help="The clock's name in the bench log.")]


def _words(told: str) -> Any:
    return Annotated[str | None, typer.Option(help=told)]


def _number(told: str) -> Any:
    return Annotated[float | None, typer.Option(help=told)]


OPTIONS: dict[str, Any] = {
    "kind": _words("400-day, air-driven or other."),
    "period": _number("Nominal full period, out and back (s)."),
    "lift": _number("Lift, contact to drop (deg)."),
    "lift_tolerance": _number("How far off the lift may be (deg)."),
    "arc_low": _number("Least healthy arc, end to end (deg)."),
    "arc_high": _number("Greatest healthy arc, end to end (deg)."),
    "knock_arc": _number("Arc, end to end, at which it knocks (deg)."),
    "roller_radius": _number("Radius of the roller (mm)."),
    "side_a": _words("What you call side a."),
    "side_b": _words("What you call side b."),
    "strip_material": _words("Material of the suspension strip."),
    "strip_thickness": _number("Thickness of the strip (micrometres)."),
    "strip_width": _number("Width of the strip (mm)."),
    "strip_length": _number("Active length of the strip (mm)."),
    "hanging_mass": _number("Mass that hangs on the strip (g)."),
    "inertia": _number("Inertia of the balance (g mm2)."),
    "weight_radius": _number("Distance of the weights from the axis (mm)."),
    "weight_total": _number("Weights now on the balance, all together (g)."),
    "regulator_unit": _words("What the regulator counts: turns, divisions, mm."),
    "regulator_low": _number("Lowest setting of the regulator."),
    "regulator_high": _number("Highest setting of the regulator."),
    "regulator_setting": _number("Setting of the regulator now."),
    "regulator_effect": _number("What one unit more gains (s/day)."),
    "regulator_doubt": _number("Standard uncertainty of that effect (s/day)."),
    "notes": _words("Anything else about the clock."),
}
"""What a clock's record may be given, by the name of its option: what ``clock add`` and ``clock change`` take."""

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

EMPTY = "no clock yet; begin with torsionbeat clock add NAME"


def _takes_record(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of a clock's record in place of its ``fields``, before ``log`` and ``json``."""
    hints = get_type_hints(command, include_extras=True)
    own = [
        parameter.replace(annotation=hints[name], kind=Parameter.KEYWORD_ONLY)
        for name, parameter in signature(command).parameters.items()
        if name != "fields"
    ]
    record = [
        Parameter(name, Parameter.KEYWORD_ONLY, default=None, annotation=option)
        for name, option in OPTIONS.items()
    ]

    @wraps(command)
    def called(**given: Any) -> None:
        asked = {name: given.pop(name) for name in OPTIONS}
        fields = {
            FIELD_OF_OPTION.get(name, name): value for name, value in asked.items() if value is not None
        }
        command(fields=fields, **given)

    parameters = [*own[:-2], *record, *own[-2:]]
    called.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in parameters}
    return called


@app.command("add")
@_takes_record
def add_command(
    name: Name,
    fields: dict[str, Any],
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Add a clock to the bench log. Only the name is needed; the rest can follow with clock change."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.regulation.beatsetting import AIR_DRIVEN_LIMITS

    assumed = []
    if fields.get("kind") == "air-driven" and not fields.keys() & AIR_DRIVEN_LIMITS.keys():
        fields |= AIR_DRIVEN_LIMITS
        assumed.append(
            "The arc limits are those common for air-driven clocks (360 to 540 deg, knocking above 600); "
            "set this clock's own with clock change."
        )
    with open_log(log) as opened:
        opened.add_clock(name, **fields)
        _answer(opened, name, json, f"Added to the bench log {opened.where}.", *assumed)


@app.command("change")
@_takes_record
def change_command(
    name: Name,
    fields: dict[str, Any],
    new_name: Annotated[str | None, typer.Option(help="Another name for the clock.")] = None,
    forget: Annotated[
        list[str] | None,
        typer.Option(metavar="OPTION", help="Empty a field, e.g. --forget lift; may be repeated."),
    ] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Change what the bench log knows of a clock. What it knew before is kept as a note."""
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
    from torsionbeat.cli.record import history_table, reading_words
    from torsionbeat.display.terminal import eighty_columns

    with open_log(log) as opened:
        _answer(opened, name, json)
        if json:
            return
        readings = opened.readings(name, documents=False)
        say(reading_words(readings[-1]) if readings else "It has not been heard yet.")
        table = history_table(opened, name)
        if table is not None:
            eighty_columns().print(table)


@app.command("list")
def list_command(log: LogOption = None, json: JsonOption = False) -> None:
    """List all clocks with their last reading."""
    from torsionbeat.benchlog import open_log
    from torsionbeat.cli.record import clocks_table, record
    from torsionbeat.display.terminal import eighty_columns

    with open_log(log) as opened:
        clocks = [(clock, opened.readings(clock.name, documents=False)) for clock in opened.clocks()]
        if json:
            print_json([record(clock) | {"readings": len(readings)} for clock, readings in clocks])
            return
        count = f"{len(clocks)} clock{'' if len(clocks) == 1 else 's'}" if clocks else EMPTY
        say(f"The bench log {opened.where} holds {count}.")
        if clocks:
            eighty_columns().print(clocks_table(clocks))
            if any(readings for _, readings in clocks):
                say("± is the half-width of the 95 % interval.")


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
    from torsionbeat.cli.record import clock_sentences, record_table
    from torsionbeat.display.terminal import eighty_columns

    if json:
        print_json(opened.export_clock(name))
        return
    clock = opened.clock(name)
    say(*first, " ".join(clock_sentences(clock)))
    table = record_table(clock)
    if table is not None:
        eighty_columns().print(table)
