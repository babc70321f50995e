"""Seeded clocks whose every figure is known: what each stated interval is held against.

Without any sound: the twin's beats (or a closed form) with the noise of single sounds, slow wander, few beats and gaps.
Loaded by path (there are no packages among the tests), by ``tests/reading/test_coverage.py``, which is quick, and by
``tests/benchmarks/coverages.py``, which prints the table.

A case is a function of a seed that gives rows (figure, stated value, truth); a value that was not stated is None.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np
from uncertainties import ufloat

from torsionbeat.hearing.heard import Heard, HeardSounds
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.mean_arc import EDGE_S
from torsionbeat.reading.measuring import reading_of
from torsionbeat.sound.timebase import ClockRow, host_timebase, stated_timebase, unknown_timebase
from torsionbeat.twin import Balance, Drive, Escapement, TwinClock

COVERAGE = 1.96
RATE_HZ = 48_000
LIFT_DEG = 20.0

Row = tuple[str, Any, float]


def heard_of(beats, rng, *, duration_s, jitter_s, missed, gap, crystal_ppm):
    """What an ideal listener hands on of these beats: each sound a little off, each kind of sound off as a whole."""
    kept = [beat for beat in beats if np.isfinite(beat.drop_s) and rng.random() >= missed]
    kept = [beat for beat in kept if not gap[0] <= beat.middle_s < gap[1]]
    number = np.array([beat.number + (beat.side == "b") - beat.number % 2 for beat in kept])
    parts = []
    for kind, mark in (("contact", "contact_s"), ("drop", "drop_s")):
        edge = EDGE_S * rng.standard_normal(2)[number % 2]
        time = (
            np.array([getattr(beat, mark) for beat in kept])
            + edge
            + jitter_s * rng.standard_normal(len(kept))
        )
        ones = np.ones(len(kept))
        sample = time * RATE_HZ * (1 + crystal_ppm * 1e-6)
        parts.append(
            HeardSounds(
                number, np.full(len(kept), kind), sample, 20 * ones, 50 * ones, ones > 0, 0 * ones, 0 * ones
            )
        )
    period = np.mean([beat.middle_s for beat in kept[2:]]) - np.mean([beat.middle_s for beat in kept[:-2]])
    gaps = () if gap[1] <= gap[0] else (tuple(round(second * RATE_HZ) for second in gap),)
    heard = Heard(
        samples=round(duration_s * RATE_HZ),
        sample_rate_hz=RATE_HZ,
        channel=0,
        channels=1,
        period_samples=period * RATE_HZ,
        sounds=HeardSounds.joined(parts),
        gaps=gaps,
        peak=0.1,
        standing_db=20.0,
    )
    return heard, kept


def truth_of(beats):
    """Mean period, beat error (ms) and arc over the stretch from the first beat heard to the last.

    A beat is the middle, in time, between contact and drop, as the reading has it.
    """

    def middle(beat):
        return (beat.contact_s + beat.drop_s) / 2

    span = periods = 0.0
    for side in "ab":
        mine = [beat for beat in beats if beat.side == side]
        span += middle(mine[-1]) - middle(mine[0])
        periods += (mine[-1].number - mine[0].number) / 2
    there, back = [], []
    for first, second in itertools.pairwise(beats):
        (there if first.side == "a" else back).append(middle(second) - middle(first))
    return (
        span / periods,
        1e3 * (np.mean(there) - np.mean(back)) / 2,
        float(np.mean([beat.arc_deg for beat in beats])),
    )


def reading_case(beats_low, beats_high, *, wander_high=0.0, missed_high=0.0, with_gap=False):
    """Readings of clocks of 15 and 60 s: so many beats, a drive that wanders by up to so many per cent."""

    def case(seed: int) -> list[Row]:
        rng = np.random.default_rng([seed, beats_low, beats_high])
        period = float(rng.choice([15.0, 60.0]))
        count = int(np.exp(rng.uniform(np.log(beats_low), np.log(beats_high))))
        offset = float(rng.uniform(-4, 4))
        wander = float(rng.uniform(0, wander_high))
        clock = TwinClock(
            Balance(period, q=300),
            Escapement(lift_deg=LIFT_DEG, offset_deg=offset),
            Drive(arc_deg=float(rng.uniform(260, 480)), wander_percent=wander),
            period_walk_ppm_per_sqrt_h=float(rng.choice([0.0, 2.0])) if wander else 0.0,
            start_s=-1.5
            * 300
            * period
            / (2 * np.pi),  # 1.5 settling times, so that the arc wanders as it does for good
        )
        duration_s = count * period / 2
        beats, _ = clock.run(duration_s, seed)
        first = 0.3 * duration_s
        gap = (first, first + 0.15 * duration_s) if with_gap else (0.0, 0.0)
        crystal_ppm = float(rng.uniform(-50, 50))
        stated = bool(rng.random() < 0.5)
        heard, kept = heard_of(
            beats,
            rng,
            duration_s=duration_s,
            jitter_s=float(np.exp(rng.uniform(np.log(2e-4), np.log(5e-3)))),
            missed=float(rng.uniform(0, missed_high)),
            gap=gap,
            crystal_ppm=crystal_ppm,
        )
        timebase = stated_timebase(crystal_ppm + rng.standard_normal(), 1.0) if stated else unknown_timebase()
        reading = reading_of(heard, Clock("", period, LIFT_DEG), timebase, "night")
        whole = [beat for beat in beats if kept[0].number <= beat.number <= kept[-1].number]
        if reading.stretch_s is not None:  # a wander taken for a lost drive: the figures are of a part
            first_s, last_s = reading.stretch_s
            whole = [
                beat for beat in whole if first_s - 0.1 <= (beat.contact_s + beat.drop_s) / 2 <= last_s + 0.1
            ]
        mean_s, error_ms, arc = truth_of(whole)
        return [
            ("period" if stated else "period, crystal unknown", reading.period_s, mean_s),
            (
                "rate" if stated else "rate, crystal unknown",
                reading.rate_s_per_day,
                86_400 * (period / mean_s - 1),
            ),
            ("beat error", reading.beat_error_ms, error_ms),
            ("offset", reading.offset_deg, offset),
            ("arc", reading.arc_deg, arc),
            ("trend of the arc", reading.arc_trend_deg_per_hour, 0.0),
        ]

    return case


def free_swing_case(seed: int) -> list[Row]:
    """Free swings of air drag, dry rubbing or both, heard beat by beat or counted by eye a few times."""
    from torsionbeat.regulation.freeswing import free_swing
    from torsionbeat.theory.decay import arc_at_deg

    rng = np.random.default_rng([seed, 31])
    period, q = float(rng.choice([15.0, 60.0])), float(rng.uniform(200, 900))
    by_eye = bool(rng.random() < 0.4)
    count = int(rng.integers(6, 14)) if by_eye else int(rng.integers(40, 300))
    error_deg = 3.0 if by_eye else None
    at = np.linspace(0, 0.5 * q * period / np.pi, count)
    start = 400.0
    share_dry = 0.0 if rng.random() < 0.5 else float(rng.uniform(0.2, 0.8))
    loss = np.pi / (q * period)  # at the first arc
    air, dry = loss * (1 - share_dry), loss * share_dry * start
    arc = np.asarray(arc_at_deg(at, start, air, dry))
    arc = arc + (rng.uniform(-3, 3, count) if by_eye else rng.normal(0, 0.7, count))
    result = free_swing(at, arc, period, reading_error_deg=error_deg, at_arc_deg=330.0)
    truth = np.pi / (period * (air + dry / 330.0))
    return [
        ("Q of a free swing", result.q, truth),
        ("settling time", result.settling_time_s, truth * period / (2 * np.pi)),
    ]


def settling_case(seed: int) -> list[Row]:
    """Arcs on their way to a steady value, with a drive that wanders a little."""
    from torsionbeat.reading.arc_course import settling_of

    rng = np.random.default_rng([seed, 32])
    tau = float(np.exp(rng.uniform(np.log(600), np.log(3000))))
    beat = 7.5
    count = int(rng.uniform(1.2, 3.0) * tau / beat)
    time = beat * np.arange(count)
    wander = np.zeros(count)
    for row in range(1, count):
        wander[row] = 0.97 * wander[row - 1] + 0.15 * rng.standard_normal()
    arc = 430 - float(rng.uniform(25, 70)) * np.exp(-time / tau) + wander + rng.normal(0, 0.5, count)
    found = settling_of(time, arc)
    stated = None
    if found is not None and np.isfinite(found.time_constant_s):
        low, high = found.time_constant_low_s, found.time_constant_high_s
        stated = ufloat((low + high) / 2, (high - low) / 2 / COVERAGE)
    return [("time constant of settling", stated, tau)]


def temperature_case(seed: int) -> list[Row]:
    """A day of a clock that follows its room, and wanders besides."""
    from torsionbeat.regulation.room import Room
    from torsionbeat.regulation.temperature import temperature_effect

    rng = np.random.default_rng([seed, 33])
    hours = float(rng.uniform(10, 36))
    grid = np.arange(0, 3600 * hours + 1, 600.0)
    kelvin = 1.5 * np.sin(2 * np.pi * grid / 86_400 + rng.uniform(0, 6)) + 0.5 * np.sin(
        grid / rng.uniform(5e3, 2e4)
    )
    red = np.zeros(grid.size)
    size = float(rng.uniform(0, 0.6))
    for row in range(1, grid.size):
        red[row] = 0.9 * red[row - 1] + size * rng.standard_normal()
    count = int(3600 * hours / 7.5)
    at = 7.5 * np.arange(count)
    gained = np.cumsum(np.interp(at, grid, -13.7 * kelvin + red)) * 7.5 / 86_400
    time = at - gained + 1e-3 * rng.standard_normal(count)
    effect = temperature_effect(time, np.arange(count), 15.0, Room(grid, 20 + kelvin, None, False))
    return [("temperature coefficient", effect.s_per_day_per_k, -13.7)]


def hand_check_case(seed: int) -> list[Row]:
    """Two to eight sightings of the minute hand over some days, each read to within so many seconds."""
    from torsionbeat.regulation.handcheck import HandSighting, hand_check

    rng = np.random.default_rng([seed, 34])
    count, error = int(rng.integers(2, 9)), float(rng.uniform(2, 15))
    at = np.sort(rng.uniform(0, 7 * 86_400, count))
    at[0], at[-1] = 0.0, 7 * 86_400.0
    rate = float(rng.uniform(-20, 20))
    hand = 40 + rate * at / 86_400 + rng.uniform(-error, error, count)
    check = hand_check([HandSighting(when, seen, error) for when, seen in zip(at, hand, strict=True)])
    return [("hand check", check.rate_s_per_day, rate)]


def timebase_case(seed: int) -> list[Row]:
    """A journal of arrivals against the computer's clock, with interruptions.

    The clock is kept by network time and right to within 30 ms at either end: "a few tens of milliseconds", D. L. Mills,
    RFC 1128, 1989.
    """
    rng = np.random.default_rng([seed, 35])
    seconds = np.arange(60 * float(rng.integers(10, 120)))
    ppm = float(rng.uniform(-80, 80))
    frame = np.floor(seconds * RATE_HZ * (1 + ppm * 1e-6)).astype(np.int64)
    seen = seconds + rng.normal(0, 3e-3, seconds.size) + rng.exponential(3e-3, seconds.size)
    stretch = np.zeros(seconds.size, np.int64)
    for _ in range(int(rng.integers(0, 3))):
        cut = int(rng.uniform(0.2, 0.8) * seconds.size)
        stretch[cut:] += 1
        frame[cut:] += round(float(rng.uniform(-0.05, 0.05)) * RATE_HZ)
    first_s, last_s = rng.uniform(-0.030, 0.030, 2)
    seen += np.linspace(first_s, last_s, seconds.size)
    ns = np.round(1e9 * seen).astype(np.int64)
    rows = [
        ClockRow(int(part), int(at), 5_000_000_000 + int(when), 1_700_000_000_000_000_000 + int(when))
        for part, at, when in zip(stretch, frame, ns, strict=True)
    ]
    found = host_timebase(rows, RATE_HZ, True)
    return [
        ("timebase by the computer's clock", ufloat(found.offset_ppm, found.standard_uncertainty_ppm), ppm)
    ]


def nights_case(seed: int) -> list[Row]:
    """Means, medians and differences of nights of correlated arcs, as histories are held against each other."""
    from torsionbeat.reading.intervals import block_mean, median_over_blocks, welch

    rng = np.random.default_rng([seed, 36])

    def night(mean):
        wander = np.zeros(400)
        for row in range(1, 400):
            wander[row] = 0.9 * wander[row - 1] + 0.4 * rng.standard_normal()
        return mean + wander + rng.standard_normal(400)

    time = np.arange(400.0)
    before = [block_mean(time, night(10.0)) for _ in range(int(rng.integers(1, 4)))]
    after = [block_mean(time, night(12.0)) for _ in range(int(rng.integers(1, 4)))]
    return [
        ("mean over blocks", before[0], 10.0),
        ("median over blocks", median_over_blocks(time, night(10.0)), 10.0),
        ("difference of two groups of nights", welch(before, after), 2.0),
    ]


def promise_case(seed: int) -> list[Row]:
    """A clock answers to weights and regulator as its prior allows, and differs from night to night; after some trials
    its next night is promised. The road through the commands: ``tests/benchmarks/regulation.py``.
    """
    from torsionbeat.learning.learn import learn
    from torsionbeat.learning.response import Response, per_unit_from_effect
    from torsionbeat.learning.trials import Trial

    rng = np.random.default_rng([seed, 37])
    prior = Response(ufloat(0.0035, 0.0012), per_unit_from_effect(20, 5))
    per_gram = 0.0035 * np.exp(rng.normal(0, np.sqrt(np.log1p((0.0012 / 0.0035) ** 2))))
    per_unit = rng.normal(prior.per_unit.nominal_value, prior.per_unit.std_dev)
    level, mass, setting = rng.normal(0, 0.02), 0.0, 0.0
    told_g, told_units, rows = 0.0, 0.0, []
    wander = float(np.exp(rng.normal(0, 1)))  # s/day from night to night

    def rate() -> float:
        square = np.exp(level) * (1 + per_gram * mass) * (1 + per_unit * setting)
        return float(86_400 * (square**-0.5 - 1) + wander * rng.standard_normal())

    for trial in range(int(rng.integers(1, 5))):
        touched = float(trial > 0)
        add, move = touched * rng.normal(0, 3), touched * rng.normal(0, 1)
        told_g, told_units = told_g + add, told_units + move
        mass += add + touched * rng.normal(0, 0.02)
        setting += move + touched * rng.normal(0, 0.01)
        level += touched * 2 / 86_400 * rng.normal(0, 0.2)
        read = ufloat(rate() + rng.normal(0, 0.3), 0.3)
        rows.append(
            Trial(read, told_g, told_units, mass_doubt_g=0.02 * touched, setting_doubt=0.01 * touched)
        )
    mass, setting = mass + 4, setting + 0.5
    return [("promise of the next step", learn(rows, prior).expected_rate_s_per_day(4.0, 0.5), rate())]


RECTANGLES = ("period, crystal unknown", "rate, crystal unknown")
"""Figures whose doubt is mostly a rectangle's: 1.96 u reaches over its ends, so that it holds always."""

CASES: dict[str, Callable[[int], list[Row]]] = {
    "few beats": reading_case(12, 30),
    "steady": reading_case(60, 300),
    "wandering drive": reading_case(60, 400, wander_high=3.0),
    "few beats, wandering drive": reading_case(16, 60, wander_high=2.0),
    "missed beats and a gap": reading_case(60, 300, wander_high=2.0, missed_high=0.3, with_gap=True),
    "free swing": free_swing_case,
    "settling": settling_case,
    "temperature": temperature_case,
    "hands": hand_check_case,
    "timebase": timebase_case,
    "nights": nights_case,
    "promise": promise_case,
}


def pulls(rows):
    """Error over standard uncertainty of every stated value, by figure."""
    found: dict[str, list[float]] = {}
    for name, value, truth in rows:
        if value is not None:
            found.setdefault(name, []).append((value.nominal_value - truth) / value.std_dev)
    return found


__all__ = ["CASES", "COVERAGE", "RECTANGLES", "pulls"]
