"""The room's temperature in a clock's nights: rates are corrected to one temperature, with the uncertainty of the correction.

Input: trials, some with a temperature, and the prior change of rate per kelvin. Output: the reference temperature of
the rates, the difference of each night from it, and the change per kelvin learnt from the clock's own nights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from torsionbeat.learning.trials import Trial
from torsionbeat.reading.figures import FloatArray, UFloat

__all__ = ["Warmth", "per_kelvin_usual"]

USUAL_PER_K, USUAL_PER_K_SD = -7.0, 7.0
"""Where the strip is not known (s/day a kelvin): bronze and beryllium copper lose 14 to 17, constant-modulus strips 1
(`torsionbeat.theory.spring.temperature_rate_s_per_day_per_k`)."""

CALM_NIGHT_S_PER_DAY = 0.7
"""Wander (s/day) assumed where a difference of two nights is attributed to temperature: half of all clocks wander less."""

SHARED_NIGHT = 0.5
"""Neighbouring differences share a night, so each counts half."""


def per_kelvin_usual() -> UFloat:
    """Give the change of rate per kelvin (s/day) for a clock with an unknown strip."""
    from uncertainties import ufloat

    return ufloat(USUAL_PER_K, USUAL_PER_K_SD)


@dataclass(frozen=True, slots=True, eq=False)
class Warmth:
    """The temperatures of a clock's nights.

    ``reference_c`` is the mean of the known temperatures; ``above_k`` (n,) the difference of each night from it, 0
    where not known; ``known`` (n,) whether it is known; ``spread_k`` the standard deviation of the known temperatures;
    ``told`` the given effect of a kelvin (s/day), ``learnt`` the effect after the clock's own nights.
    """

    reference_c: float
    above_k: FloatArray
    known: FloatArray
    spread_k: float
    told: UFloat
    learnt: UFloat

    @classmethod
    def of(cls, rows: Sequence[Trial], per_kelvin: UFloat = None) -> Warmth | None:
        """Collect the temperatures of trials; None with fewer than two known temperatures.

        Parameters
        ----------
        rows : sequence of Trial
        per_kelvin : ufloat, optional
            Change of rate per kelvin (s/day). Default: the usual value.
        """
        known = np.array([row.temperature_c is not None for row in rows], dtype=float)
        if known.sum() < 2:
            return None
        celsius = np.array([row.temperature_c or 0.0 for row in rows])
        reference = float(celsius[known > 0].mean())
        told = per_kelvin_usual() if per_kelvin is None else per_kelvin
        return cls(
            reference,
            (celsius - reference) * known,
            known,
            float(celsius[known > 0].std(ddof=1)),
            told,
            _learnt(rows, told),
        )

    def bring(self) -> FloatArray:
        """Correction to subtract from each rate (s/day) to bring it to the reference temperature, by the given effect
        of a kelvin."""
        return np.asarray(self.told.nominal_value * self.above_k)

    def unknown_variance(self) -> FloatArray:
        """Variance (n,) that an unknown temperature adds to the rate of its night."""
        return np.asarray((1 - self.known) * self.next_variance)

    @property
    def next_variance(self) -> float:
        """Variance of a night's rate about that at the reference temperature, if nights vary as before."""
        return float(self.learnt.nominal_value**2 + self.learnt.std_dev**2) * self.spread_k**2


def _learnt(rows: Sequence[Trial], told: UFloat) -> UFloat:
    """The effect of a kelvin, from the given one and from neighbouring nights without work between them."""
    from uncertainties import ufloat

    precision = 1 / told.std_dev**2 if told.std_dev else math.inf
    if not math.isfinite(precision):
        return told
    weighted = told.nominal_value * precision
    for before, after in pairwise(rows):
        if before.temperature_c is None or after.temperature_c is None or not after.same_state(before):
            continue
        warmer = after.temperature_c - before.temperature_c
        faster = after.rate_s_per_day.nominal_value - before.rate_s_per_day.nominal_value
        variance = before.own_s_per_day**2 + after.own_s_per_day**2 + 2 * CALM_NIGHT_S_PER_DAY**2
        precision += SHARED_NIGHT * warmer**2 / variance
        weighted += SHARED_NIGHT * warmer * faster / variance
    return ufloat(weighted / precision, precision**-0.5)
