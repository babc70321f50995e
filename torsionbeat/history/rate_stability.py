"""How a clock's rate wanders: Allan deviations at a few averaging times, pooled over nights."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import Reading
from torsionbeat.reading.intervals import Estimate
from torsionbeat.theory.noise import equivalent_degrees_of_freedom
from torsionbeat.theory.rate import DAY_S, fit_beats, student_factor
from torsionbeat.theory.robust import median_deviation
from torsionbeat.theory.stability import Stability, confidence_limits, phase_on_grid, stability

__all__ = [
    "LEAST_FREEDOM",
    "STABILITY_TIMES_S",
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
