"""How far the arc wanders by itself: within a recording, and how far one recording may lie from the next.

The drive of a healthy clock is not quite even, and the balance answers slowly: its arc follows over some Q T /
(2 pi). A recording much shorter than that hears the arc on its way, and its mean is not the clock's usual arc. How
far off it may be is estimated from how far the arc moved during the recording.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from torsionbeat.reading.figures import FloatArray, Reading, Swings
from torsionbeat.reading.intervals import (
    LEAST_BLOCKS,
    Estimate,
    block_count,
    block_means,
    pooled_spread,
    spread,
)
from torsionbeat.theory.rate import student_factor
from torsionbeat.theory.robust import median_deviation, running_median
from torsionbeat.theory.stability import confidence_limits

__all__ = ["MEMORY_PERIODS", "arc_spread", "arc_wander_deg"]

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
