"""How rate and arc wander by themselves: within a recording, and how far one recording may lie from the next.

The rate: Allan deviations at a few averaging times, pooled over nights. The arc: the drive of a healthy clock is not
quite even, and the balance answers slowly; its arc follows over some Q T / (2 pi). A recording much shorter than that
hears the arc on its way, and its mean is not the clock's usual arc. How far off it may be is estimated from how far the
arc moved during the recording.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import FloatArray, Reading, Swings
from torsionbeat.reading.intervals import (
    LEAST_BLOCKS,
    Estimate,
    block_count,
    block_means,
    pooled_spread,
    spread,
)
from torsionbeat.theory.noise import equivalent_degrees_of_freedom
from torsionbeat.theory.rate import DAY_S, fit_beats, student_factor
from torsionbeat.theory.robust import median_deviation, running_median
from torsionbeat.theory.stability import Stability, confidence_limits, phase_on_grid, stability

__all__ = [
    "LEAST_FREEDOM",
    "MEMORY_PERIODS",
    "STABILITY_TIMES_S",
    "arc_spread",
    "arc_wander_deg",
    "pooled_deviations",
    "rate_wander_s_per_day",
    "sound_deviation",
    "stability_of",
]

STABILITY_TIMES_S = (300.0, 900.0, 3600.0, 4 * 3600.0, 12 * 3600.0)
"""Averaging times at which nights are compared: 5 and 15 minutes, 1, 4 and 12 hours."""

LEAST_FREEDOM = 2.0
"""Equivalent degrees of freedom below which a deviation is not used: with 2, its upper limit is six times its value."""


def stability_of(reading: Reading, at_s: Sequence[float] = ()) -> Stability | None:
    """Overlapping Allan deviation of a night's beats, without the offset of the sides; None with too few beats.

    Averaging times are the period times powers of two, and the multiples of the period nearest to ``at_s``. Over whole
    periods each side is compared with itself, so a beat error that changes with the arc does not enter.
    """
    swings = reading.swings
    try:
        fit = fit_beats(middles_s(swings), swings.number, swings.side)
        phase = phase_on_grid(swings.number, fit.residual_s)
        tau0 = fit.period_s.nominal_value / 2
        asked = {2 * round(tau / tau0 / 2) for tau in at_s} - {0}
        factors = {2**k for k in range(1, 24)} | asked
        return stability(phase, tau0, factors=sorted(m for m in factors if m * 3 <= phase.size))
    except InputError:
        return None


def sound_deviation(readings: Sequence[Reading], tau_s: float) -> float:
    """Allan deviation (s/day) that the scatter of single sounds alone causes at an averaging time.

    Notes
    -----
    sqrt(3) sigma / tau for white phase noise (NIST SP 1065, table 2), sigma from the second differences of
    neighbouring beats of one side, which the clock's own slow wander hardly affects.
    """
    squares = []
    for reading in readings:
        swings = reading.swings
        middles = middles_s(swings)
        second = []
        for side in "ab":
            mine = swings.side == side
            number, time = swings.number[mine], middles[mine]
            even = (np.diff(number)[1:] == 2) & (np.diff(number)[:-1] == 2)
            second.append((time[2:] - 2 * time[1:-1] + time[:-2])[even])
        bends = np.concatenate(second)
        if bends.size >= 6:
            squares.append(median_deviation(bends) ** 2 / 6)
    return DAY_S * math.sqrt(3 * float(np.mean(squares))) / tau_s if squares else 0.0


def rate_wander_s_per_day(reading: Reading) -> float:
    """Standard uncertainty of a recording's mean rate, if it is taken for the clock's usual one, to compare two recordings.

    The wander is taken at the longest averaging time with enough degrees of freedom, without the scatter of single sounds.
    It is extrapolated as a random walk of the rate, with the square root of the time, to the length of the recording.
    Student's factor is included.
    """
    curve = stability_of(reading)
    if curve is None:
        return 0.0
    freedom = np.array([_wandering_freedom(reading, curve, row) for row in range(len(curve.tau_s))])
    rows = np.flatnonzero(freedom >= LEAST_FREEDOM)
    if not rows.size:
        return 0.0
    row = int(rows[-1])
    tau_s = float(curve.tau_s[row])
    own = (DAY_S * float(curve.deviation[row])) ** 2 - sound_deviation([reading], tau_s) ** 2
    span_s = float(np.ptp(reading.swings.time_s))
    return student_factor(float(freedom[row])) * math.sqrt(max(own, 0.0) * max(span_s / tau_s, 1.0))


def _wandering_freedom(reading: Reading, curve: Stability, row: int) -> float:
    """Degrees of freedom at an averaging time, at most those that a random walk of the rate leaves."""
    tau_s, freedom = float(curve.tau_s[row]), float(curve.edf[row])
    numbers = reading.swings.number
    points, factor = int(np.ptp(numbers)) + 1, 2 * round(tau_s / float(curve.tau_s[0]))  # first is a period
    return min(freedom, equivalent_degrees_of_freedom(-2, factor, points))


def pooled_deviations(readings: Sequence[Reading]) -> dict[float, Estimate]:
    """Allan deviation in s/day at those of `STABILITY_TIMES_S` for which the nights are long enough.

    Nights are weighted by their degrees of freedom (SP 1065, 5.4.1) at that averaging time, at most those that a
    random walk of the rate leaves. Over an hour or more the rate follows the arc, and one night shows too little of
    that to identify the noise.
    """
    squares: dict[float, list[tuple[float, float]]] = {}
    for reading in readings:
        curve = stability_of(reading, STABILITY_TIMES_S)
        if curve is None or len(curve.tau_s) == 0:
            continue
        for tau in STABILITY_TIMES_S:
            nearest = int(np.argmin(np.abs(np.log(curve.tau_s / tau))))
            if abs(curve.tau_s[nearest] / tau - 1) < 0.1:
                wanted = float(curve.deviation[nearest])
                edf = _wandering_freedom(reading, curve, nearest)
                squares.setdefault(tau, []).append((wanted**2, edf))
    found = {}
    for tau, nights in squares.items():
        freedom = sum(edf for _, edf in nights)
        if freedom >= LEAST_FREEDOM:
            value = DAY_S * float(np.sqrt(sum(square * edf for square, edf in nights) / freedom))
            found[tau] = Estimate(value, *confidence_limits(value, freedom), freedom)
    return found


MEMORY_PERIODS = 120.0
"""Periods over which a balance forgets its drive: Q / (2 pi) with a Q of 750, more than most have (common
practice, no source)."""

SWINGS_PER_MEAN = 6
"""Swings averaged, so that the scatter of single sounds is a small part of the scatter of the means."""

MOST_MEANS = 96
"""Means of a night, a few minutes each: shorter than any memory of a balance."""

STRAY = 8.0
"""A swing's arc that differs from its neighbours' by this many times the usual scatter is a misheard sound: no
balance jumps from one swing to the next and back."""

MOVE_FREEDOM = 3.0
"""Degrees of freedom of the arc's movement in one or two recordings: little more than a line. From the twin: see
tests/history/test_comparison.py."""


def arc_wander_deg(reading: Reading) -> float:
    """Standard uncertainty of a recording's mean arc, if it is taken for the clock's usual one, to compare two recordings.

    Notes
    -----
    A value of variance S^2, whose correlation falls exponentially over a time m, has the variance s^2 = S^2 T / (3 m)
    about its mean over a much shorter stretch T: so S^2 = 3 m s^2 / T. Over a much longer stretch the variance of the
    mean is 2 m S^2 / T, which is less. Student's factor is included.
    """
    swings, period = reading.swings, reading.period_s
    blocks = block_count(int(np.count_nonzero(np.isfinite(swings.arc_deg))))
    if period is None or blocks < LEAST_BLOCKS:
        return 0.0
    means = block_means(swings.time_s, swings.arc_deg, blocks)
    means = means[np.isfinite(means)]
    span_s = float(np.ptp(swings.time_s))
    if means.size < LEAST_BLOCKS or span_s <= 0:
        return 0.0
    memory = MEMORY_PERIODS * period.nominal_value
    return student_factor(MOVE_FREEDOM) * float(means.std(ddof=1)) * math.sqrt(3 * memory / span_s)


def arc_spread(readings: Sequence[Reading]) -> tuple[Estimate | None, float]:
    """How far the arc wanders within a night, and how much of that is the scatter of single sounds.

    Returns
    -------
    Estimate or None
        Standard deviation (deg) of means of six swings or more about a straight line, nights pooled.
    float
        Share of its square that the scatter of single sounds explains, 0 to 1.
    """
    estimates, noise = [], []
    for reading in readings:
        arcs, single_deg = _without_strays(reading.swings)
        means = min(int(np.count_nonzero(np.isfinite(arcs))) // SWINGS_PER_MEAN, MOST_MEANS)
        if means < 8:
            continue
        times = block_means(reading.swings.time_s, reading.swings.time_s, means)
        estimates.append(
            _as_remembered(spread(times, block_means(reading.swings.time_s, arcs, means)), reading)
        )
        noise.append(single_deg**2 * means / max(int(np.count_nonzero(np.isfinite(arcs))), 1))
    pooled = pooled_spread(estimates)
    if pooled is None:
        return None, 0.0
    return pooled, min(float(np.mean(noise)) / pooled.value**2, 1.0)


def _as_remembered(estimate: Estimate | None, reading: Reading) -> Estimate | None:
    """Spread with no more degrees of freedom than a balance with a memory leaves: two, and one per memory time."""
    if estimate is None or reading.period_s is None:
        return estimate
    memories = float(np.ptp(reading.swings.time_s)) / (MEMORY_PERIODS * reading.period_s.nominal_value)
    freedom = min(estimate.freedom, 2.0 + memories)
    return Estimate(estimate.value, *confidence_limits(estimate.value, freedom), freedom)


def _without_strays(swings: Swings) -> tuple[FloatArray, float]:
    """Arcs without misheard ones (nan), and the scatter of a single one about its neighbours of the same side."""
    arcs = swings.arc_deg.copy()
    scatters = []
    for side in "ab":
        rows = np.flatnonzero((swings.side == side) & np.isfinite(arcs))
        if rows.size < 5:
            continue
        off = arcs[rows] - running_median(arcs[rows])
        bend = arcs[rows][:-2] - 2 * arcs[rows][1:-1] + arcs[rows][2:]
        scatters.append(median_deviation(bend) / math.sqrt(6))
        arcs[rows[np.abs(off) > STRAY * max(scatters[-1], 0.05)]] = np.nan
    return arcs, math.sqrt(float(np.mean(np.square(scatters)))) if scatters else 0.0
