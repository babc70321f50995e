"""How many nights it takes to bring a clock to time by the recommendations, and whether their promises hold.

Every clock is a twin: a driven balance, its inertia, strip, weights and regulator drawn at random and hidden. With
``--sounds`` a reading is an hour of its sounds with jitter, fitted by least squares; without, a night's rate with noise of
the same size, and four parts of it for the wander within. What was done and heard goes the road of the bench log: works
and rates, `course_of`, `learn`, `correct`. What is known of the clock is what a restorer could measure or be told.

    python tests/benchmarks/regulation.py [CLOCKS] [--sounds] [--aside] [--row NAME] [--weights] [--speed]

Each weight errs by itself, within 2 % of what it is said to weigh, as discs cut by hand to a caliper do (common
practice, no source). ``--aside`` runs the other half of the clocks, which no constant was chosen on; ``--weights`` prints
the older table: recommendations beside a careful person who knows the masses exactly; ``--speed`` how much of a processor an
advice takes from so many readings.

Wander: each night's mean differs from the clock's long-run rate by a normal deviate (or walks), and within a night the
rate follows an Ornstein-Uhlenbeck course of the same size whose time constant is drawn between 3 and 48 hours; for one
clock in ten nothing of the wander shows within a night. "held" is the share of promises (95 %) that held the next
night's true mean, "width" their median, of the first, second and third; "nights" is the median and the 90 % quantile of
the nights until the clock is, and stays, within so many seconds a day of time on the long run; "done" the share called
done within twelve nights, "truly" of these within twice the tolerance.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from uncertainties import ufloat

from torsionbeat.learning.course import Heard, Work, course_of
from torsionbeat.learning.learn import learn
from torsionbeat.learning.response import (
    TOLD_WRONG,
    Regulator,
    Response,
    per_gram_from_load,
    per_gram_from_strip,
    per_gram_usual,
    per_unit_from_effect,
)
from torsionbeat.learning.trials import Trial
from torsionbeat.learning.within import within_of_rates, within_recording
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.correction import correct
from torsionbeat.regulation.present import Present
from torsionbeat.regulation.stock import Piece, Stock, WeightChange
from torsionbeat.regulation.waiting import LINE_OVER_MDEV
from torsionbeat.theory.materials import strip_material
from torsionbeat.theory.rate import DAY_S, fit_beats, student_factor
from torsionbeat.theory.spring import Strip, stiffness_un_m_per_deg
from torsionbeat.theory.stability import deviation_at, phase_on_grid, stability
from torsionbeat.twin import Balance, Drive, TwinClock

SIZES_G = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
TOLERANCE_PERCENT = 2.0
TRAVEL, STEP = 5.0, 0.02  # turns; a screw set to 7 degrees, 0.2 to 0.6 s/day: coarser, 1 s/day is mere luck
MOST_NIGHTS = 12
NIGHT_S = 8 * 3600.0
READING_S_PER_DAY = (
    0.1  # standard uncertainty of a night's rate without sounds; a clear night has a tenth of it
)
PART_NOISE_S_PER_DAY = 0.2  # of a quarter of it
TOLERANCE_S_PER_DAY = 1.0
ON_G = 40.0
RULE_OF_THUMB_S_PER_DAY_PER_G = 150.0  # about 3 g a side for 15 min/day (common practice, no source)


@dataclass(slots=True)
class BenchClock:
    """A clock on the bench; everything about it is hidden but what `known` and `read` give."""

    rng: np.random.Generator
    nominal_s: float
    strip: Strip
    inertia_g_mm2: float
    radius_mm: float
    load_g: float
    effect: float  # seconds per day per unit of the regulator
    arc_deg: float
    q: float
    crystal_ppm: float
    mass_g: float = 0.0
    setting: float = 0.0
    reads: int = field(default=0)
    start: float = 0.0  # where the regulator stands on its own scale at first
    low: float = -TRAVEL
    high: float = TRAVEL
    creep: float = 0.0  # seconds a day a decade of days

    def twin(self) -> TwinClock:
        inertia = self.inertia_g_mm2 + self.mass_g * self.radius_mm**2
        stiffness = stiffness_un_m_per_deg(self.strip, self.load_g + self.mass_g)
        kappa = math.degrees(stiffness * 1e-6)
        period = 2 * math.pi * math.sqrt(inertia * 1e-9 / kappa) / (1 + self.effect * self.setting / DAY_S)
        return TwinClock(
            Balance(period, q=self.q, cubic_per_rad2=1e-5),
            drive=Drive(arc_deg=self.arc_deg, wander_percent=1.0),
        )

    def true_rate(self) -> float:
        return DAY_S * (self.nominal_s / self.twin().steady_period_s() - 1)

    def long_run(self, day: float = 0.0) -> float:
        """True rate without wander: what `true_rate` finds by integration, from the balance's period alone."""
        period = self.twin().balance.period_s
        return DAY_S * (self.nominal_s / period - 1) + self.creep * math.log10(max(day, 0.02))

    def read(self) -> Present:
        self.reads += 1
        _, events = self.twin().run(3600.0, int(self.rng.integers(2**31)))
        first, second = (
            np.asarray(events.time_s)[np.asarray(events.kind) == kind] for kind in ("contact", "drop")
        )
        n = min(len(first), len(second))
        middle = (first[:n] + second[:n]) / 2 * (1 + 1e-6 * self.crystal_ppm)
        number = np.arange(n)
        fit = fit_beats(middle, number)
        curve = stability(phase_on_grid(number, fit.residual_s), self.nominal_s / 2, "mdev")
        own = math.hypot(
            fit.period_s.std_dev * student_factor(fit.degrees_of_freedom),
            LINE_OVER_MDEV * fit.period_s.nominal_value * deviation_at(curve, 3600.0),
        )
        crystal = 0.5e-6 * self.nominal_s
        period = ufloat(fit.period_s.nominal_value, math.hypot(own, crystal))
        return Present(
            DAY_S * (self.nominal_s / period - 1),
            Clock(nominal_period_s=self.nominal_s),
            period,
            timebase_source="stated",
            timebase_s_per_day=0.5 * 0.0864,
            duration_s=3600.0,
            beat_time_s=middle,
            beat_number=number,
        )


def draw(rng: np.random.Generator) -> BenchClock:
    """A clock that gains or loses 5 to 25 minutes a day."""
    nominal = float(rng.choice([15.0, 60.0]))
    material = strip_material("C17200")
    radius = rng.uniform(25, 40)
    inertia = radius**2 / (0.0035 * math.exp(rng.normal(0, 0.35)))
    load = inertia / (radius * rng.uniform(0.7, 1.1)) ** 2
    rate = rng.choice([-1, 1]) * rng.uniform(300, 1500)
    period = nominal / (1 + rate / DAY_S)
    modulus = material.shear_modulus_gpa + rng.uniform(-1, 1) * material.shear_modulus_spread_gpa
    width, length = rng.uniform(0.3, 0.6), rng.uniform(80, 200)
    wanted = math.radians(inertia * 1e-3 * (2 * math.pi / period) ** 2)

    def strip(thickness: float) -> Strip:
        return Strip(width, thickness, length, modulus, material.youngs_modulus_gpa)

    low, high = 0.005, width
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if stiffness_un_m_per_deg(strip(middle), load) < wanted else (low, middle)
    return BenchClock(
        rng,
        nominal,
        strip(low),
        inertia,
        radius,
        load,
        effect=rng.uniform(8, 30),
        arc_deg=rng.uniform(250, 500),
        q=rng.uniform(250, 900),
        crystal_ppm=rng.normal(0, 0.5),
    )


def known(clock: BenchClock, how: str) -> Response:
    """What the restorer holds of the clock: its strip measured, its balance weighed, or the rule of thumb."""
    rng = clock.rng
    told = clock.effect / rng.uniform(0.6, 1.4)
    if how == "balance weighed":
        weighed_g = clock.load_g * (1 + rng.uniform(-0.01, 0.01))
        return Response(per_gram_from_load(weighed_g), per_unit_from_effect(told))
    if how == "nothing":
        return Response(per_gram_usual(), per_unit_from_effect(told))
    material = strip_material("C17200")
    strip = Strip.of(
        material,
        width_mm=clock.strip.width_mm + rng.uniform(-0.02, 0.02),
        thickness_mm=clock.strip.thickness_mm + rng.uniform(-0.002, 0.002),
        active_length_mm=clock.strip.active_length_mm + rng.uniform(-1, 1),
    )
    return Response(
        per_gram_from_strip(
            strip,
            clock.load_g * (1 + rng.uniform(-0.05, 0.05)),
            clock.nominal_s,
            clock.radius_mm + rng.uniform(-1, 1),
            material=material,
        ),
        per_unit_from_effect(told),
    )


@dataclass(frozen=True, slots=True)
class Case:
    """A row: what is wrong with the clock, with what was told of it, or with the notes."""

    name: str
    wander: float = 0.0
    walks: bool = False
    memory: float | None = None  # what the memory of a gram's effect is off by, as a factor; sharp (6 %)
    guess: float = 1.0  # what the guess of the regulator is off by
    knows_regulator: bool = True
    scale: tuple[float, float, float] = (-TRAVEL, TRAVEL, 0.0)  # ends, and where it stands
    unknown_night: int | None = None
    outlier: bool = False  # one night of the first five
    flat_nights: bool = False  # nothing of the wander shows within a night
    late_night: int | None = None
    recorders_ppm: float = 0.0
    creep: float = 0.0


ROWS = (
    Case("clean"),
    *(Case(f"wander {size:g}", size) for size in (0.3, 1.0, 3.0, 5.0)),
    *(Case(f"walk {size:g}", size, walks=True) for size in (0.3, 1.0, 3.0)),
    Case("memory 40 % off", memory=1.4),
    Case("wander 1, flat nights", 1.0, flat_nights=True),
    Case("guess x3", guess=3.0),
    Case("guess x1/3", guess=1 / 3),
    Case("guess wrong sign", guess=-1.0),
    Case("scale 0..10 at 5", scale=(0.0, 10.0, 5.0)),
    Case("regulator unknown", knows_regulator=False),
    Case("work without amount", unknown_night=1),
    Case("work noted late", late_night=1),
    Case("two recorders", recorders_ppm=10.0),
    Case("creep", creep=2.0),
    Case("outlier night", outlier=True),
    Case("all at once", 1.0, False, 1.4, 3.0, True, (0.0, 10.0, 5.0), 1, True, 3, 10.0, 2.0),
)


@dataclass(slots=True)
class Nights:
    """The wander of a clock's nights, and what of it shows within them."""

    rng: np.random.Generator
    size: float
    walks: bool
    now: float = 0.0
    outlier: int | None = None
    time_constant_s: float = field(init=False)
    shows: bool = field(init=False)

    def __post_init__(self) -> None:
        self.time_constant_s = 3600 * math.exp(self.rng.uniform(math.log(3), math.log(48)))
        self.shows = bool(self.rng.uniform() < 0.9)

    def next(self) -> float:
        """How far the next night's mean is from the long-run rate (a walk: from the first night's)."""
        deviate = self.rng.normal(0, self.size) if self.size else 0.0
        self.now = self.now + deviate if self.walks else deviate
        return self.now

    def parts(self) -> np.ndarray:
        """Rates of the four quarters of a night against its mean, with the sounds' noise."""
        steps = 48
        share = math.exp(-NIGHT_S / steps / self.time_constant_s)
        course = [self.rng.normal()]
        for _ in range(steps - 1):
            course.append(share * course[-1] + math.sqrt(1 - share**2) * self.rng.normal())
        quarters = np.array(course).reshape(4, -1).mean(axis=1) * self.size * self.shows
        return quarters - quarters.mean() + self.rng.normal(0, PART_NOISE_S_PER_DAY, 4)


@dataclass(frozen=True, slots=True)
class Course:
    """One clock: true long-run rates at first and after each night's advice, promises held and how wide they were.

    ``done`` is the night at which it was called done, None where it never was.
    """

    rates: tuple[float, ...]
    held: tuple[bool, ...]
    widths: tuple[float, ...] = ()
    done: int | None = None
    adjusted: int = 0
    seconds: float = 0.0


def put_on(clock: BenchClock, change: WeightChange, scale_g: float | None) -> None:
    """Change the weights: each piece errs by its tolerance, or each side by the scales it was weighed on."""
    if scale_g is None:
        errors_g = [
            piece.mass_g * TOLERANCE_PERCENT / 100 * clock.rng.uniform(-1, 1)
            for piece, count in change.pieces
            for _ in range(change.sides * count)
        ]
    else:
        errors_g = list(clock.rng.uniform(-scale_g, scale_g, change.sides))
    clock.mass_g += change.total_g + sum(errors_g)


def follow(
    clock: BenchClock, prior: Response, case: Case, *, sounds: bool = False, scale_g: float | None = None
) -> Course:
    """Follow the recommendations, night by night, until the clock is called done or had all its nights."""
    rng, nights = clock.rng, Nights(clock.rng, case.wander, case.walks)
    nights.shows &= not case.flat_nights
    nights.outlier = int(rng.integers(1, 5)) if case.outlier else None
    low, high, setting = case.scale
    clock.low, clock.high, clock.start = low, high, setting
    clock.creep = case.creep
    stock = Stock(tuple(map(Piece, SIZES_G)), tolerance_percent=TOLERANCE_PERCENT, scale_g=scale_g)
    crystals = [rng.normal(0, 0.5), rng.normal(0, 0.5) + case.recorders_ppm]
    works: list[Work] = [Work(-0.1 * DAY_S, "spring")] if case.creep else []
    heard: list[Heard] = []
    late: list[Work] = []
    truth, held, widths, done, adjusted = [clock.long_run()], [], [], None, 0
    expected, seconds = None, 0.0
    for night in range(MOST_NIGHTS):
        at = night * DAY_S
        true = clock.long_run(night + 0.1) + nights.next()
        if expected is not None:
            _, least, most = expected
            held.append(least <= true <= most)
            widths.append(most - least)
        heard.append(_heard(clock, case, nights, night, true, crystals, sounds))
        begin = time.perf_counter()
        course = course_of(works, heard, setting_on_record=case.scale[2])
        works += late  # what was noted late is there from the next evening on
        late = []
        place = course.setting if course.setting is not None else setting
        regulator = Regulator("turns", low, high, min(max(place, low), high), STEP)
        learnt = learn(course.rows, prior, half_travel=(high - low) / 2)
        present = Present(course.rows[-1].rate_s_per_day, Clock(nominal_period_s=clock.nominal_s))
        advice = correct(
            learnt,
            present,
            stock=stock,
            regulator=regulator,
            tolerance_s_per_day=TOLERANCE_S_PER_DAY,
            removable_g=ON_G + clock.mass_g,
        )
        seconds = max(seconds, time.perf_counter() - begin)
        if advice.kind == "leave":
            done = night
            break
        expected = advice.expected_interval_s_per_day
        noted: list[Work] = []
        if advice.weights is not None:
            put_on(clock, advice.weights, scale_g)
            amount = None if night + 1 == case.unknown_night else advice.weights.total_g
            noted.append(Work(at + 0.6 * DAY_S, "weights", "", amount, advice.weights.doubt_g, id=2 * night))
        if advice.regulator_move:
            clock.setting += advice.regulator_move + rng.uniform(-STEP / 2, STEP / 2)
            setting += advice.regulator_move
            noted.append(
                Work(
                    at + 0.6 * DAY_S,
                    "regulator",
                    "",
                    moved=advice.regulator_move,
                    setting=place + advice.regulator_move,
                    doubt=regulator.doubt,
                    id=2 * night + 1,
                )
            )
        adjusted += bool(noted)
        if night + 1 == case.late_night:  # noted as done an hour after the next reading began
            noted = [replace(work, done_at_s=at + DAY_S + 3600) for work in noted]
        works += noted
        truth.append(clock.long_run(night + 1.1) + (nights.now if case.walks else 0.0))
    return Course(tuple(truth), tuple(held), tuple(widths), done, adjusted, seconds)


def _heard(
    clock: BenchClock,
    case: Case,
    nights: Nights,
    night: int,
    true: float,
    crystals: list[float],
    sounds: bool,
) -> Heard:
    """One night's rate: by its sounds, or with noise."""
    rng = clock.rng
    which = night % 2 if case.recorders_ppm else 0
    stated = case.recorders_ppm / math.sqrt(3) if case.recorders_ppm else 0.5
    drawn = crystals[which] * 0.0864
    odd = rng.choice([-1, 1]) * rng.uniform(20, 60) if night == nights.outlier else 0.0
    if sounds:
        clock.crystal_ppm = 0.0
        present = clock.read()
        own = present.own_s_per_day
        shift = present.rate_s_per_day.nominal_value - clock.true_rate()
        within = within_recording(present.beat_time_s, present.beat_number, present.period_s.nominal_value)
    else:
        own = READING_S_PER_DAY
        shift = rng.normal(0, own)
        within = within_of_rates(nights.parts(), np.full(4, PART_NOISE_S_PER_DAY), NIGHT_S / 4)
    timebase = stated * 0.0864
    rate = ufloat(true + shift + drawn + odd, math.hypot(own, timebase))
    return Heard(
        night * DAY_S,
        night * DAY_S + NIGHT_S,
        rate,
        recorder=f"recorder {which}",
        timebase_s_per_day=timebase,
        within=within,
        id=night,
    )


def told(clock: BenchClock, case: Case) -> Response:
    """What the restorer holds of the clock in a row."""
    rng = clock.rng
    effect = clock.effect / rng.uniform(0.6, 1.4) * case.guess
    unit = per_unit_from_effect(effect) if case.knows_regulator else None
    if case.memory is None:
        return Response(per_gram_usual(), unit)
    inertia = clock.inertia_g_mm2
    per_gram = clock.radius_mm**2 / inertia - 1 / clock.load_g * 0.01
    right = case.memory ** rng.choice([-1, 1])
    return Response(ufloat(per_gram * right, 0.06 * per_gram * right), unit, "", TOLD_WRONG)


def halve(clock: BenchClock) -> Course:
    """The careful person: an interval of masses that holds the right one, halved at each trial."""
    rates = [clock.true_rate()]
    reach = 2 * rates[0] / RULE_OF_THUMB_S_PER_DAY_PER_G
    low, high = sorted((0.0, reach))
    for _ in range(40):
        clock.mass_g = (low + high) / 2
        rates.append(clock.true_rate())
        if rates[-1] > 0:
            low = clock.mass_g
        else:
            high = clock.mass_g
        if abs(rates[-1]) < 0.5:
            break
        if high - low < 1e-3 * abs(reach):  # the right mass lies outside: look further
            low, high = min(low, 2 * reach), max(high, 2 * reach)
            reach *= 2
    return Course(tuple(rates), ())


def rule_of_three(clock: BenchClock) -> Course:
    """The rule of thumb first, then the slope of the last two readings."""
    rates, masses = [clock.true_rate()], [0.0]
    slope = -RULE_OF_THUMB_S_PER_DAY_PER_G
    for _ in range(MOST_NIGHTS):
        clock.mass_g = masses[-1] - rates[-1] / slope
        masses.append(clock.mass_g)
        rates.append(clock.true_rate())
        if abs(rates[-1]) < 0.5:
            break
        slope = (rates[-1] - rates[-2]) / (masses[-1] - masses[-2])
    return Course(tuple(rates), ())


def trials_to(course: Course, within_s_per_day: float) -> float:
    """Nights or trials until the clock is, and stays, within a rate."""
    inside = [abs(rate) <= within_s_per_day for rate in course.rates]
    for trial in range(len(inside)):
        if all(inside[trial:]):
            return trial
    return math.inf


def share_within(courses: list[Course], within_s_per_day: float, trials: int) -> float:
    """Share of clocks within a rate after so many trials (the last rate where fewer were needed)."""
    return float(
        np.mean([abs(one.rates[min(trials, len(one.rates) - 1)]) <= within_s_per_day for one in courses])
    )


def run(clocks: int, seed: int, way: Callable[[BenchClock], Course]) -> list[Course]:
    """One course for each clock; the same seed draws the same clocks for every way."""
    return [way(draw(np.random.default_rng([seed, i]))) for i in range(clocks)]


def run_row(case: Case, clocks: int, *, aside: bool = False, sounds: bool = False) -> list[Course]:
    """The courses of a row; the half set aside has seeds of its own."""

    def way(clock: BenchClock) -> Course:
        return follow(clock, told(clock, case), case, sounds=sounds)

    return run(clocks, 8 if aside else 7, way)


def row_words(case: Case, courses: list[Course]) -> str:
    """One line of the table."""
    held = [one for course in courses for one in course.held]
    early = [one for course in courses for one in course.held[:2]]
    widths = [
        np.median([course.widths[k] for course in courses if len(course.widths) > k] or [math.nan])
        for k in range(3)
    ]
    nights = []
    for limit in (5, 2, 1):
        each = [trials_to(course, limit) for course in courses]
        middle, most = (np.quantile(each, q, method="higher") for q in (0.5, 0.9))
        nights.append("/".join("--" if math.isinf(x) else f"{x:.0f}" for x in (middle, most)))
    done = [course for course in courses if course.done is not None]
    truly = np.mean([abs(course.rates[-1]) <= TOLERANCE_S_PER_DAY for course in done]) if done else math.nan
    heard = np.mean([MOST_NIGHTS if course.done is None else course.done + 1 for course in courses])
    return (
        f"{case.name:22}{np.mean(held):7.1%}{np.mean(early):7.0%}  "
        + "/".join(f"{width:.3g}" for width in widths).rjust(16)
        + "  "
        + "; ".join(nights).rjust(18)
        + f"{heard:7.1f}{np.mean([course.adjusted for course in courses]):5.1f}"
        + f"{len(done) / len(courses):7.0%}{truly:6.0%}"
        + f"{share_within(courses, 5, 2):6.0%}{share_within(courses, 2, 3):5.0%}{share_within(courses, 1, 3):5.0%}"
        + f"{1e3 * np.quantile([course.seconds for course in courses], 0.95):6.0f}"
    )


CLEAN = Case("clean")

WAYS: dict[str, Callable[[BenchClock], Course]] = {
    "torsionbeat, strip measured": lambda clock: follow(
        clock, known(clock, "strip measured"), CLEAN, sounds=True
    ),
    "torsionbeat, balance weighed": lambda clock: follow(
        clock, known(clock, "balance weighed"), CLEAN, sounds=True
    ),
    "torsionbeat, nothing known": lambda clock: follow(clock, known(clock, "nothing"), CLEAN, sounds=True),
    "the same, weights weighed": lambda clock: follow(
        clock, known(clock, "nothing"), CLEAN, sounds=True, scale_g=0.01
    ),
    "rule of three, exact masses": rule_of_three,
    "halving, exact masses": halve,
}


def print_weights(clocks: int) -> None:
    """Recommendations beside a careful person."""
    print(f"{'':30}{'median nights':>15}{'within 5 s':>12}{'within 1 s':>12}{'interval':>10}")
    print(f"{'':30}{'5 s':>8}{'1 s':>7}{'after 2':>12}{'after 3':>12}{'held':>10}")
    for name, way in WAYS.items():
        courses = run(clocks, 7, way)
        held = [one for course in courses for one in course.held]
        five, one = (np.median([trials_to(course, limit) for course in courses]) for limit in (5, 1))
        print(
            f"{name:30}{five:8.0f}{one:7.0f}"
            f"{share_within(courses, 5, 2):12.1%}{share_within(courses, 1, 3):12.1%}"
            + (f"{np.mean(held):10.1%}" if held else "")
        )


def history(readings: int, works: int, seed: int) -> list[Trial]:
    """Nights of a clock that differ by half a second a day, with so many works between them; every third a regulator's."""
    rng = np.random.default_rng(seed)
    worked = {int(place): k for k, place in enumerate(np.linspace(1, readings - 1, works))}
    rows: list[Trial] = []
    mass = setting = 0.0
    for night in range(readings):
        rate = 900.0 - 0.5 * DAY_S * math.log1p(0.0031 * mass) + 14.0 * setting
        mass_doubt = setting_doubt = 0.0
        if night in worked and worked[night] % 3 == 2:
            setting, setting_doubt = setting + 0.2, 0.006
        elif night in worked:
            added = round(rate / RULE_OF_THUMB_S_PER_DAY_PER_G, 1) or 0.1
            mass, mass_doubt = mass + added, 0.012 * abs(added)
        rate = 900.0 - 0.5 * DAY_S * math.log1p(0.0031 * mass) + 14.0 * setting + rng.normal(0, 0.5)
        rows.append(
            Trial(
                ufloat(rate, 0.11),
                mass,
                setting,
                mass_doubt_g=mass_doubt,
                setting_doubt=setting_doubt,
                timebase="recorder",
                timebase_s_per_day=0.04,
                day=float(night),
            )
        )
    return rows


def print_speed() -> None:
    """Processor time of an advice; the median of nine different clocks, after one that is not counted."""
    prior = Response(per_gram_usual(), per_unit_from_effect(20.0))
    stock = Stock(tuple(map(Piece, SIZES_G)), tolerance_percent=TOLERANCE_PERCENT)
    print("readings  works  processor time of an advice, ms: median (largest) of 9")
    for readings, works in ((3, 2), (12, 6), (13, 6), (20, 12), (40, 12), (80, 12), (200, 20)):
        took = []
        for seed in range(10):
            rows = history(readings, works, seed)
            regulator = Regulator("turns", -TRAVEL, TRAVEL, rows[-1].setting, STEP)
            begin = time.process_time()
            correct(
                learn(rows, prior, half_travel=TRAVEL),
                Present(rows[-1].rate_s_per_day, Clock(nominal_period_s=60.0)),
                stock=stock,
                regulator=regulator,
                tolerance_s_per_day=TOLERANCE_S_PER_DAY,
                removable_g=ON_G,
            )
            took.append(1e3 * (time.process_time() - begin))
        print(f"{readings:8}{works:7}{np.median(took[1:]):12.0f} ({max(took[1:]):.0f})", flush=True)


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("clocks", type=int, nargs="?", default=100)
    for flag in ("--sounds", "--aside", "--weights", "--speed"):
        asked.add_argument(flag, action="store_true")
    asked.add_argument("--row", action="append")
    given = asked.parse_args()
    if given.weights:
        print_weights(given.clocks)
        return
    if given.speed:
        print_speed()
        return
    luck = math.sqrt(0.95 * 0.05 / (5 * given.clocks))
    print(f"{given.clocks} clocks a row, 5 to 25 minutes a day out, tolerance {TOLERANCE_S_PER_DAY:g} s/day.")
    print(f"So many clocks tell a share of promises to about {luck:.1%} (standard error).\n")
    print(
        f"{'':22}{'held':>7}{'first':>7}  {'width 1/2/3':>16}  {'nights 5; 2; 1':>18}{'heard':>7}{'adj':>5}"
        f"{'done':>7}{'truly':>6}{'5@2':>6}{'2@3':>5}{'1@3':>5}{'ms':>6}"
    )
    for case in ROWS:
        if given.row is None or case.name in given.row:
            print(
                row_words(case, run_row(case, given.clocks, aside=given.aside, sounds=given.sounds)),
                flush=True,
            )


if __name__ == "__main__":
    main()
