"""Wander of the rate within one recording: evidence of the clock's unsteadiness before its nights are compared."""

from __future__ import annotations

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.learning.trials import Within
from torsionbeat.reading.figures import FloatArray, IntArray
from torsionbeat.theory.rate import DAY_S, fit_beats

__all__ = ["within_of_rates", "within_recording"]

PARTS = 4
"""Number of parts of a recording whose rates are compared: three differences, at the longest averaging time with more
than one."""

LEAST_BEATS_A_PART = 16
"""Fewest beats in a part: with fewer, its rate does not show the clock's wander."""

FREEDOM = 2.0
"""Degrees of freedom of the Allan variance of four parts: three differences; neighbouring ones share a part
(D. A. Howe and others, NIST SP 1065, table 5, white noise of the rate)."""


def within_of_rates(rates_s_per_day: FloatArray, noise_s_per_day: FloatArray, tau_s: float) -> Within:
    """Calculate the wander from the rates of neighbouring parts and their standard uncertainties.

    Parameters
    ----------
    rates_s_per_day : ndarray
        shape (n,): rates of neighbouring parts.
    noise_s_per_day : ndarray
        shape (n,): standard uncertainty of each rate from the sounds.
    tau_s : float
        Length of a part.
    """
    square = float(np.mean(np.diff(rates_s_per_day) ** 2)) / 2
    noise = float(np.mean(np.square(noise_s_per_day)))
    return Within(square**0.5, noise**0.5, tau_s, FREEDOM * (len(rates_s_per_day) - 1) / (PARTS - 1))


def within_recording(beat_time_s: FloatArray, beat_number: IntArray, period_s: float) -> Within | None:
    """Find the wander of the rate within a recording; None where it is too short.

    Parameters
    ----------
    beat_time_s, beat_number : ndarray, shape (n,)
        Seconds from the start, and beat numbers (two a period).
    period_s : float
        Full period.
    """
    number, place = np.unique(beat_number, return_index=True)
    time = beat_time_s[place]
    if number.size < PARTS * LEAST_BEATS_A_PART:
        return None
    edges = np.linspace(time[0], time[-1] + 1e-6, PARTS + 1)
    part = np.searchsorted(edges, time, side="right") - 1
    rates, noise = [], []
    for k in range(PARTS):
        here = part == k
        if np.count_nonzero(here) < LEAST_BEATS_A_PART:
            return None
        try:
            fit = fit_beats(time[here], number[here])
        except InputError:
            return None
        rates.append(DAY_S * (period_s / fit.period_s.nominal_value - 1))
        noise.append(DAY_S * fit.period_s.std_dev / period_s)
    return within_of_rates(np.array(rates), np.array(noise), float(edges[1] - edges[0]))
