"""How many trials it takes to bring a clock to time: this package's recommendations beside a careful person.

Every clock is a twin: a driven balance integrated from event to event, its inertia, strip, weights and
regulator drawn at random and hidden. A reading is an hour of its sounds with jitter, fitted by least squares;
what is known of the clock is what a restorer could measure or be told. The recommendations come from the
functions that ``torsionbeat correct`` calls. Run: ``python tests/benchmarks/regulation.py [CLOCKS]``.

Each weight errs by itself, within 2 % of what it is said to weigh, as discs cut by hand to a caliper do (common
practice, no source). What the tolerances are sets what can be reached: weights of 2 % not weighed leave
seconds a day after a large second change, and a regulator that can be set to a twentieth of a turn instead of
a fiftieth leaves about 6 in a hundred clocks more outside one second a day after three trials.

The person halves the interval that is known to hold the right mass at each trial, from the sign of the rate
alone, with masses cut exactly; the rule of three takes the rule of thumb first, then the slope of the last
two readings, with exact masses as well. Both are spared the tolerance of weights and the regulator.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from uncertainties import ufloat

from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.correction import correct
from torsionbeat.regulation.learning.trials import Trial, learn
from torsionbeat.regulation.present import Present
from torsionbeat.regulation.response import (
    Regulator,
    Response,
    per_gram_from_load,
    per_gram_from_strip,
    per_gram_usual,
    per_unit_from_effect,
)
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
MOST_TRIALS = 12
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
class Course:
    """True rates of one clock, at first and after each trial; whether each interval held the truth."""

    rates: tuple[float, ...]
    held: tuple[bool, ...]


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


def regulate(clock: BenchClock, prior: Response, scale_g: float | None = None) -> Course:
    """Follow the recommendations until the clock is within half a second a day or has had all trials."""
    stock = Stock(
        tuple(Piece(size) for size in SIZES_G), tolerance_percent=TOLERANCE_PERCENT, scale_g=scale_g
    )
    rows: list[Trial] = []
    mass = mass_doubt = setting = setting_doubt = 0.0
    rates, held = [clock.true_rate()], []
    for _ in range(MOST_TRIALS):
        present = clock.read()
        rows.append(
            Trial(
                present.rate_s_per_day,
                mass,
                setting,
                mass_doubt_g=mass_doubt,
                setting_doubt=setting_doubt,
                timebase="recorder",
                timebase_s_per_day=present.timebase_s_per_day,
            )
        )
        regulator = Regulator("turns", -TRAVEL, TRAVEL, setting, STEP)
        advice = correct(
            learn(rows, prior), present, stock=stock, regulator=regulator, removable_g=ON_G + mass
        )
        if advice.changes_nothing:
            break
        mass_doubt = setting_doubt = 0.0
        if advice.weights is not None:
            put_on(clock, advice.weights, scale_g)
            mass += advice.weights.total_g
            mass_doubt = advice.weights.doubt_g
        if advice.regulator_move:
            setting += advice.regulator_move
            clock.setting = setting + clock.rng.uniform(-STEP / 2, STEP / 2)
            setting_doubt = regulator.doubt
        rates.append(clock.true_rate())
        expected = advice.expected_rate_s_per_day
        held.append(abs(rates[-1] - expected.nominal_value) <= 1.96 * expected.std_dev)
    return Course(tuple(rates), tuple(held))


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
    for _ in range(MOST_TRIALS):
        clock.mass_g = masses[-1] - rates[-1] / slope
        masses.append(clock.mass_g)
        rates.append(clock.true_rate())
        if abs(rates[-1]) < 0.5:
            break
        slope = (rates[-1] - rates[-2]) / (masses[-1] - masses[-2])
    return Course(tuple(rates), ())


def trials_to(course: Course, within_s_per_day: float) -> float:
    """Trials until the clock is, and stays, within a rate."""
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


WAYS: dict[str, Callable[[BenchClock], Course]] = {
    "torsionbeat, strip measured": lambda clock: regulate(clock, known(clock, "strip measured")),
    "torsionbeat, balance weighed": lambda clock: regulate(clock, known(clock, "balance weighed")),
    "torsionbeat, nothing known": lambda clock: regulate(clock, known(clock, "nothing")),
    "the same, weights weighed": lambda clock: regulate(clock, known(clock, "nothing"), 0.01),
    "rule of three, exact masses": rule_of_three,
    "halving, exact masses": halve,
}


def main() -> None:
    """Print the table."""
    clocks = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"{clocks} clocks, 5 to 25 minutes a day out; weights of {', '.join(f'{g:g}' for g in SIZES_G)} g,")
    print(
        f"each within {TOLERANCE_PERCENT:g} %; regulator known to 40 %; an hour's reading after each trial."
    )
    luck = math.sqrt(0.9 * 0.1 / clocks)
    print(f"So many clocks tell a share of nine in ten to within {luck:.1%} (standard error).\n")
    print(f"{'':30}{'median trials':>15}{'within 5 s':>12}{'within 1 s':>12}{'interval':>10}")
    print(f"{'':30}{'5 s':>8}{'1 s':>7}{'after 2':>12}{'after 3':>12}{'held':>10}")
    for name, way in WAYS.items():
        start = time.perf_counter()
        courses = run(clocks, 7, way)
        held = [one for course in courses for one in course.held]
        five, one = (np.median([trials_to(course, limit) for course in courses]) for limit in (5, 1))
        print(
            f"{name:30}{five:8.0f}{one:7.0f}"
            f"{share_within(courses, 5, 2):12.1%}{share_within(courses, 1, 3):12.1%}"
            + (f"{np.mean(held):10.1%}" if held else f"{'':10}")
            + f"   {time.perf_counter() - start:.0f} s"
        )


if __name__ == "__main__":
    main()
