"""Signs in the arc: its level, its course in one night, from night to night, and in a free swing.

Thresholds in degrees are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.history.daily_findings import BELLOWS, arc_step, step_signs
from torsionbeat.history.finding import Finding, beyond, pm
from torsionbeat.history.nights import Night
from torsionbeat.history.shared_doubt import recorded_again_deg
from torsionbeat.reading.arc_course import arc_course
from torsionbeat.reading.figures import FloatArray, Reading
from torsionbeat.reading.intervals import slope_per_day
from torsionbeat.theory.robust import COVERAGE

__all__ = ["Decay", "course_signs", "decay_signs", "history_signs", "level_signs"]

LEAST_MARGIN_DEG = 5.0
"""How far two nights of one clock may differ (common practice, no source)."""
LEAST_MOVE_DEG = 8.0
"""Twice the wander that a healthy drive causes in a night (common practice, no source)."""
LEAST_WANDER_DEG = 6.0
"""Twice the difference of a healthy clock's arc from night to night (common practice, no source)."""
BY_CHANCE = 0.01
"""Probability that nights of a steady clock differ so much, by the uncertainty of their readings alone."""
LEAST_RANGE_DEG = 15.0
"""Half an ornament of twelve: it would be seen by eye (common practice, no source)."""
LEAST_FALL_DEG = 12.0
"""More than warmth and winding cause in a week or two (common practice, no source)."""
LEAST_FALL_DAYS = 13.5
"""Two weeks of evenings, less half a day: oil does not thicken in less."""
LEAST_DRY_SHARE = 0.25
"""Rubbing that causes less than a quarter of the loss hardly shows in the rate (common practice, no source)."""
AKAIKE_CLEAR = 10.0
"""Difference of Akaike's criterion that leaves the poorer law no support (Burnham and Anderson 2002, 2.6)."""

RECENT_WORK = timedelta(days=7)
"""A new strip settles for days; after a week the work is no longer the likely cause (common practice, no source)."""

LOCK = "Lock the balance before the clock is moved or its suspension touched; strips are sharp, and kink."
SOLVENTS = (
    "Let the power down before the train is taken apart; solvents need ventilation, gloves and no flame."
)


@dataclass(frozen=True, slots=True)
class Decay:
    """A free swing: arcs (deg, end to end) and their times (s), shape (n,), and the full period (s)."""

    time_s: FloatArray
    arc_deg: FloatArray
    period_s: float


def level_signs(reading: Reading) -> Iterator[Finding]:
    """Arc above or below the clock's limits, and too near the knock."""
    clock, arc = reading.clock, reading.arc_deg
    if arc is None:
        return
    value, half = arc.nominal_value, COVERAGE * arc.std_dev
    said = f"arc (amplitude end to end) {pm(arc, 1)} deg"
    if clock.arc_low_deg is not None and value + half < clock.arc_low_deg:
        yield Finding(
            "arc low",
            "The arc is below the clock's healthy range.",
            (said, f"the healthy arc begins at {clock.arc_low_deg:g} deg"),
            "clear",
            "Power first: winding or bellows; then a clean train and escapement; then the suspension.",
            SOLVENTS,
        )
    if clock.arc_high_deg is not None and value - half > clock.arc_high_deg:
        yield Finding(
            "arc high",
            "The arc is above the clock's healthy range.",
            (said, f"the healthy arc ends at {clock.arc_high_deg:g} deg"),
            "clear",
            "Whether the lift given is right; then too strong a drive, or too deep an engagement.",
            LOCK,
        )
    if clock.knock_arc_deg is not None:
        yield from _knock_sign(reading, clock.knock_arc_deg, said)


def _knock_sign(reading: Reading, knock_arc_deg: float, said: str) -> Iterator[Finding]:
    from torsionbeat.theory.swing import knock_margin_deg

    arcs = reading.swings.arc_deg[np.isfinite(reading.swings.arc_deg)]
    largest = float(np.percentile(arcs, 98)) if arcs.size >= 20 else reading.arc_deg.nominal_value
    offset = 0.0 if reading.offset_deg is None else reading.offset_deg.nominal_value
    margin = float(knock_margin_deg(largest, knock_arc_deg, offset))
    doubt = COVERAGE * reading.arc_deg.std_dev / 2
    if margin - doubt >= LEAST_MARGIN_DEG:
        return
    knocks = margin <= 0
    yield Finding(
        "knock near",
        f"The roller {'knocks' if knocks else 'comes near to knocking'} against the fork.",
        (
            said,
            f"the largest arcs reach {largest:.0f} deg, the knock is at {knock_arc_deg:g} deg",
            f"way left at the nearer turning point {margin:.1f} ± {doubt:.1f} deg"
            + (f", {abs(offset):.1f} deg of it taken by the offset" if abs(offset) >= 0.5 else ""),
        ),
        "clear" if margin + doubt < LEAST_MARGIN_DEG else "likely",
        "Set the beat first, which gives back the offset; then look for too strong a drive.",
        LOCK,
    )


def course_signs(night: Night, works: Sequence[datetime] = ()) -> Iterator[Finding]:
    """Settling after work, and steps of the drive, in one night."""
    course = arc_course(night.reading.swings)
    if course is None or abs(course.moved_deg) < max(LEAST_MOVE_DEG, 4 * course.scatter_deg):
        return
    way = "grew" if course.moved_deg > 0 else "fell"
    constant_h = course.time_constant_s / 3600
    moved = (
        f"the arc {way} by {abs(course.moved_deg):.0f} deg, blocks scatter by {course.scatter_deg:.1f} deg"
    )
    if course.shape == "settling":
        recent = [
            work
            for work in works
            if night.taken_at is not None and timedelta(0) <= night.taken_at - work <= RECENT_WORK
        ]
        left = course.final_deg - _last_arc(night.reading)
        yield Finding(
            "settling",
            "The arc was still settling."
            if not recent
            else f"The arc was still settling after the work of {max(recent):%Y-%m-%d}.",
            (
                moved,
                f"it follows an exponential with a time constant of {constant_h:.1f} h",
                f"{abs(left):.0f} deg were left, a twentieth of them after {3 * constant_h:.0f} h more",
            ),
            "clear" if recent else "likely",
            "Nothing yet: wait until the arc is steady before you judge rate, beat or arc, and listen again.",
            LOCK,
        )
    elif course.shape == "step":
        yield Finding(
            "drive steps",
            f"The drive {'rose' if course.moved_deg > 0 else 'fell'} at one moment of the night.",
            (
                moved,
                f"it was steady until {course.at_s / 3600:.1f} h from the start, then an exponential "
                f"with a time constant of {constant_h:.1f} h",
            ),
            "likely",
            "In an air-driven clock the warmth of the day: listen for a whole day. Else a "
            "mainspring whose coils bind and slip, or a rough place in the train that comes with its wheel.",
            BELLOWS,
        )


def history_signs(nights: Sequence[Night]) -> Iterator[Finding]:
    """Arc stepping, wandering from day to day or falling over weeks; no work may lie between the ``nights``."""
    known = [night for night in nights if night.taken_at is not None and night.reading.arc_deg is not None]
    if len(known) < 4:
        return
    dates = [night.taken_at for night in known if night.taken_at is not None]
    arcs = np.array([night.reading.arc_deg.nominal_value for night in known])
    days = np.array([(when - dates[0]).total_seconds() / 86_400 for when in dates])
    if not days[-1] > 0:
        return
    step = arc_step(days, arcs)
    if step is not None:  # two levels: neither wander nor a fall
        yield from step_signs(dates, step, len(arcs))
        arcs = arcs + np.where(np.arange(len(arcs)) < step.first_after, 1, 0) * (
            step.after_deg - step.before_deg
        )
    doubt_deg = np.array([recorded_again_deg(night.reading) for night in known])
    yield from _wander_sign(days, arcs, float(np.sqrt(np.mean(doubt_deg**2))))
    yield from _fall_sign(dates, days, arcs)


def _wander_sign(days: FloatArray, arcs: FloatArray, doubt_deg: float) -> Iterator[Finding]:
    """An arc that differs from one reading to the next, about its own line, by more than their own doubt makes of it."""
    from scipy.special import chdtri

    rest = arcs - np.polyval(np.polyfit(days, arcs, 1), days)
    wander = float(np.sqrt(np.mean(np.diff(rest) ** 2) / 2))
    by_chance_deg = doubt_deg * float(np.sqrt(chdtri(len(arcs) - 1, BY_CHANCE) / (len(arcs) - 1)))
    if wander < np.hypot(LEAST_WANDER_DEG, by_chance_deg) or float(np.ptp(rest)) < LEAST_RANGE_DEG:
        return
    yield Finding(
        "arc wanders",
        "The arc wanders from day to day.",
        (
            f"{len(arcs)} readings over {days[-1]:.0f} days lie between {arcs.min():.0f} and "
            f"{arcs.max():.0f} deg",
            f"from one to the next they differ by {wander * np.sqrt(2):.0f} deg (root mean square)",
            f"their own uncertainty explains {doubt_deg * np.sqrt(2):.1f} deg of that",
        ),
        "clear" if len(arcs) >= 6 and wander >= np.hypot(1.5 * LEAST_WANDER_DEG, by_chance_deg) else "likely",
        "The suspension, for a kink or a tired strip; then the level of the clock; then an uneven drive.",
        LOCK,
    )


def _fall_sign(dates: Sequence[datetime], days: FloatArray, arcs: FloatArray) -> Iterator[Finding]:
    """An arc that falls over weeks."""
    slope = slope_per_day(dates, arcs) if len(arcs) >= 5 and days[-1] >= LEAST_FALL_DAYS else None
    if slope is None or slope.nominal_value >= 0:
        return
    line = np.polyval(np.polyfit(days, arcs, 1), days)
    fall = -slope.nominal_value * days[-1]
    if fall >= LEAST_FALL_DEG and beyond(slope, 0.0):
        yield Finding(
            "arc falls",
            "The arc has been falling for weeks.",
            (
                f"{len(arcs)} readings over {days[-1]:.0f} days fall by {pm(-slope, 2)} deg a day",
                f"in all by {fall:.0f} deg, to {line[-1]:.0f} deg",
            ),
            "clear" if fall >= 2 * LEAST_FALL_DEG else "likely",
            "Dirt and thickened oil in train and escapement, then loss of power (winding or bellows).",
            SOLVENTS,
        )


def decay_signs(decay: Decay) -> Iterator[Finding]:
    """Something rubs: a free swing that loses the same angle with every swing."""
    from torsionbeat.theory.decay import compare_laws

    try:
        fits = {fit.law: fit for fit in compare_laws(decay.time_s, decay.arc_deg)}
    except InputError:
        return
    best = min(fits.values(), key=lambda fit: fit.aicc)
    arc = float(np.nanmedian(decay.arc_deg))
    if best.law == "air" or fits["air"].aicc - best.aicc < AKAIKE_CLEAR:
        return
    dry = best.dry_deg_per_s * (decay.period_s / 2)
    loss = best.loss_deg_per_swing(arc, decay.period_s).nominal_value
    if not beyond(dry, 0.0) or dry.nominal_value <= 0 or loss <= 0:
        return
    share = min(dry.nominal_value / loss, 1.0)
    if share < LEAST_DRY_SHARE:
        return
    yield Finding(
        "something rubs",
        "The free swing falls along a straight line: something rubs.",
        (
            f"every swing loses {pm(dry, 3)} deg whatever the arc, {100 * share:.0f} % of the loss at "
            f"{arc:.0f} deg",
            f"Akaike's criterion prefers it to drag alone by {fits['air'].aicc - best.aicc:.0f}",
        ),
        "clear" if share >= 2 * LEAST_DRY_SHARE else "likely",
        "The balance or its guard touching, the fork rubbing on the anchor pin, a roller that drags; then a "
        "suspension block that is loose.",
        LOCK,
    )


def _last_arc(reading: Reading) -> float:
    known = reading.swings.arc_deg[np.isfinite(reading.swings.arc_deg)]
    return float(np.mean(known[-10:]))
