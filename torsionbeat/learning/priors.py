"""The prior of a clock's response, before its trials: wide and heavy-tailed, so that trials can outweigh it.

A source (a measure, a memory, a guess) is evidence that may be wrong. So each belief is a mixture: the source as stated
and, with some chance, the usual value for such clocks. Rates in seconds per day, > 0 gains; grams of all weights
together. ``per gram`` is the relative growth of T^2 by a gram; ``effect`` the gain by one unit of the regulator.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial
from torsionbeat.reading.figures import FloatArray
from torsionbeat.theory.rate import DAY_S

__all__ = [
    "HALF_DAY_S",
    "WANDER_GRID",
    "EffectParts",
    "effect_parts",
    "log_prior_per_gram",
    "right_per_gram",
    "wander_prior",
]

HALF_DAY_S = DAY_S / 2
"""Change of rate (s/day) by one relative unit of T^2, for a clock near time."""

USUAL_LOG_PER_GRAM = math.log(150.0 / HALF_DAY_S)
"""About 3 g a side slow such a clock by about 15 min/day (common practice, no source)."""

USUAL_LOG_SD = 0.5
"""Most clocks respond with 60 to 400 s/day a gram (common practice, no source)."""

USUAL_TAIL = 0.1  # one clock in ten
USUAL_TAIL_LOG_SD = 1.0
"""The usual value does not fit one clock in ten: a factor of three either way."""

EFFECT_SPREADS = ((0.35, 20.0), (0.40, 100.0), (0.25, 400.0))
"""Weight, and standard deviation (s/day) of the effect of half an unknown regulator's travel: its whole travel is
minutes a day at most (common practice, no source)."""

# Spaced by a factor of two to six, each with its spread: see below.
WRONG_SIZES = (0.15, 0.4, 2.4, 5.5, 12.0)
WRONG_SIZE_WEIGHTS = (0.1, 0.18, 0.35, 0.1, 0.27)  # too small more often: a turn taken for a division
WRONG_SIZE_SD = 0.45  # the parts then meet without a gap
WRONG_SIGNS = (-0.6, -1.6)  # the guess mirrored, somewhat smaller and somewhat larger
WRONG_SIGN_SD = 0.5
"""Multiples of a guess that is wrong in size, their weights and relative spread, and the multiples of a guess wrong in
sign. A factor of ten either way is covered without a gap (no source). With a sixth of the weight on a factor of twelve, a
guess of 5 outranked one trial that showed 60; with a third, the second promise is a fifth wider."""

WRONG_SHARES = {"size": 0.45, "sign": 0.45, "unknown": 0.10}
"""Shares of the ways in which a guess of the regulator is wrong: size, equally often sign (a scale read backwards),
else unknown. With a third for the sign, 90 of 100 promises held where the sign was wrong
(`tests/benchmarks/regulation.py`)."""

NO_TRAVEL_UNITS = 5.0
"""Half the travel of a regulator whose travel was not given, in its units (a screw of ten turns)."""

SHARPEST_LOG_SD = 1e-3
"""No prior response is known to better than a part in a thousand."""

TINY = 1e-300
"""Keeps a logarithm finite where a density underflows."""

WANDER_GRID = np.geomspace(0.06, 13.0, 11)
"""Wander from night to night (s/day): below the first it is not detectable, above the last it is a fault, not wander."""

WANDER_SCALE = 1.0  # s/day: the median of the half-t
WANDER_FREEDOM = 1.0
"""Half-t prior of the wander where nothing is known: half of all clocks below a second a day, one in eight above five
(common practice for such clocks). A heavier tail costs nights on calm clocks; a lighter one breaks promises on unsteady
ones: at 0.7 and a wander of 3 s/day, 80 of 100 promises after five works held."""

WITHIN_TIME_CONSTANT_S = 12 * 3600.0
"""Time constant of the rate's wander that relates a recording to a night: the room's daily cycle (no source)."""

WITHIN_LOG_SD = 0.8
"""Spread of the ratio between wander from night to night and wander within a recording: a factor of two either way."""

WITHIN_DUMB = 0.4
"""Chance that wander within the recordings does not predict that from night to night. Winding, handling, a heater and
the sun come once a day, and a night between them is steady (no source; at 0.28 the third promise of a clock with such
nights was 1.7 s/day either way)."""

DUMB_FREEDOM = 3.0
"""Freedom of the half-t of that wander. What comes once a day shifts a night by a second or two: of such clocks one in 65
differs by more than 5 s/day. With the tail of a clock of which nothing is known, a calm clock's second promise is a quarter
wider (`tests/benchmarks/regulation.py`)."""

OTHERS_LOG_SD = 0.7
"""Spread of the wander between clocks of a kind in one workshop: a factor of two."""

MOST_OTHERS = 12
"""Most other clocks that are used; more do not change the prior."""


@dataclass(frozen=True, slots=True, eq=False)
class EffectParts:
    """Parts of the belief in the regulator's effect: arrays (p,) of weight, mean and standard deviation, and names."""

    weight: FloatArray
    mean: FloatArray
    sd: FloatArray
    names: tuple[str, ...]


def log_prior_per_gram(log_per_gram: FloatArray, prior: Response) -> FloatArray:
    """Logarithm of the density of ln per_gram, up to a constant."""
    return np.asarray(np.log(_told(log_per_gram, prior) + _usual(log_per_gram, prior) + TINY))


def right_per_gram(log_per_gram: FloatArray, prior: Response) -> FloatArray:
    """Chance that the source is right, given this response."""
    told = _told(log_per_gram, prior)
    return np.asarray(told / (told + _usual(log_per_gram, prior) + TINY))


def told_log_per_gram(prior: Response) -> tuple[float, float]:
    """Mean and standard deviation of ln per_gram according to its source."""
    relative = prior.per_gram.std_dev / prior.per_gram.nominal_value
    return math.log(prior.per_gram.nominal_value), max(math.sqrt(math.log1p(relative**2)), SHARPEST_LOG_SD)


def _told(log_per_gram: FloatArray, prior: Response) -> FloatArray:
    middle, sd = told_log_per_gram(prior)
    z = (log_per_gram - middle) / sd
    return np.asarray((1 - prior.chance_wrong) * np.exp(-(z**2) / 2) / sd)


def _usual(log_per_gram: FloatArray, prior: Response) -> FloatArray:
    z = log_per_gram - USUAL_LOG_PER_GRAM
    near = (1 - USUAL_TAIL) * np.exp(-((z / USUAL_LOG_SD) ** 2) / 2) / USUAL_LOG_SD
    far = USUAL_TAIL * np.exp(-((z / USUAL_TAIL_LOG_SD) ** 2) / 2) / USUAL_TAIL_LOG_SD
    return np.asarray(prior.chance_wrong * (near + far))


def effect_parts(prior: Response, half_travel: float | None) -> EffectParts:
    """Give the belief in the gain by one unit of the regulator.

    Parameters
    ----------
    prior : Response
        With ``per_unit`` where an effect was stated.
    half_travel : float or None
        Half the travel in units; None where there is no regulator, or its travel was not given.
    """
    half = half_travel or NO_TRAVEL_UNITS
    broad = [(weight, 0.0, spread / half, "unknown") for weight, spread in EFFECT_SPREADS]
    if prior.per_unit is None:
        parts = broad if half_travel is not None else [(1.0, 0.0, 0.0, "none")]
    else:
        guess, sd = -HALF_DAY_S * prior.per_unit.nominal_value, HALF_DAY_S * prior.per_unit.std_dev
        wrong = prior.unit_chance_wrong
        size, sign, rest = (wrong * WRONG_SHARES[name] for name in ("size", "sign", "unknown"))
        parts = [(1 - wrong, guess, sd, "guess")]
        parts += [
            (size * weight, guess * factor, abs(guess) * factor * WRONG_SIZE_SD, "size wrong")
            for factor, weight in zip(WRONG_SIZES, WRONG_SIZE_WEIGHTS, strict=True)
        ]
        parts += [
            (sign / len(WRONG_SIGNS), guess * factor, abs(guess * factor) * WRONG_SIGN_SD, "sign wrong")
            for factor in WRONG_SIGNS
        ]
        parts += [(rest * weight, mean, spread, name) for weight, mean, spread, name in broad]
    weight, mean, spread, names = zip(*parts, strict=True)
    return EffectParts(np.array(weight), np.array(mean), np.array(spread), names)


def wander_prior(rows: Sequence[Trial], others: Sequence[Sequence[Trial]] = ()) -> FloatArray:
    """Give the weights (11,) of `WANDER_GRID` before the nights of the clock itself are compared.

    Parameters
    ----------
    rows : sequence of Trial
        Trials of this clock; the wander within its recordings is used where measured.
    others : sequence of sequences of Trial
        The nights of other clocks of that kind.
    """
    base = _half_t(WANDER_GRID, WANDER_FREEDOM)
    told = [_smoothed(base * likelihood) for one in others if (likelihood := _nights(one)) is not None]
    told = told[:MOST_OTHERS]
    population = _population(base, told)
    within = _within(rows)
    if within is None:
        return population
    informed = population * within
    total = float(informed.sum())
    if not total > 0:
        return population
    unseen = _population(_half_t(WANDER_GRID, DUMB_FREEDOM), told)
    return np.asarray((1 - WITHIN_DUMB) * informed / total + WITHIN_DUMB * unseen)


def _population(base: FloatArray, told: Sequence[FloatArray]) -> FloatArray:
    """The wander of clocks of a kind: one that nothing is known of, and those of the workshop."""
    weight = np.sum([base, *told], axis=0)
    return np.asarray(weight / weight.sum())


def _half_t(wander: FloatArray, freedom: float) -> FloatArray:
    density = (1 + (wander / WANDER_SCALE) ** 2 / freedom) ** (-(freedom + 1) / 2)
    weight = density * wander  # an even step of the logarithm
    return np.asarray(weight / weight.sum())


def _smoothed(weight: FloatArray) -> FloatArray:
    """One clock's wander as a prior for another's: spread by a factor of two."""
    log = np.log(WANDER_GRID)
    kernel = np.exp(-(((log[:, None] - log[None, :]) / OTHERS_LOG_SD) ** 2) / 2)
    kernel /= kernel.sum(axis=0)
    spread = kernel @ (weight / weight.sum())
    return np.asarray(spread / spread.sum())


def _nights(rows: Sequence[Trial]) -> FloatArray | None:
    """Likelihood of the wander from differences of neighbouring nights without work between them.

    Neighbouring differences share a night, so each counts half.
    """
    log = np.zeros_like(WANDER_GRID)
    count = 0
    for before, after in pairwise(rows):
        if not after.same_state(before):
            continue
        square = (after.rate_s_per_day.nominal_value - before.rate_s_per_day.nominal_value) ** 2
        own = before.own_s_per_day**2 + after.own_s_per_day**2
        variance = own + WANDER_GRID**2 * (1 / before.nights + 1 / after.nights)
        log -= 0.25 * (np.log(variance) + square / variance)
        count += 1
    return np.exp(log - log.max()) if count else None


def _within(rows: Sequence[Trial]) -> FloatArray | None:
    """Likelihood of the wander from that within the recordings (chi-squared of each Allan variance)."""
    seen = [row.within for row in rows if row.within is not None and row.within.freedom > 0]
    if not seen:
        return None
    ratio = np.exp(WITHIN_LOG_SD * np.linspace(-2.5, 2.5, 11))
    log = np.zeros((len(WANDER_GRID), len(ratio)))
    for one in seen:
        share = min(1.0, 2 * one.tau_s / (3 * WITHIN_TIME_CONSTANT_S))
        variance = one.noise_s_per_day**2 + share * (WANDER_GRID[:, None] / ratio[None, :]) ** 2
        log -= one.freedom / 2 * (np.log(variance) + one.deviation_s_per_day**2 / variance)
    weight = np.exp(-(np.linspace(-2.5, 2.5, 11) ** 2) / 2)
    return np.asarray(np.exp(log - log.max()) @ weight)
