"""Trials: what a clock has shown of its answer to adjustments, and what it will do after the next one.

T^2 is a straight line in the mass added, and grows with the active length or whatever else the regulator
moves:  ln T^2 = level + ln(1 + per_gram mass) + ln(1 + per_unit (setting - first setting)).

The fit is a Bayesian least squares: it starts from a `Response` (strip and balance theory, wide where little
is known) and sharpens with each trial. Every adjustment also carries a doubt of its own (a weight is not
quite what it is said to be, the balance is handled), and stays in all later readings; so it is fitted as a
step rather than as scatter of one reading. A new spring starts a new level: T^2 per gram scales with it,
while the two ratios stay. The error of a recorder's crystal is the same in all readings taken with it.

Method: maximum of the posterior by Gauss-Newton, its curvature as covariance (A. Gelman et al., Bayesian Data
Analysis, 3rd ed. 2013, chapters 4.1 and 14). Rates in seconds per day, > 0 gains; grams of all weights
together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.regulation.learning.learnt import Learnt, Outlier
from torsionbeat.regulation.response import Response
from torsionbeat.theory.limits import within
from torsionbeat.theory.rate import DAY_S

__all__ = ["HANDLING_S_PER_DAY", "Learnt", "Outlier", "Trial", "Within", "learn"]

HANDLING_S_PER_DAY = 0.2
"""What stopping, touching and letting go the balance may change the rate by (common practice, no source)."""

OUTLYING = 14.0
"""Fall of chi-squared by setting one step or reading free at which it is named: once in 5000 by chance."""

ALIKE = 4.0
"""Falls of chi-squared nearer to one another than this do not say which of two is wrong."""

FREE = 0.3
"""Standard deviation of ln T^2 that sets a step or a reading free: 3.6 hours a day."""

MOST_TRIALS = 200


@dataclass(frozen=True, slots=True)
class Within:
    """How the rate wandered within one recording.

    ``deviation_s_per_day`` is its Allan deviation at the averaging time ``tau_s``, ``freedom`` that estimate's degrees
    of freedom, ``noise_s_per_day`` the part that the scatter of single sounds makes.
    """

    deviation_s_per_day: float
    noise_s_per_day: float
    tau_s: float
    freedom: float


@dataclass(frozen=True, slots=True)
class Trial:
    """The clock as it stood, and how it was read.

    Parameters
    ----------
    rate_s_per_day : ufloat
        The reading's rate.
    mass_g : float
        Weight added in all since the first trial of the row (negative: taken off), as it was meant.
    setting : float
        Regulator, in its own units.
    spring : int
        Which spring is in; any number that changes with it.
    mass_doubt_g, setting_doubt : float
        Standard uncertainty of the change of weights, and of regulator, made just before this reading.
    handling_s_per_day : float
        What stopping, touching and letting go the balance may change besides.
    timebase, timebase_s_per_day : str, float
        A name for the recorder whose crystal this reading shares with others, and the part of the rate's
        standard uncertainty that comes from it.
    label : str
        What to call it in a sentence.
    unknown : bool
        Something was changed before this reading by an amount that nobody noted.
    day : float, optional
        When, in days from any origin; left out, trials are a day apart.
    nights : float
        Nights over which the rate is a mean, as that of a hand check over a week.
    strip_age_days : float, optional
        Days since the present strip was fitted, where it is new.
    within : Within, optional
        How the rate wandered within the recording.
    """

    rate_s_per_day: UFloat
    mass_g: float = 0.0
    setting: float = 0.0
    spring: int = 0
    mass_doubt_g: float = 0.0
    setting_doubt: float = 0.0
    handling_s_per_day: float = HANDLING_S_PER_DAY
    timebase: str = ""
    timebase_s_per_day: float = 0.0
    label: str = ""
    unknown: bool = False
    day: float | None = None
    nights: float = 1.0
    strip_age_days: float | None = None
    within: Within | None = None

    def __post_init__(self) -> None:
        within(
            "rate", self.rate_s_per_day.nominal_value, -14_400, 14_400, "s/day", "check the nominal period"
        )
        within("mass added", self.mass_g, -500, 500, "g", "give all sides together, in grams")
        for name, value in (
            ("doubt of the mass", self.mass_doubt_g),
            ("doubt of the setting", self.setting_doubt),
            ("doubt by handling", self.handling_s_per_day),
            ("timebase's part", self.timebase_s_per_day),
        ):
            within(name, value, 0, 1e5, low_allowed=True)


def learn(trials: Sequence[Trial], prior: Response) -> Learnt:
    """Fit the trials of a clock, in order, from a prior.

    Parameters
    ----------
    trials : sequence of Trial
        At least one: the reading of the clock as it stands, after the ones before each adjustment.
    prior : Response
        What is held of the answer without any trial.

    Raises
    ------
    InputError
        No trial, or more than 200.

    Notes
    -----
    A step or a reading that lies so far out that chance makes it once in 5000 is set free and named in
    ``Learnt.outliers``. Where the last reading does not fit, its step is: the reading stands for the clock as
    it is now.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> prior = Response(ufloat(0.0035, 0.0012))
    >>> clock = learn([Trial(ufloat(930, 1)), Trial(ufloat(210, 1), mass_g=6, mass_doubt_g=0.02)], prior)
    >>> print(clock.response.s_per_day_per_gram, clock.grams_to_s_per_day(0))
    -118.2+/-0.5 1.778+/-0.013
    """
    if not 1 <= len(trials) <= MOST_TRIALS:
        raise InputError(f"{len(trials)} trials were given; 1 to {MOST_TRIALS} can be fitted")
    rows = tuple(trials)
    free_steps: set[int] = set()
    free_readings: set[int] = set()
    outliers: list[Outlier] = []
    fit, cost = _fit(rows, prior, free_steps, free_readings)
    while len(outliers) < (len(rows) + 1) // 2:
        falls = _falls(rows, prior, free_steps, free_readings, cost)
        if not falls or falls[0][0] < OUTLYING:
            break
        fall, index, what = falls[0]
        (free_steps if what == "step" else free_readings).add(index)
        doubtful = [other for other in falls[1:] if fall - other[0] < ALIKE and other[1] != index]
        fit, cost = _fit(rows, prior, free_steps, free_readings)
        outliers.append(Outlier(index, what, _sentence(rows, index, what, doubtful)))
    return replace(fit, outliers=tuple(outliers))


def _falls(
    rows: tuple[Trial, ...], prior: Response, free_steps: set[int], free_readings: set[int], cost: float
) -> list[tuple[float, int, str]]:
    """By how much chi-squared falls when a step or a reading is set free, largest first."""
    falls = []
    last = len(rows) - 1
    for index in range(1, len(rows)):
        if rows[index].spring == rows[index - 1].spring and index not in free_steps:
            _, freed = _fit(rows, prior, free_steps | {index}, free_readings)
            falls.append((cost - freed, index, "step"))
        if index not in free_readings and index != last:
            _, freed = _fit(rows, prior, free_steps, free_readings | {index})
            falls.append((cost - freed, index, "reading"))
    return sorted(falls, key=lambda one: -one[0])


def _sentence(
    rows: tuple[Trial, ...], index: int, what: str, doubtful: Sequence[tuple[float, int, str]]
) -> str:
    name = rows[index].label or f"reading {index + 1}"
    if what == "reading":
        said = f"The rate of {name} does not fit the others and was left out; it may be a bad reading."
    else:
        said = (
            f"What was done before {name} did not do what the other trials and theory lead to expect "
            f"({_done(rows[index - 1], rows[index])}), so nothing was learnt from that step: check what was "
            "really changed, and whether the rate had settled."
        )
    if doubtful:
        others = ", ".join(dict.fromkeys(rows[i].label or f"reading {i + 1}" for _, i, _ in doubtful))
        said += f" It may as well be {others} that is wrong."
    return said


def _done(before: Trial, after: Trial) -> str:
    parts = []
    if after.mass_g != before.mass_g:
        parts.append(f"weights changed by {after.mass_g - before.mass_g:+g} g in all")
    if after.setting != before.setting:
        parts.append(f"regulator moved by {after.setting - before.setting:+g}")
    if not parts:
        parts.append("nothing changed on purpose")
    change = after.rate_s_per_day.nominal_value - before.rate_s_per_day.nominal_value
    return f"{' and '.join(parts)}, rate changed by {change:+.1f} s/day"


def _fit(
    rows: tuple[Trial, ...], prior: Response, free_steps: set[int], free_readings: set[int]
) -> tuple[Learnt, float]:
    """Maximum of the posterior, and chi-squared there."""
    n = len(rows)
    rate = np.array([row.rate_s_per_day.nominal_value for row in rows])
    observed = -2 * np.log1p(rate / DAY_S)
    to_level = 2 / (DAY_S + rate)
    shared = np.array([row.timebase_s_per_day if row.timebase else 0.0 for row in rows])
    total = np.array([row.rate_s_per_day.std_dev for row in rows])
    own = np.sqrt(np.maximum(total**2 - shared**2, (1e-3) ** 2)) * to_level
    own[sorted(free_readings)] = FREE
    mass = np.array([row.mass_g - rows[0].mass_g for row in rows])
    setting = np.array([row.setting - rows[0].setting for row in rows])
    springs = [0]
    for before, after in pairwise(rows):
        springs.append(springs[-1] + (after.spring != before.spring))
    on = np.array(springs)
    recorders = sorted({row.timebase for row in rows if row.timebase})
    levels, k = on[-1] + 1, 2 + int(on[-1]) + 1
    # Columns: levels, ln per_gram, per_unit, one for each recorder, one for each step.
    design = np.zeros((n, k + len(recorders) + n - 1))
    design[np.arange(n), on] = 1
    for column, name in enumerate(recorders):
        design[:, k + column] = [s * d for s, d in zip(shared, to_level, strict=True)]
        design[[row.timebase != name for row in rows], k + column] = 0
    first = k + len(recorders)
    for i in range(1, n):
        if on[i] == on[i - 1]:
            design[i:, first + i - 1] = on[i:] == on[i]
    has_regulator = prior.per_unit is not None
    centre = np.zeros(design.shape[1])
    relative = prior.per_gram.std_dev / prior.per_gram.nominal_value
    # The logarithm of the answer is normal about its stated value, with the spread that makes its own.
    log_sigma = math.sqrt(math.log1p(relative**2))
    centre[levels] = math.log(prior.per_gram.nominal_value)
    sigma = np.full(design.shape[1], 1.0)
    sigma[:levels], sigma[levels] = 10.0, max(log_sigma, 1e-9)
    sigma[levels + 1] = 1e-12
    if has_regulator:
        centre[levels + 1] = prior.per_unit.nominal_value
        sigma[levels + 1] = max(prior.per_unit.std_dev, 1e-12)
    theta = centre.copy()
    theta[:levels] = [observed[on == level].mean() for level in range(levels)]
    for _ in range(40):
        per_gram, per_unit = math.exp(theta[levels]), theta[levels + 1]
        grown, longer = np.maximum(1 + per_gram * mass, 0.05), np.maximum(1 + per_unit * setting, 0.05)
        design[:, levels], design[:, levels + 1] = 1 - 1 / grown, setting / longer
        if n > 1:
            sigma[first:] = _step_sigma(rows, on, per_gram / grown, per_unit / longer, to_level, free_steps)
        modelled = np.log(grown) + np.log(longer)
        linear = (
            design @ theta - design[:, levels] * theta[levels] - design[:, levels + 1] * theta[levels + 1]
        )
        residual = (observed - modelled - linear) / own
        pull = (centre - theta) / sigma
        jacobian = np.concatenate([design / own[:, None], np.diag(1 / sigma)])
        step = np.linalg.lstsq(jacobian * sigma, np.concatenate([residual, pull]), rcond=None)[0] * sigma
        step[levels] = np.clip(step[levels], -0.7, 0.7)
        theta = theta + step
        if np.all(np.abs(step) < 1e-10 * sigma + 1e-14):
            break
    cost = float(residual @ residual + pull @ pull)
    _, upper = np.linalg.qr(jacobian * sigma)
    spread = sigma[:, None] * np.linalg.solve(upper, np.eye(upper.shape[0]))
    pick = np.zeros((3, design.shape[1]))
    pick[0] = design[-1]
    pick[0, levels:first] = 0
    pick[1, levels] = pick[2, levels + 1] = 1
    root = pick @ spread
    level = float(pick[0] @ theta + modelled[-1])
    covariance = root @ root.T
    turn = np.eye(3)
    turn[0, 1:] = design[-1, levels : levels + 2]
    found = Learnt(
        level=level,
        log_per_gram=float(theta[levels]),
        per_unit=float(theta[levels + 1]) if has_regulator else 0.0,
        covariance=turn @ covariance @ turn.T,
        mass_g=float(mass[-1]),
        setting=float(setting[-1]),
        has_regulator=has_regulator,
        trials=n,
    )
    return found, cost


def _step_sigma(
    rows: tuple[Trial, ...],
    on: FloatArray,
    per_gram: FloatArray,
    per_unit: FloatArray,
    to_level: FloatArray,
    free_steps: set[int],
) -> FloatArray:
    """Standard deviation of what each step did to ln T^2 beyond what was meant."""
    sigma = np.empty(len(rows) - 1)
    for i, row in enumerate(rows[1:], start=1):
        parts = (
            per_gram[i] * row.mass_doubt_g,
            per_unit[i] * row.setting_doubt,
            to_level[i] * row.handling_s_per_day,
        )
        sigma[i - 1] = (
            FREE if i in free_steps or row.unknown else max(math.sqrt(sum(part**2 for part in parts)), 1e-12)
        )
    return sigma
