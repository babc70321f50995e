"""Signs in the beat: one side unlike the other, a beat setting that slips, and what the rate follows.

Thresholds are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.history.finding import SURE, Finding, beyond, pm
from torsionbeat.history.nights import Night
from torsionbeat.history.sound_rows import between_sides_db
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import FloatArray, Reading, UFloat
from torsionbeat.reading.intervals import LEAST_BLOCKS, block_count, block_mean, block_means
from torsionbeat.theory.rate import DAY_S, fit_beats, student_factor

__all__ = ["follow_signs", "side_signs", "slip_signs"]

LEAST_LOUDER_DB = 8.0
"""The sides of a healthy clock need not sound alike: of 40 simulated clocks with voices drawn at random for either side,
one in six differed by 6 dB or more as heard in the room, and one by 8 dB."""

LEAST_LONGER_SHARE = 0.04
"""Twice the difference between the lifts of one clock (common practice, no source)."""
LEAST_SLIP_DEG = 0.5
"""More than the scatter of offsets read from parts of a night (common practice, no source)."""
LEAST_SLIP_BETWEEN_NIGHTS_DEG = 1.0
"""Twice the slip within a night: lift and arc of two nights differ too (common practice, no source)."""
LEAST_SLIP_OF_PERIOD = 1e-3
"""Slip that counts where the arc is not known: beat error as a share of the period (about half a degree)."""

LEAST_EFFECT_S_PER_DAY = 1.5
"""Less is not worth finding a cause for (common practice, no source)."""
LEAST_SLOPE_PER_DEG = 0.1
"""Rate per degree of arc (s/day) that counts; a healthy strip gives some hundredths."""

LEAST_CORRELATION = 0.75
"""The cause then explains more than half of the variance of the rate's changes."""
BY_CHANCE = 5e-4
"""Greatest probability that chance alone makes the rate seem to follow something."""

SLIP_BLOCKS = 12
"""Half an hour to an hour each in a night: a third of them is four."""
FOLLOW_BLOCKS = 16
"""Half an hour each in a night: shorter ones scatter by more than the rate changes."""
LEAST_NIGHTS = 6
"""Five steps: with fewer, chance alone reaches such correlations."""

TOUCH = "Lock the balance before fork, pallets or beat setting are touched; move them a little at a time."
STRIP = "Lock the balance before the suspension is touched; strips are sharp and kink easily."


def side_signs(reading: Reading) -> Iterator[Finding]:
    """One side's drop louder than the other's, or its lift passage longer."""
    louder = between_sides_db(reading, "drop")
    if louder is not None and beyond(louder, LEAST_LOUDER_DB):
        side, other = ("b", "a") if louder.nominal_value > 0 else ("a", "b")
        yield Finding(
            "one side louder",
            f"The drop of side {side} is louder than that of side {other}.",
            (f"by {pm(_size(louder), 1)} dB, over {len(reading.swings)} beats",),
            "likely",
            "The setting of fork and pallets on that side: more drop there means more room before the tooth "
            "lands. Turn the microphone to the other side first: the louder side may only be the nearer one.",
            TOUCH,
        )
    longer = _longer_share(reading)
    if longer is not None and beyond(longer, LEAST_LONGER_SHARE):
        side, other = ("b", "a") if longer.nominal_value > 0 else ("a", "b")
        passages = {s: _passage_ms(reading, s) for s in "ab"}
        yield Finding(
            "one side longer",
            f"The lift passage of side {side} is longer than that of side {other}.",
            (
                f"by {pm(100 * _size(longer), 1)} %",
                f"side a {passages['a']:.0f} ms, side b {passages['b']:.0f} ms",
            ),
            "likely",
            "Fork and pallets: one side lifts over a larger angle than the other.",
            TOUCH,
        )


def slip_signs(nights: Sequence[Night]) -> Iterator[Finding]:
    """A beat setting that slips within the last night or from night to night; no work between the nights."""
    if not nights:
        return
    reading = nights[-1].reading
    slip = _slip_within(reading)
    if slip is not None:
        yield slip
        return
    known = [night.reading for night in nights if night.reading.offset_deg is not None]
    if len(known) < 2:
        return
    change = known[-1].offset_deg - known[0].offset_deg
    if beyond(change, LEAST_SLIP_BETWEEN_NIGHTS_DEG):
        yield _slip_finding(
            f"the offset went from {pm(known[0].offset_deg, 2)} to {pm(known[-1].offset_deg, 2)} deg over "
            f"{len(known)} readings",
            f"a change of {pm(change, 2)} deg",
        )


def follow_signs(nights: Sequence[Night]) -> Iterator[Finding]:
    """The rate following the arc (within the last night or over nights) or the temperature (over nights)."""
    if not nights:
        return
    arcs, rates = _rate_and_arc(nights[-1].reading)
    found = _follows(arcs, rates, LEAST_SLOPE_PER_DEG)
    if found is not None:
        yield _arc_finding(found, arcs, "within the night")
    known = [
        night.reading
        for night in nights
        if night.reading.arc_deg is not None and night.reading.rate_s_per_day is not None
    ]
    rates = np.array([reading.rate_s_per_day.nominal_value for reading in known])
    arcs = np.array([reading.arc_deg.nominal_value for reading in known])
    if found is None and len(known) >= LEAST_NIGHTS:
        found = _follows(arcs, rates, LEAST_SLOPE_PER_DEG)
        if found is not None:
            yield _arc_finding(found, arcs, f"over {len(known)} nights")
    warm = [
        night
        for night in nights
        if night.temperature_c is not None and night.reading.rate_s_per_day is not None
    ]
    if len(warm) < LEAST_NIGHTS:
        return
    kelvin = np.array([night.temperature_c for night in warm], float)
    rates = np.array([night.reading.rate_s_per_day.nominal_value for night in warm])
    found = _follows(kelvin, rates)
    if found is not None:
        slope, correlation, effect = found
        yield Finding(
            "rate follows temperature",
            "The rate follows the temperature.",
            (
                f"{pm(slope, 2)} s a day per kelvin over {len(warm)} nights, correlation {correlation:.2f}",
                f"the {np.ptp(kelvin):.1f} K between them make {effect:.1f} s a day",
            ),
            "clear" if len(warm) >= 10 else "likely",
            "The material of the suspension strip: the right alloy compensates most of it. Keep the "
            "clock from sun and heating while you regulate.",
            STRIP,
        )


def _longer_share(reading: Reading) -> UFloat:
    """How much longer the lift passage of side b is than that of side a, as a share of it, by blocks."""
    swings = reading.swings
    heard = np.isfinite(swings.lift_passage_s)
    sides = [heard & (swings.side == side) for side in "ab"]
    blocks = block_count(min(int(np.count_nonzero(mine)) for mine in sides))
    if blocks < LEAST_BLOCKS:
        return None
    a, b = (block_means(swings.time_s[mine], swings.lift_passage_s[mine], blocks) for mine in sides)
    return block_mean(np.repeat(np.arange(blocks), 3), np.repeat(b / a - 1, 3), blocks)


def _passage_ms(reading: Reading, side: str) -> float:
    return 1e3 * float(np.nanmean(reading.swings.lift_passage_s[reading.swings.side == side]))


def _slip_within(reading: Reading) -> Finding | None:
    from torsionbeat.theory.swing import offset_deg

    swings = reading.swings
    try:
        fit = fit_beats(middles_s(swings), swings.number, swings.side)
    except InputError:
        return None
    if fit.beat_error_s is None:  # only one side was heard
        return None
    rest = fit.residual_s
    # Half of (a to b minus b to a) changes by as much as side b moves relative to side a.
    a, b = (
        block_means(swings.time_s[swings.side == side], rest[swings.side == side], SLIP_BLOCKS)
        for side in "ab"
    )
    error_ms = 1e3 * (b - a) + 1e3 * fit.beat_error_s.nominal_value
    error_ms = error_ms[np.isfinite(error_ms)]
    if error_ms.size < 8:
        return None
    period = fit.period_s.nominal_value
    third = error_ms.size // 3
    if reading.arc_deg is not None:
        arcs = block_means(swings.time_s, swings.arc_deg, SLIP_BLOCKS)
        arcs = arcs[np.isfinite(arcs)][: error_ms.size]
        if arcs.size != error_ms.size:
            arcs = np.full(error_ms.size, reading.arc_deg.nominal_value)
        values = np.array([offset_deg(e, arc, period) for e, arc in zip(error_ms, arcs, strict=True)])
        threshold, unit, digits, what = LEAST_SLIP_DEG, "deg", 2, "offset"
    else:
        values, threshold, unit, digits, what = (
            error_ms,
            1e3 * LEAST_SLIP_OF_PERIOD * period,
            "ms",
            1,
            "beat error",
        )
    first, last = float(values[:third].mean()), float(values[-third:].mean())
    # Scatter from block to block, which a steady slip does not enlarge.
    scatter = float(np.sqrt(np.sum(np.diff(values) ** 2) / (2 * (values.size - 1))))
    doubt = student_factor(values.size - 1) * scatter * math.sqrt(2 / third)
    if abs(last - first) < threshold or abs(last - first) <= SURE * doubt:
        return None
    return _slip_finding(
        f"the {what} went from {first:.{digits}f} to {last:.{digits}f} {unit} within the night",
        f"blocks of the night scatter by {scatter:.{digits}f} {unit} from one to the next",
    )


def _slip_finding(*evidence: str) -> Finding:
    return Finding(
        "beat slips",
        "The beat setting slips.",
        evidence,
        "likely",
        "The clamp of the suspension's saddle or of the fork: tighten it, set the beat, and listen again.",
        TOUCH,
    )


def _rate_and_arc(reading: Reading) -> tuple[FloatArray, FloatArray]:
    """Arc (deg) and rate (s/day, about its mean) of blocks of one night."""
    swings = reading.swings
    try:
        fit = fit_beats(middles_s(swings), swings.number, swings.side)
    except InputError:
        return np.zeros(0), np.zeros(0)
    known = np.isfinite(swings.arc_deg)
    edges = np.linspace(swings.time_s[0], swings.time_s[-1], FOLLOW_BLOCKS + 1)
    arcs, rates = [], []
    for low, high in pairwise(edges):
        mine = (swings.time_s >= low) & (swings.time_s <= high)
        if np.count_nonzero(mine & known) < 6:
            continue
        slope = np.polyfit(swings.time_s[mine] - low, fit.residual_s[mine], 1)[0]
        arcs.append(float(np.mean(swings.arc_deg[mine & known])))
        rates.append(-DAY_S * float(slope))
    return np.array(arcs), np.array(rates)


def _follows(
    cause: FloatArray, rate: FloatArray, least_slope: float = 0.0
) -> tuple[Any, float, float] | None:
    """Whether the rate's steps from block to block (or night to night) correlate with those of the cause.

    Steps are used because two quantities that drift always seem to be correlated. Returns the slope, the
    correlation, and the rate's change over the range of the cause.
    """
    from scipy.special import stdtrit
    from uncertainties import ufloat

    if cause.size < LEAST_NIGHTS:
        return None
    x, y = np.diff(cause), np.diff(rate)
    power, other = float(x @ x), float(y @ y)
    if power <= 0 or other <= 0:
        return None
    slope = float(x @ y) / power
    correlation = float(x @ y) / math.sqrt(power * other)
    rest = y - slope * x
    # Neighbouring steps share a value, so a third of them adds nothing new.
    freedom = max(2 * x.size // 3 - 1, 1)
    sigma = math.sqrt(float(rest @ rest) / freedom / power)
    effect = abs(slope) * float(np.ptp(cause))
    if effect < LEAST_EFFECT_S_PER_DAY or abs(correlation) < LEAST_CORRELATION or abs(slope) < least_slope:
        return None
    if abs(slope) <= float(stdtrit(freedom, 1 - BY_CHANCE / 2)) * sigma:
        return None
    found = ufloat(slope, max(student_factor(freedom) * sigma, 1e-12))
    return found, correlation, effect


def _arc_finding(found: tuple[Any, float, float], arcs: FloatArray, where: str) -> Finding:
    slope, correlation, effect = found
    return Finding(
        "rate follows arc",
        "The rate follows the arc.",
        (
            f"{pm(slope, 2)} s a day per degree of arc {where}, correlation {correlation:.2f}",
            f"the {np.ptp(arcs):.0f} deg between the smallest and the largest arc make {effect:.1f} s a day",
        ),
        "likely",
        "First make the arc steady (drive, suspension): the rate then is. A strip twisted far, or one that "
        "binds in its blocks, makes the rate follow the arc more.",
        STRIP,
    )


def _size(figure: UFloat) -> UFloat:
    return figure if figure.nominal_value >= 0 else -figure
