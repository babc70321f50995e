"""Advise: one judgement of a clock. Its present rate, what to do first, second and not yet, and when to check again."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from torsionbeat.bench.bench_course import (
    KnownOfClock,
    checks_heard,
    given_heard,
    nights_of_others,
    readings_heard,
    works_done,
)
from torsionbeat.bench.sides import own_sides, side_names
from torsionbeat.bench.warm_nights import about_warmth, per_kelvin_of, with_temperatures
from torsionbeat.benchlog import BenchLog, open_log
from torsionbeat.errors import InputError
from torsionbeat.history.side_matching import SURE
from torsionbeat.learning.course import Course, Heard, Work, course_of
from torsionbeat.learning.learn import learn
from torsionbeat.learning.learnt import Learnt
from torsionbeat.learning.response import Regulator, Response
from torsionbeat.learning.trials import Trial
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.beatsetting import AIR_DRIVEN_LIMITS
from torsionbeat.regulation.correction import Correction, correct
from torsionbeat.regulation.facts import Facts, prior_response
from torsionbeat.regulation.order import Task, tasks
from torsionbeat.regulation.present import Present, from_document, from_rate
from torsionbeat.regulation.room import Room
from torsionbeat.regulation.stock import Stock
from torsionbeat.regulation.temperature import TemperatureEffect, temperature_effect
from torsionbeat.sound.remarks import Remark

__all__ = ["AdviseRequest", "Judgement", "advise", "judged"]

STEPS_IN_TRAVEL = 200
"""Default smallest step of a regulator: its travel divided by this (common practice, no source)."""


MOST_LOG_ODDS = 50.0
"""Largest logarithm of odds: beyond, any printed chance is 1."""


@dataclass(frozen=True, slots=True)
class AdviseRequest:
    """The clock to judge, and the known values of it.

    Parameters
    ----------
    clock : str, optional
        A clock in the bench log: its record, works, readings, hand checks and trials are used.
    log : str, optional
        The bench log; None: the default log.
    rate_s_per_day : ufloat, optional
        The present rate, typed by hand; it represents the clock after all works.
    reading : dict, optional
        A reading's document (schema 1), instead of a rate.
    arc_deg : ufloat, optional
        The arc that goes with a rate typed by hand.
    temperature_c : float, optional
        Temperature at a rate typed by hand, or during a reading that is not in the log.
    known : KnownOfClock
        Known values of the clock; they have priority over the record.
    earlier : tuple of float, optional
        A remembered change of weights: grams a side (> 0 added), and the change of rate that followed (s/day).
    stock : Stock, optional
        Weights at hand; None: the weights are left alone.
    regulator_step : float, optional
        Smallest step by which the regulator can be moved.
    sides : int
        Places for weights.
    share_above_fork : float
        Share of the strip above a fork that rides on it; 1 where it does not.
    tolerance_s_per_day : float
        Tolerance within which the clock is left alone.
    room : Room, optional
        A logger's record of the room, with ``began_s`` (seconds since 1970) where its times are absolute. It corrects
        the readings that it covers to one temperature.
    """

    clock: str | None = None
    log: str | None = None
    rate_s_per_day: UFloat = None
    reading: dict[str, Any] | None = None
    arc_deg: UFloat = None
    temperature_c: float | None = None
    known: KnownOfClock = field(default_factory=KnownOfClock)
    earlier: tuple[float, float] | None = None
    stock: Stock | None = field(default_factory=Stock)
    regulator_step: float | None = None
    sides: int = 2
    share_above_fork: float = 1.0
    tolerance_s_per_day: float = 0.5
    room: Room | None = None
    began_s: float | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """One judgement of a clock.

    ``present`` is the last reading (arc, beat error); ``learnt`` the clock's own response and its rate, from all
    ``heard`` together; ``correction`` the next adjustment of the rate and its expected effect; ``tasks`` what to do, in
    order. ``regulator`` is None where there is none, ``room`` where no logger was given. ``rests_on`` names the source
    of the response to weights besides the trials.
    """

    clock: str | None
    present: Present
    heard: tuple[Heard, ...]
    learnt: Learnt
    correction: Correction
    tasks: tuple[Task, ...]
    regulator: Regulator | None
    rests_on: str
    tolerance_s_per_day: float
    room: TemperatureEffect | None = None
    remarks: tuple[str, ...] = ()

    @property
    def rate_s_per_day(self) -> UFloat:
        """Present rate from all rates heard (s/day, 95 % interval within 1.96 u)."""
        return self.learnt.rate_s_per_day

    @property
    def cautions(self) -> tuple[str, ...]:
        """Cautions to read before work on the clock."""
        return self.correction.cautions


def advise(request: AdviseRequest) -> Judgement:
    """Judge a clock.

    Raises
    ------
    InputError
        No rate is available, or the inputs contradict each other.
    BenchLogError
        The log cannot be read.
    """
    if request.clock is None:
        return _judge(request, request.known, None)
    with open_log(request.log, must_exist=True) as log:
        swings = [one for one in log.freeswings(request.clock) if one.q is not None]
        record = KnownOfClock.of_record(log.clock(request.clock), swings[-1].q if swings else None)
        return _judge(request, request.known.or_else(record), log)


class _WorkedOnSinceError(InputError):
    """Work was done after the last reading, so the present rate is unknown; ``said`` is the sentence without options."""

    def __init__(self, said: str) -> None:
        super().__init__(f"{said}, or give --rate or --reading")
        self.said = said


def judged(clock: str, log: str | None = None) -> tuple[Judgement | None, Remark | None]:
    """Judge a clock from the bench log alone; if the log gives no rate yet, return a remark with the reason.

    The remark's code is ``worked-on-since`` where work was done after the last reading.

    Raises
    ------
    BenchLogError
        The log cannot be read.
    """
    try:
        return advise(AdviseRequest(clock, log=log)), None
    except _WorkedOnSinceError as error:
        return None, Remark("worked-on-since", error.said)
    except InputError as error:
        return None, Remark("no-judgement", str(error))


@dataclass(frozen=True, slots=True)
class _Gathered:
    """The present clock, its works and rates, and the start of the recording."""

    present: Present
    works: tuple[Work, ...]
    heard: tuple[Heard, ...]
    began_s: float | None


@dataclass(frozen=True, slots=True)
class _Held:
    """The prior of the clock: response, half the regulator's travel, nights of other clocks, change per kelvin."""

    prior: Response
    half_travel: float | None
    others: Sequence[tuple[Trial, ...]]
    per_kelvin: UFloat

    def learn(self, course: Course) -> Learnt:
        return learn(
            course.rows,
            self.prior,
            half_travel=self.half_travel,
            others=self.others,
            per_kelvin=self.per_kelvin,
        )


def _judge(request: AdviseRequest, known: KnownOfClock, log: BenchLog | None) -> Judgement:
    gathered = _gathered(request, known, log)
    gathered = replace(gathered, heard=with_temperatures(gathered.heard, request.room))
    present = gathered.present.with_clock(**_limits(known))
    course = course_of(gathered.works, gathered.heard, setting_on_record=known.regulator_setting)
    if course.pending:
        work = course.pending[-1]
        raise _WorkedOnSinceError(
            f"{request.clock!r} was worked on after its last reading ({work.kind}: {work.what}); let it "
            "settle and read it again"
        )
    prior = prior_response(_facts(request, known))
    half = _half_travel(known, has_effect=prior.per_unit is not None)
    others = [] if log is None or request.clock is None else nights_of_others(log, request.clock)
    room = _room(request, present, gathered)
    per_kelvin = per_kelvin_of(known.strip_material, None if room is None else room.s_per_day_per_k)
    held = _Held(prior, half, others, per_kelvin)
    course, learnt, said = _learnt(gathered, course, known.regulator_setting, held)
    said += [*about_warmth(learnt.warmth, learnt.trials), *_about_setting(gathered.works, course, known)]
    regulator = _regulator(request, known, course)
    correction = correct(
        learnt,
        present,
        stock=request.stock,
        regulator=regulator,
        tolerance_s_per_day=request.tolerance_s_per_day,
        removable_g=known.weight_total_g,
        q=known.q,
        roller_radius_mm=known.roller_radius_mm,
        share_above_fork=request.share_above_fork,
        side_names=_side_names(request, log),
        air_driven=known.air_driven,
    )
    return Judgement(
        request.clock,
        present,
        course.heard,
        learnt,
        correction,
        tasks(present, correction, _arcs_since_other_work(gathered)),
        regulator,
        prior.source,
        request.tolerance_s_per_day,
        room,
        (*course.remarks, *said, *correction.remarks, *(() if log is None else log.left_out)),
    )


def _arcs_since_other_work(gathered: _Gathered) -> list[UFloat]:
    """Arcs of the readings since the last work that changes the arc: any but that on weights or regulator."""
    since = max(
        (work.done_at_s for work in gathered.works if work.kind not in ("weights", "regulator")),
        default=-math.inf,
    )
    readings = sorted((one for one in gathered.heard if one.from_s >= since), key=lambda one: one.from_s)
    return [one.arc_deg for one in readings if one.arc_deg is not None]


def _about_setting(works: Sequence[Work], course: Course, known: KnownOfClock) -> list[Remark]:
    """Report an unknown regulator setting where a move was noted without its amount."""
    untold = [work for work in works if work.kind == "regulator" and not work.told]
    if course.setting is not None or not untold or known.regulator_low is None:
        return []
    return [
        Remark(
            "regulator-setting-unknown",
            f"Where the regulator stands is not known: it was moved and not noted by how much ({untold[-1].what!r}). Moves "
            "are counted from the setting on record; look at it, and keep it with clock change --regulator-setting.",
        )
    ]


def _learnt(
    gathered: _Gathered,
    course: Course,
    setting_on_record: float | None,
    held: _Held,
) -> tuple[Course, Learnt, list[Remark]]:
    """Learn from the course; where a note may be a duplicate, from the course that fits the rates better."""
    learnt = held.learn(course)
    if not course.repeated:
        return course, learnt, []
    once = course_of(
        gathered.works, gathered.heard, setting_on_record=setting_on_record, leave_out=course.repeated
    )
    other = held.learn(once)
    ahead = other.mixture.log_evidence - learnt.mixture.log_evidence
    chance = 1 / (1 + math.exp(-max(min(ahead, MOST_LOG_ODDS), -MOST_LOG_ODDS)))
    names = "; ".join(repr(work.what) for work in course.repeated)
    said = f"is noted twice between two readings ({names}): by the rates it was done {{}} ({{:.0%}} sure). "
    if chance >= 0.5:
        text = said.format("once", chance) + "It is counted once; retract the other note."
        return once, other, [Remark("noted-twice", "The same work " + text)]
    text = said.format("twice", 1 - chance) + "Both notes are counted; if one is wrong, retract it."
    return course, learnt, [Remark("noted-twice", "The same work " + text)]


def _gathered(request: AdviseRequest, known: KnownOfClock, log: BenchLog | None) -> _Gathered:
    given: Present | None = None
    if request.rate_s_per_day is not None and request.reading is not None:
        raise InputError("a rate and a reading are both given; give the one that is to be corrected")
    if request.rate_s_per_day is not None:
        given = from_rate(request.rate_s_per_day, arc_deg=request.arc_deg)
    elif request.reading is not None:
        given = from_document(request.reading, known.nominal_period_s)
    if log is None or request.clock is None:
        if given is None:
            raise InputError("no rate was given; give a rate, a reading or a clock of the bench log")
        return _Gathered(given, (), (given_heard(given, 0.0, given.rate_s_per_day),), request.began_s)
    works, readings = works_done(log, request.clock), readings_heard(log, request.clock)
    heard = [*readings, *checks_heard(log, request.clock)]
    if given is not None:
        heard.append(given_heard(given, time.time(), given.rate_s_per_day, request.temperature_c))
        return _Gathered(given, tuple(works), tuple(heard), request.began_s)
    if not heard:
        raise InputError(
            f"{request.clock!r} has no reading with a rate yet; keep one with analyse --clock, or give --rate or "
            "--reading"
        )
    if not readings:
        return _Gathered(from_rate(heard[-1].rate_s_per_day), tuple(works), tuple(heard), request.began_s)
    last = readings[-1]
    document = log.reading_document(request.clock, last.id)
    return _Gathered(from_document(document), tuple(works), tuple(heard), request.began_s or last.from_s)


def _side_names(request: AdviseRequest, log: BenchLog | None) -> tuple[str, str]:
    """Names of the directions of the balance at a beat of each side of the reading: empty unless recognised."""
    if log is None or request.clock is None:
        return "", ""
    record, rows = log.clock(request.clock), log.readings(request.clock, documents=False)
    if request.reading is not None:
        probability = float((request.reading.get("sides") or {}).get("probability") or 0.5)
    else:
        own = own_sides(record, rows[-1]) if rows else None
        probability = 0.5 if own is None else own.probability
    return side_names(record) if probability >= SURE else ("", "")


def _limits(known: KnownOfClock) -> dict[str, float | None]:
    limits = {
        name: getattr(known, name)
        for name in ("nominal_period_s", "lift_deg", "arc_low_deg", "arc_high_deg", "knock_arc_deg")
    }
    arcs = ("arc_low_deg", "arc_high_deg", "knock_arc_deg")
    if known.air_driven and not any(limits[name] for name in arcs):
        limits |= AIR_DRIVEN_LIMITS
    return limits


def _facts(request: AdviseRequest, known: KnownOfClock) -> Facts:
    return Facts(
        nominal_period_s=known.nominal_period_s,
        strip_material=known.strip_material or None,
        strip_thickness_um=known.strip_thickness_um,
        strip_width_mm=known.strip_width_mm,
        strip_length_mm=known.strip_length_mm,
        hanging_mass_g=known.hanging_mass_g,
        inertia_g_mm2=known.balance_inertia_g_mm2,
        weight_radius_mm=known.weight_radius_mm,
        regulator_unit=known.regulator_unit or None,
        regulator_effect=known.regulator_s_per_day_per_unit,
        regulator_doubt=known.u_regulator_s_per_day_per_unit,
        earlier=request.earlier,
        sides=request.sides,
    )


def _half_travel(known: KnownOfClock, *, has_effect: bool) -> float | None:
    """Half the travel of the regulator; None without a regulator."""
    low, high = known.regulator_low, known.regulator_high
    if low is not None and high is not None:
        return (high - low) / 2
    if has_effect:
        raise InputError("the regulator's effect is known but not its travel; give --regulator-low and -high")
    if low is not None or high is not None:
        raise InputError("one end of the regulator's travel is known; give both, --regulator-low and -high")
    return None


def _regulator(request: AdviseRequest, known: KnownOfClock, course: Course) -> Regulator | None:
    """The present regulator: from the notes, else the record, else assumed in the middle and then moved as noted."""
    low, high = known.regulator_low, known.regulator_high
    if low is None or high is None:
        return None
    setting = course.setting if course.setting is not None else known.regulator_setting
    step = request.regulator_step or (high - low) / STEPS_IN_TRAVEL
    unit = known.regulator_unit or "units"
    if setting is not None:
        return Regulator(unit, low, high, setting, step)
    moved = course.rows[-1].setting - course.rows[0].setting if course.rows else 0.0
    return Regulator(unit, low, high, min(max((low + high) / 2 + moved, low), high), step, is_known=False)


def _room(request: AdviseRequest, present: Present, gathered: _Gathered) -> TemperatureEffect | None:
    """The room's effect within the last recording, from a logger's file; None where the file gives the nights' temperatures."""
    if request.room is None:
        return None
    nights = sum(one.temperature_c is not None for one in gathered.heard)
    try:
        return _within_recording(request.room, present, gathered.began_s)
    except InputError:
        if nights > 1:
            return None
        raise


def _within_recording(room: Room, present: Present, began_s: float | None) -> TemperatureEffect:
    if present.beat_time_s is None or present.beat_number is None or present.period_s is None:
        raise InputError("--room needs the swings of a recording; give --reading FILE.json with its swings")
    return temperature_effect(
        present.beat_time_s,
        present.beat_number,
        present.period_s.nominal_value,
        room,
        began_s=began_s,
    )
