"""``torsionbeat correct``: from a rate, a reading or a clock of the log to the next adjustment."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.clock import FIELD_OF_OPTION
from torsionbeat.cli.options import JsonOption, LogOption, OverwritePlot, PlotOption, takes_groups
from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import drawn_to
from torsionbeat.terminal.telling import say_or_print
from torsionbeat.typed.amounts import earlier_of, rate_of, stock_of
from torsionbeat.typed.sources import document_of
from torsionbeat.typed.times import moment

if TYPE_CHECKING:
    from torsionbeat.bench.bench_course import KnownOfClock
    from torsionbeat.jobs.advise import AdviseRequest
    from torsionbeat.regulation.stock import Stock

__all__ = ["ClockOptions", "StateOptions", "WeightOptions", "correct_command", "request_of"]


def _number(told: str) -> Any:
    return typer.Option(help=told)


@dataclass(frozen=True, slots=True)
class StateOptions:
    """The present state of the clock."""

    rate: Annotated[str | None, typer.Option(help="Rate, + gains: +720 (s a day) or +12min.")] = None
    rate_within: Annotated[float, _number("How far off --rate may be, 95 % (s/day).")] = 1.0
    reading: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Reading that analyse --json wrote (-: standard input)."),
    ] = None
    arc: Annotated[float | None, _number("Arc, end to end, with --rate (deg).")] = None
    temperature: Annotated[
        float | None, _number("How warm it was then, with --clock, for rates at one temperature (deg C).")
    ] = None
    to: Annotated[float, _number("Leave the clock alone within this; know the rate to it (s/day).")] = 0.5
    room: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="Logger's file of room temperature, for --reading or the clock's nights."
        ),
    ] = None
    began: Annotated[str | None, typer.Option(help="When the recording began, as 2026-03-01 20:00.")] = None


@dataclass(frozen=True, slots=True)
class WeightOptions:
    """Weights at hand."""

    weights: Annotated[
        str | None,
        typer.Option(
            help="Sizes at hand: 0.5,1,1.5 (g), 0.2mm,0.5mm (discs), 1x4 (four of 1 g). Tenths have a point. Left out: any."
        ),
    ] = None
    no_weights: Annotated[bool, typer.Option("--no-weights", help="Leave the weights alone.")] = False
    sides: Annotated[int, _number("Places for weights, evenly round the balance.")] = 2
    weight_tolerance: Annotated[float, _number("How far off a weight may be (percent).")] = 2.0
    weighed: Annotated[float | None, _number("Weights are weighed to within this many grams.")] = None
    disc_diameter: Annotated[float | None, _number("Diameter of disc weights (mm).")] = None
    disc_bore: Annotated[float, _number("Hole of disc weights (mm).")] = 0.0
    metal: Annotated[str, _number("Metal of disc weights: brass, steel, lead ...")] = "brass"
    density: Annotated[float | None, _number("Its density instead (kg/m3).")] = None
    earlier: Annotated[
        str | None,
        typer.Option(
            metavar="G:RATE", help="A change you remember: 3:-15min (3 g a side slowed it by 15 min/day)."
        ),
    ] = None

    def stock(self) -> Stock | None:
        """Give the weights at hand, or None if the weights are not to be changed."""
        from torsionbeat.regulation.stock import Disc
        from torsionbeat.theory.materials import weight_metal

        if self.no_weights:
            return None
        disc = None
        if self.disc_diameter is not None:
            kg_per_m3 = self.density or weight_metal(self.metal).density_kg_per_m3
            disc = Disc(self.disc_diameter, self.disc_bore, kg_per_m3)
        return stock_of(
            self.weights,
            sides=self.sides,
            tolerance_percent=self.weight_tolerance,
            scale_g=self.weighed,
            disc=disc,
        )


@dataclass(frozen=True, slots=True)
class ClockOptions:
    """Known data of the clock; they take precedence over its record."""

    period: Annotated[float | None, _number("Nominal full period (s).")] = None
    lift: Annotated[float | None, _number("Lift, contact to drop (deg).")] = None
    arc_low: Annotated[float | None, _number("Least healthy arc (deg).")] = None
    arc_high: Annotated[float | None, _number("Greatest healthy arc (deg).")] = None
    knock_arc: Annotated[float | None, _number("Arc at which it knocks (deg).")] = None
    roller_radius: Annotated[float | None, _number("Radius of the roller (mm).")] = None
    fork_share: Annotated[float, _number("Share of the strip above a fork that rides on it.")] = 1.0
    air_driven: Annotated[
        bool, typer.Option("--air-driven", help="An air-driven clock, with its usual limits.")
    ] = False
    q: Annotated[float | None, _number("Q of a free swing, for the settling time.")] = None
    strip_material: Annotated[str | None, _number("Material of the strip, such as C17200.")] = None
    strip_thickness: Annotated[float | None, _number("Thickness of the strip (micrometres).")] = None
    strip_width: Annotated[float | None, _number("Width of the strip (mm).")] = None
    strip_length: Annotated[float | None, _number("Active length of the strip (mm).")] = None
    hanging_mass: Annotated[float | None, _number("Mass that hangs on the strip (g).")] = None
    inertia: Annotated[float | None, _number("Inertia of the balance (g mm2).")] = None
    weight_radius: Annotated[float | None, _number("Distance of the weights from the axis (mm).")] = None
    weight_total: Annotated[float | None, _number("Weights on the balance, all together (g).")] = None
    regulator_unit: Annotated[str | None, _number("What it counts: turns, divisions, mm.")] = None
    regulator_low: Annotated[float | None, _number("Lowest setting of the regulator.")] = None
    regulator_high: Annotated[float | None, _number("Highest setting of the regulator.")] = None
    regulator_setting: Annotated[float | None, _number("Its setting now.")] = None
    regulator_effect: Annotated[float | None, _number("What one unit more gains (s/day).")] = None
    regulator_doubt: Annotated[float | None, _number("Standard uncertainty of that (s/day).")] = None
    regulator_step: Annotated[float | None, _number("Smallest step it can be moved by.")] = None

    def known(self) -> KnownOfClock:
        """Give the data under the names of a clock's record."""
        from torsionbeat.bench.bench_course import KnownOfClock

        names = {field.name for field in fields(KnownOfClock)}
        given = {
            FIELD_OF_OPTION.get(field.name, field.name): getattr(self, field.name) for field in fields(self)
        }
        kept = {name: value for name, value in given.items() if name in names and value is not None}
        return KnownOfClock(kind="air-driven" if self.air_driven else "", **kept)


def request_of(
    clock: str | None, log: str | None, state: StateOptions, weights: WeightOptions, about: ClockOptions
) -> AdviseRequest:
    """Make the request from the typed options.

    Parameters
    ----------
    clock : str or None
        Clock of the bench log.
    log : str or None
        The bench log; None: the default one.
    state : StateOptions
    weights : WeightOptions
    about : ClockOptions

    Raises
    ------
    InputError
        No rate was given or two, or its uncertainty is out of range.
    """
    from uncertainties import ufloat

    from torsionbeat.jobs.advise import AdviseRequest
    from torsionbeat.regulation.room import read_room
    from torsionbeat.theory.robust import COVERAGE

    if state.rate is not None and state.reading is not None:
        raise InputError("--rate and --reading are both given; give the one that is to be corrected")
    if state.rate is None and state.reading is None and clock is None:
        raise InputError("no rate was given; give --rate +720, --reading FILE.json or --clock NAME")
    if state.rate is not None and not 0 < state.rate_within <= 3600:
        raise InputError(
            f"--rate-within is {state.rate_within:g} s/day; it must lie above 0 and at most 3600"
        )
    rate = None if state.rate is None else ufloat(rate_of(state.rate), state.rate_within / COVERAGE)
    return AdviseRequest(
        clock=clock,
        log=log,
        rate_s_per_day=rate,
        reading=None if state.reading is None else document_of(state.reading),
        arc_deg=None if state.arc is None else ufloat(state.arc, 3.0),
        temperature_c=state.temperature,
        known=about.known(),
        earlier=earlier_of(weights.earlier),
        stock=weights.stock(),
        regulator_step=about.regulator_step,
        sides=weights.sides,
        share_above_fork=about.fork_share,
        tolerance_s_per_day=state.to,
        room=None if state.room is None else read_room(state.room),
        began_s=None if state.began is None else moment(state.began, "--began").timestamp(),
    )


def _done_at(clock: str | None, keep: bool, when: str | None) -> datetime | None:
    """Read when the adjustment to be kept was done; None: now."""
    if keep and clock is None:
        raise InputError("--keep was given without a clock to keep it for; give --clock NAME too")
    if when is not None and not keep:
        raise InputError("--when says when an adjustment was done; give --keep too")

    return None if when is None else moment(when, "--when")


@takes_groups
def correct_command(
    state: StateOptions,
    weights: WeightOptions,
    about: ClockOptions,
    clock: Annotated[
        str | None, typer.Option(help="Clock of the bench log: its last reading, its trials.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the advice as done in the log, and past trials.")
    ] = False,
    when: Annotated[
        str | None, typer.Option(help="With --keep: when it was done, as 2026-03-01 20:00; left out, now.")
    ] = None,
    plot: PlotOption = None,
    overwrite: OverwritePlot = False,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find the next adjustment: beat, weights and regulator, what they will do, how long to wait."""
    from torsionbeat.display.bench_plots import judgement_figure
    from torsionbeat.display.judgement import judgement_document, judgement_sentences, kept_sentence
    from torsionbeat.jobs.advise import advise
    from torsionbeat.jobs.keep_adjustment import keep_adjustment

    done_at = _done_at(clock, keep, when)
    draw = drawn_to(plot, log, overwrite)
    judgement = advise(request_of(clock, log, state, weights, about))
    draw(lambda: judgement_figure(judgement))
    document, said = judgement_document(judgement), judgement_sentences(judgement)
    if keep:
        kept = keep_adjustment(judgement, log, done_at=done_at)
        document |= {"kept": list(kept.works), "trials_kept": kept.trials}
        said.append(kept_sentence(kept))
    say_or_print(json, document, *said)
