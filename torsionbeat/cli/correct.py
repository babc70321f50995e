"""``torsionbeat correct``: from a rate or a reading to the next adjustment."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.clock import FIELD_OF_OPTION, OPTIONS
from torsionbeat.cli.history import JsonOption, LogOption, print_json, say
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.benchlog import BenchLog
    from torsionbeat.regulation.facts import Facts
    from torsionbeat.regulation.present import Present
    from torsionbeat.regulation.response import Regulator
    from torsionbeat.regulation.trials import Trial

__all__ = ["correct_command"]

Number = float | None


@dataclass(slots=True)
class Known:
    """What is known of the clock, from options and record."""

    period: Number = None
    lift: Number = None
    arc_low: Number = None
    arc_high: Number = None
    knock_arc: Number = None
    roller_radius: Number = None
    strip_material: str | None = None
    strip_thickness: Number = None
    strip_width: Number = None
    strip_length: Number = None
    hanging_mass: Number = None
    inertia: Number = None
    weight_radius: Number = None
    weight_total: Number = None
    regulator_unit: str | None = None
    regulator_low: Number = None
    regulator_high: Number = None
    regulator_setting: Number = None
    regulator_effect: Number = None
    regulator_doubt: Number = None
    air_driven: bool = False
    side_names: tuple[str, str] = ("", "")
    q: Number = None

    def fill(self, log: BenchLog, clock: str) -> None:
        """Take from the log what no option gave."""
        record = log.clock(clock)
        for option in (field.name for field in fields(self) if field.name in OPTIONS):
            value = getattr(record, FIELD_OF_OPTION.get(option, option))
            if getattr(self, option) is None and value != "":
                setattr(self, option, value)
        self.air_driven = self.air_driven or record.kind == "air-driven"
        self.side_names = (record.side_a_name, record.side_b_name)
        swings = [swing for swing in log.freeswings(clock) if swing.q is not None]
        if self.q is None and swings:
            self.q = swings[-1].q


def correct_command(
    rate: Annotated[str | None, typer.Option(help="Rate, + gains: +720 (s a day) or +12min.")] = None,
    rate_within: Annotated[float, typer.Option(help="How far off --rate may be, 95 % (s/day).")] = 1.0,
    reading: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Reading that analyse --json wrote (-: standard input)."),
    ] = None,
    clock: Annotated[
        str | None, typer.Option(help="Clock of the bench log: its last reading, its trials.")
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the advice as done in the log, and past trials.")
    ] = False,
    to: Annotated[
        float, typer.Option(help="Leave the clock alone within this; know the rate to it (s/day).")
    ] = 0.5,
    weights: Annotated[
        str | None,
        typer.Option(
            help="Sizes at hand: 0.5,1,1.5 (g), 0.2mm,0.5mm (discs), 1x4 (four of 1 g). Left out: any."
        ),
    ] = None,
    no_weights: Annotated[bool, typer.Option("--no-weights", help="Leave the weights alone.")] = False,
    sides: Annotated[int, typer.Option(help="Places for weights, evenly round the balance.")] = 2,
    weight_tolerance: Annotated[float, typer.Option(help="How far off a weight may be (percent).")] = 2.0,
    weighed: Annotated[float | None, typer.Option(help="Weights are weighed to within so much (g).")] = None,
    disc_diameter: Annotated[float | None, typer.Option(help="Diameter of disc weights (mm).")] = None,
    disc_bore: Annotated[float, typer.Option(help="Hole of disc weights (mm).")] = 0.0,
    metal: Annotated[str, typer.Option(help="Metal of disc weights: brass, steel, lead ...")] = "brass",
    density: Annotated[float | None, typer.Option(help="Its density instead (kg/m3).")] = None,
    earlier: Annotated[
        str | None,
        typer.Option(
            metavar="G:RATE", help="A change you remember: 3:-15min (3 g a side slowed it by 15 min/day)."
        ),
    ] = None,
    period: Annotated[float | None, typer.Option(help="Nominal full period (s).")] = None,
    arc: Annotated[float | None, typer.Option(help="Arc, end to end, with --rate (deg).")] = None,
    lift: Annotated[float | None, typer.Option(help="Lift, contact to drop (deg).")] = None,
    arc_low: Annotated[float | None, typer.Option(help="Least healthy arc (deg).")] = None,
    arc_high: Annotated[float | None, typer.Option(help="Greatest healthy arc (deg).")] = None,
    knock_arc: Annotated[float | None, typer.Option(help="Arc at which it knocks (deg).")] = None,
    roller_radius: Annotated[float | None, typer.Option(help="Radius of the roller (mm).")] = None,
    fork_share: Annotated[
        float, typer.Option(help="Share of the strip above a fork that rides on it.")
    ] = 1.0,
    air_driven: Annotated[
        bool, typer.Option("--air-driven", help="An air-driven clock, with its usual limits.")
    ] = False,
    q: Annotated[float | None, typer.Option(help="Q of a free swing, for the settling time.")] = None,
    strip_material: Annotated[str | None, typer.Option(help="Material of the strip, such as C17200.")] = None,
    strip_thickness: Annotated[
        float | None, typer.Option(help="Thickness of the strip (micrometres).")
    ] = None,
    strip_width: Annotated[float | None, typer.Option(help="Width of the strip (mm).")] = None,
    strip_length: Annotated[float | None, typer.Option(help="Active length of the strip (mm).")] = None,
    hanging_mass: Annotated[float | None, typer.Option(help="Mass that hangs on the strip (g).")] = None,
    inertia: Annotated[float | None, typer.Option(help="Inertia of the balance (g mm2).")] = None,
    weight_radius: Annotated[
        float | None, typer.Option(help="Distance of the weights from the axis (mm).")
    ] = None,
    weight_total: Annotated[
        float | None, typer.Option(help="Weights on the balance, all together (g).")
    ] = None,
    regulator_unit: Annotated[str | None, typer.Option(help="What it counts: turns, divisions, mm.")] = None,
    regulator_low: Annotated[float | None, typer.Option(help="Lowest setting of the regulator.")] = None,
    regulator_high: Annotated[float | None, typer.Option(help="Highest setting of the regulator.")] = None,
    regulator_setting: Annotated[float | None, typer.Option(help="Its setting now.")] = None,
    regulator_effect: Annotated[float | None, typer.Option(help="What one unit more gains (s/day).")] = None,
    regulator_doubt: Annotated[
        float | None, typer.Option(help="Standard uncertainty of that (s/day).")
    ] = None,
    regulator_step: Annotated[float | None, typer.Option(help="Smallest step it can be moved by.")] = None,
    room: Annotated[
        Path | None, typer.Option(metavar="CSV", help="Logger's file of room temperature, with --reading.")
    ] = None,
    began: Annotated[str | None, typer.Option(help="When the recording began, as 2026-03-01 20:00.")] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find the next adjustment: beat, weights and regulator, what they will do, how long to wait."""
    from torsionbeat.cli import adjusting
    from torsionbeat.cli import advice as told

    given = dict(locals())
    known = Known(**{field.name: given[field.name] for field in fields(Known) if field.name in given})
    start = _start(rate, reading, clock, keep)
    opened = _open(log) if clock is not None else None
    try:
        if opened is not None and clock is not None:
            known.fill(opened, clock)
        present, rows, began_s = _present(start, given, known, opened)
        advice, learnt, source, regulator = _advise(given, known, present, rows)
        document = told.advice_document(advice, learnt, source, present)
        sentences = told.advice_sentences(advice, learnt, source, present, regulator)
        if room is not None:
            document["temperature"], said = _temperature(room, present, began_s)
            sentences += said
        if keep and opened is not None and clock is not None:
            readings = [
                one for one in opened.readings(clock, documents=False) if one.rate_s_per_day is not None
            ]
            closed = adjusting.close_trials(opened, clock, readings)
            kept = adjusting.keep_advice(opened, clock, advice, regulator)
            document |= {"kept": kept, "trials_kept": closed}
            sentences.append(
                f"Kept for {clock}: {'; '.join(kept) or 'no change'}"
                + (f"; {closed} earlier adjustment(s) with what followed." if closed else ".")
            )
    finally:
        if opened is not None:
            opened.close()
    if json:
        print_json(document)
    else:
        say(*sentences)


def _start(rate: str | None, reading: Path | None, clock: str | None, keep: bool) -> str:
    """Say which of the sources gives the rate."""
    if rate is not None and reading is not None:
        raise InputError("--rate and --reading are both given; give the one that is to be corrected")
    if rate is None and reading is None and clock is None:
        raise InputError("no rate was given; give --rate +720, --reading FILE.json or --clock NAME")
    if keep and clock is None:
        raise InputError("--keep was given without a clock to keep it for; give --clock NAME too")
    return "rate" if rate is not None else "reading" if reading is not None else "log"


def _open(log: str | None) -> BenchLog:
    from torsionbeat.benchlog import open_log

    return open_log(log)


def _present(
    start: str, given: dict[str, Any], known: Known, opened: BenchLog | None
) -> tuple[Present, list[Trial], float | None]:
    """Give the clock as it stands, its trials (this one last), and when the recording began."""
    from uncertainties import ufloat

    from torsionbeat.cli.adjusting import Trials, document_of, moment_s, rate_of, trials_of
    from torsionbeat.regulation.beatsetting import AIR_DRIVEN_LIMITS
    from torsionbeat.regulation.present import from_document, from_rate

    clock, began_s = given["clock"], moment_s(given["began"])
    trials = Trials([], [], []) if opened is None else trials_of(opened, clock)
    if start == "rate":
        if not 0 < given["rate_within"] <= 3600:
            raise InputError(
                f"--rate-within is {given['rate_within']:g} s/day; it must lie above 0 and at most 3600"
            )
        present = from_rate(ufloat(rate_of(given["rate"]), given["rate_within"] / 1.96))
        if given["arc"] is not None:
            present = from_rate(present.rate_s_per_day, arc_deg=ufloat(given["arc"], 3.0))
    elif start == "reading":
        present = from_document(document_of(given["reading"]), known.period)
    else:
        if not trials.readings:
            raise InputError(
                f"{clock!r} has no reading with a rate yet; keep one with analyse --clock, or give --rate or "
                "--reading"
            )
        if trials.pending:
            work = trials.pending[-1]
            raise InputError(
                f"{clock!r} was worked on after its last reading ({work.kind}: {work.what}); let it "
                "settle and read it again, or give --rate or --reading"
            )
        assert opened is not None
        last = trials.readings[-1]
        document = next(one.document for one in opened.readings(clock) if one.id == last.id)
        present = from_document(document)
        began_s = began_s or last.taken_at.timestamp()
    if known.air_driven and not (known.arc_low or known.arc_high or known.knock_arc):
        known.arc_low, known.arc_high, known.knock_arc = AIR_DRIVEN_LIMITS.values()
    present = present.with_clock(
        nominal_period_s=known.period,
        lift_deg=known.lift,
        arc_low_deg=known.arc_low,
        arc_high_deg=known.arc_high,
        knock_arc_deg=known.knock_arc,
    )
    if start != "log":
        crystal = present.timebase_s_per_day
        trials.add(trials.pending, present.rate_s_per_day, present.timebase_source, crystal, "this reading")
    return present, trials.rows, began_s


def _advise(given: dict[str, Any], known: Known, present: Present, rows: list[Trial]) -> Any:
    from torsionbeat.cli.adjusting import stock_of
    from torsionbeat.regulation.correction import correct
    from torsionbeat.regulation.facts import prior_response
    from torsionbeat.regulation.stock import Disc
    from torsionbeat.regulation.trials import learn
    from torsionbeat.theory.materials import weight_metal

    disc = None
    if given["disc_diameter"] is not None:
        kg_per_m3 = given["density"] or weight_metal(given["metal"]).density_kg_per_m3
        disc = Disc(given["disc_diameter"], given["disc_bore"], kg_per_m3)
    prior = prior_response(_facts(given, known))
    regulator = _regulator(given, known, has_effect=prior.per_unit is not None)
    stock = None
    if not given["no_weights"]:
        stock = stock_of(
            given["weights"],
            sides=given["sides"],
            tolerance_percent=given["weight_tolerance"],
            scale_g=given["weighed"],
            disc=disc,
        )
    learnt = learn(rows, prior)
    advice = correct(
        learnt,
        present,
        stock=stock,
        regulator=regulator,
        tolerance_s_per_day=given["to"],
        removable_g=known.weight_total,
        q=known.q,
        roller_radius_mm=known.roller_radius,
        share_above_fork=given["fork_share"],
        side_names=known.side_names,
        air_driven=known.air_driven,
    )
    return advice, learnt, prior.source, regulator


def _facts(given: dict[str, Any], known: Known) -> Facts:
    from torsionbeat.cli.adjusting import earlier_of
    from torsionbeat.regulation.facts import Facts

    return Facts(
        nominal_period_s=known.period,
        strip_material=known.strip_material,
        strip_thickness_um=known.strip_thickness,
        strip_width_mm=known.strip_width,
        strip_length_mm=known.strip_length,
        hanging_mass_g=known.hanging_mass,
        inertia_g_mm2=known.inertia,
        weight_radius_mm=known.weight_radius,
        regulator_unit=known.regulator_unit,
        regulator_effect=known.regulator_effect,
        regulator_doubt=known.regulator_doubt,
        earlier=earlier_of(given["earlier"]),
        sides=given["sides"],
    )


def _regulator(given: dict[str, Any], known: Known, *, has_effect: bool) -> Regulator | None:
    from torsionbeat.regulation.response import Regulator

    ends = (known.regulator_low, known.regulator_high)
    if not has_effect:
        if any(end is not None for end in ends):
            raise InputError(
                "the regulator's travel is known but not its effect; give what one unit more gains with "
                "--regulator-effect (a guess will do, the trials set it right)"
            )
        return None
    low, high = ends
    if low is None or high is None:
        raise InputError("the regulator's effect is known but not its travel; give --regulator-low and -high")
    setting = known.regulator_setting if known.regulator_setting is not None else (low + high) / 2
    step = given["regulator_step"] or (high - low) / 200
    return Regulator(known.regulator_unit or "units", low, high, setting, step)


def _temperature(room: Path, present: Present, began_s: float | None) -> tuple[dict[str, Any], list[str]]:
    from torsionbeat.cli.advice import figure
    from torsionbeat.regulation.room import read_room
    from torsionbeat.regulation.temperature import NOT_ENOUGH, temperature_effect

    if present.beat_time_s is None or present.beat_number is None or present.period_s is None:
        raise InputError("--room needs the swings of a recording; give --reading FILE.json with its swings")
    effect = temperature_effect(
        present.beat_time_s,
        present.beat_number,
        present.period_s.nominal_value,
        read_room(room),
        began_s=began_s,
    )
    document = {
        "s_per_day_per_k": figure(effect.s_per_day_per_k) or NOT_ENOUGH,
        "s_per_day_per_hpa": figure(effect.s_per_day_per_hpa),
        "low_c": effect.low_c,
        "high_c": effect.high_c,
        "remarks": list(effect.remarks),
    }
    return document, [effect.sentence, *effect.remarks]
