"""How a clock wanders in its nights: Allan deviations at a few averaging times, pooled over nights."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Reading
from torsionbeat.reading.scatter import Estimate
from torsionbeat.theory.rate import DAY_S, fit_beats
from torsionbeat.theory.stability import Stability, confidence_limits, phase_on_grid, stability

__all__ = ["LEAST_FREEDOM", "STABILITY_TIMES_S", "pooled_deviations", "stability_of"]

STABILITY_TIMES_S = (300.0, 900.0, 3600.0, 4 * 3600.0, 12 * 3600.0)
"""Averaging times at which nights are compared: 5 and 15 minutes, 1, 4 and 12 hours."""

LEAST_FREEDOM = 2.0
"""Equivalent degrees of freedom below which a deviation says nothing: its limits are then six-fold apart."""


def stability_of(reading: Reading, at_s: Sequence[float] = ()) -> Stability | None:
    """Overlapping Allan deviation of a night's beats, sides' offset taken out; None where it holds too few.

    Averaging times are powers of two of half a period, and those nearest to ``at_s`` besides.
    """
    swings = reading.swings
    try:
        fit = fit_beats(swings.time_s, swings.number, swings.side)
        phase = phase_on_grid(swings.number, fit.residual_s)
        tau0 = fit.period_s.nominal_value / 2
        asked = {round(tau / tau0) for tau in at_s} - {0}
        factors = {2**k for k in range(24)} | asked
        return stability(phase, tau0, factors=sorted(m for m in factors if m * 3 <= phase.size))
    except InputError:
        return None


def pooled_deviations(readings: Sequence[Reading]) -> dict[float, Estimate]:
    """Allan deviation in s/day at those of `STABILITY_TIMES_S` that the nights carry.

    Nights are pooled by the degrees of freedom (SP 1065, 5.4.1) that each of them has at that averaging time.
    """
    squares: dict[float, list[tuple[float, float]]] = {}
    for reading in readings:
        curve = stability_of(reading, STABILITY_TIMES_S)
        if curve is None or len(curve.tau_s) == 0:
            continue
        for tau in STABILITY_TIMES_S:
            nearest = int(np.argmin(np.abs(np.log(curve.tau_s / tau))))
            if abs(curve.tau_s[nearest] / tau - 1) < 0.1:
                squares.setdefault(tau, []).append(
                    (float(curve.deviation[nearest]) ** 2, float(curve.edf[nearest]))
                )
    found = {}
    for tau, nights in squares.items():
        freedom = sum(edf for _, edf in nights)
        if freedom >= LEAST_FREEDOM:
            value = DAY_S * float(np.sqrt(sum(square * edf for square, edf in nights) / freedom))
            found[tau] = Estimate(value, *confidence_limits(value, freedom), freedom)
    return found
