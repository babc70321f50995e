"""``torsionbeat compare``: a clock before and after."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.history import JsonOption, LogOption, print_json
from torsionbeat.cli.sides import dates_group, files_group, whole_days
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.history.nights import Group
    from torsionbeat.reading.figures import Clock

__all__ = ["compare_command"]


def compare_command(
    before: Annotated[
        str,
        typer.Argument(
            help="A recording, a reading kept as JSON, a folder of either, or with --clock a date "
            "such as 2026-03-01 or 2026-03-01..2026-03-07."
        ),
    ],
    after: Annotated[str, typer.Argument(help="The same, after the work.")],
    clock: Annotated[
        str | None, typer.Option(help="The clock's name in the bench log: then dates can be compared.")
    ] = None,
    period: Annotated[float | None, typer.Option(help="Nominal full period, out and back (s).")] = None,
    lift: Annotated[float | None, typer.Option(help="Lift, contact to drop (deg).")] = None,
    lift_tolerance: Annotated[float, typer.Option(help="How far off the lift may be (deg).")] = 0.0,
    sample_clock_ppm: Annotated[
        float | None, typer.Option(help="The recorder's crystal runs fast by so many ppm.")
    ] = None,
    same_recorder: Annotated[
        bool, typer.Option("--same-recorder", help="Both sides were recorded with the same device.")
    ] = False,
    same_place: Annotated[
        bool,
        typer.Option(
            "--same-place", help="Neither clock nor microphone was moved between, and the room was as quiet."
        ),
    ] = False,
    swap_sides: Annotated[
        bool | None,
        typer.Option(
            "--swap-sides/--keep-sides",
            help="Side a before is side b after, or is side a; left out, the sounds decide.",
        ),
    ] = None,
    temperature_before: Annotated[float | None, typer.Option(help="Mean temperature before (°C).")] = None,
    temperature_after: Annotated[float | None, typer.Option(help="Mean temperature after (°C).")] = None,
    every_row: Annotated[
        bool, typer.Option("--all", help="Show every row, also those that could not be judged.")
    ] = False,
    plot: Annotated[Path | None, typer.Option(help="Draw it to this file (.png, .svg or .pdf).")] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Compare a clock before and after: what changed beyond doubt, and what did not."""
    from torsionbeat.history.comparison import compare
    from torsionbeat.reading.figures import Clock

    known = Clock(clock or "", period, lift, lift_tolerance)
    groups = _sides((before, after), known, log, sample_clock_ppm, (temperature_before, temperature_after))
    result = compare(*groups, same_recorder=same_recorder, same_place=same_place, swap_sides=swap_sides)
    if plot is not None:
        from torsionbeat.display.changes import comparison_figure
        from torsionbeat.display.style import save_figure

        save_figure(comparison_figure(result), plot)
    if json:
        print_json(result.document())
    else:
        from torsionbeat.display.changes import print_comparison

        print_comparison(result, every_row=every_row)


def _sides(
    places: tuple[str, str],
    known: Clock,
    log: str | None,
    sample_clock_ppm: float | None,
    temperatures_c: tuple[float | None, float | None],
) -> list[Group]:
    """Read both sides: files where there are such, else dates of the clock in the log."""
    from torsionbeat.benchlog import open_log

    dated = [not Path(place).exists() and whole_days(place) is not None for place in places]
    if any(dated) and not known.name:
        raise InputError("dates were given without --clock; say which clock of the bench log they belong to")
    if not known.name:
        return [
            files_group(place, known, sample_clock_ppm=sample_clock_ppm, temperature_c=temperature)
            for place, temperature in zip(places, temperatures_c, strict=True)
        ]
    groups: list[Group] = []
    with open_log(log) as opened:
        record = opened.clock(known.name)
        given: dict[str, Any] = {
            name: value
            for name, value in (("nominal_period_s", known.nominal_period_s), ("lift_deg", known.lift_deg))
            if value is not None
        }
        from_log = replace(record.as_clock(), **given)
        earlier = None
        for place, temperature, is_date in zip(places, temperatures_c, dated, strict=True):
            if is_date:
                groups.append(
                    dates_group(opened, known.name, place, after=earlier, temperature_c=temperature)
                )
                days = whole_days(place)
                earlier = None if days is None else days[1]
            else:
                groups.append(
                    files_group(place, from_log, sample_clock_ppm=sample_clock_ppm, temperature_c=temperature)
                )
    return groups
