"""What a clock's trials have shown: its present rate, its response, and its rate after a change.

Every figure is a quantile of the posterior (`torsionbeat.learning.posterior`). An ``uncertainties`` value is the
median, with half the width of the 95 % interval over 1.96; a lopsided interval is also given by its ends. The long-run
rate is the mean over many nights; a night differs from it by the clock's wander. Rates in seconds per day, > 0 gains;
grams of all weights together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.learning.design import Branch
from torsionbeat.learning.likelihood import LEAST_GROWN
from torsionbeat.learning.mixture import Mixture
from torsionbeat.learning.priors import HALF_DAY_S, right_per_gram
from torsionbeat.learning.response import Response
from torsionbeat.learning.warmth import Warmth
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.theory.rate import DAY_S
from torsionbeat.theory.robust import COVERAGE

__all__ = ["Change", "Learnt", "Outlier", "Spread"]

MOST_TAKEN_OFF = 0.1
"""Share of a balance's inertia that must remain."""

CORE = 0.158655254
"""Share of a normal distribution that lies more than one standard deviation below its mean."""

HARDLY = 0.2
"""Below this share of the stated effect the regulator hardly works: a guess is rarely off by a factor of five."""

QUANTILE_STEPS = 60
"""Most iterations for a quantile: Newton steps, or bisection where a step leaves the bracket. About eight are needed."""

QUANTILE_TO = 1e-12
"""Tolerance of a quantile, as a share of the distribution: far below what any figure shows."""


@dataclass(frozen=True, slots=True)
class Outlier:
    """A trial that does not fit: ``what`` is 'step' or 'reading', ``chance`` the probability that it is odd."""

    trial: int
    what: str
    chance: float
    sentence: str


class Change(NamedTuple):
    """A change: total grams added, units of the regulator moved, and their standard uncertainties."""

    add_g: float = 0.0
    move: float = 0.0
    mass_doubt_g: float = 0.0
    setting_doubt: float = 0.0
    handling_s_per_day: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """A mixture of Gaussians: arrays (p,) of weight, mean and variance."""

    weight: FloatArray
    mean: FloatArray
    variance: FloatArray

    @property
    def moments(self) -> tuple[float, float]:
        """Mean and standard deviation. The widest parts of a posterior are too small to be kept and are missing here,
        so reported rates use `core` and quantiles."""
        mean = float(self.weight @ self.mean)
        return mean, math.sqrt(float(self.weight @ (self.variance + (self.mean - mean) ** 2)))

    @property
    def core(self) -> tuple[float, float]:
        """Median, and half the width of the middle 68 %: as mean and standard deviation, but without the far tails."""
        low, middle, high = (self.quantile(share) for share in (CORE, 0.5, 1 - CORE))
        return middle, (high - low) / 2

    def size_up_to(self, most: float = math.inf) -> float:
        """Expected absolute value, capped at ``most``."""
        from scipy.special import ndtr

        sd = np.sqrt(self.variance)

        def beyond(limit: float) -> FloatArray:  # E(x - limit)+ + E(-x - limit)+
            up, down = (self.mean - limit) / sd, (-self.mean - limit) / sd
            tails = (np.exp(-(up**2) / 2) + np.exp(-(down**2) / 2)) / math.sqrt(2 * math.pi)
            return np.asarray(sd * (tails + up * ndtr(up) + down * ndtr(down)))

        far = beyond(most) if math.isfinite(most) else 0.0
        return float(self.weight @ (beyond(0.0) - far))

    def within(self, limit: float) -> float:
        """Probability of an absolute value within the limit."""
        from scipy.special import ndtr

        sd = np.sqrt(self.variance)
        return float(self.weight @ (ndtr((limit - self.mean) / sd) - ndtr((-limit - self.mean) / sd)))

    def quantile(self, share: float) -> float:
        """Value below which this share of the mixture lies (Newton's method within a bracket)."""
        from scipy.special import ndtr

        sd = np.sqrt(self.variance)
        low, high = float((self.mean - 12 * sd).min()), float((self.mean + 12 * sd).max())
        value, before = float(self.weight @ self.mean), math.inf
        density = self.weight / (sd * math.sqrt(2 * math.pi))
        for _ in range(QUANTILE_STEPS):
            z = (value - self.mean) / sd
            miss = float(self.weight @ ndtr(z)) - share
            if abs(miss) < QUANTILE_TO:
                break
            low, high = (value, high) if miss < 0 else (low, value)
            slope = float(density @ np.exp(-(z**2) / 2))
            step = value - miss / slope if slope > 0 else math.inf
            value = step if low < step < high and abs(miss) < before / 2 else (low + high) / 2
            before = abs(miss)
        return value


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """The result of learning from a clock's trials.

    ``outliers`` are readings and steps that do not fit; ``warmth`` holds the temperatures of the nights, where known:
    all rates are then at its reference temperature. ``has_regulator`` says whether the clock has one.
    """

    mixture: Mixture
    prior: Response
    has_regulator: bool
    trials: int
    outliers: tuple[Outlier, ...] = ()
    warmth: Warmth | None = None

    @property
    def rate_s_per_day(self) -> UFloat:
        """Present long-run rate, from all trials together."""
        return _rate(self.long_run())

    @property
    def wander_s_per_day(self) -> tuple[float, float, float]:
        """Night-to-night standard deviation: median, and the ends of its 95 % interval."""
        middle, low, high = (
            _weighted_quantile(self.mixture.wander, self.mixture.weight, q) for q in (0.5, 0.025, 0.975)
        )
        return middle, low, high

    def long_run(self, change: Change | None = None) -> Spread:
        """The long-run y (s/day) now, or after a change."""
        if change is None:
            return Spread(self.mixture.weight, self.mixture.state, self.mixture.state_variance)
        m = self.mixture
        now, then = self._grown(change.add_g)
        mean = m.state - HALF_DAY_S * np.log(then / now) + m.effect * change.move
        spread = HALF_DAY_S * m.per_gram * ((m.mass_g + change.add_g) / then - m.mass_g / now) * m.log_g_sd
        variance = (
            m.state_variance
            + spread**2
            + 2 * change.move * m.covariance
            + change.move**2 * m.effect_variance
            + (HALF_DAY_S * m.per_gram / then * change.mass_doubt_g) ** 2
            + change.handling_s_per_day**2
            + (m.effect**2 + m.effect_variance) * change.setting_doubt**2
        )
        return Spread(m.weight, mean, np.maximum(variance, 1e-9))

    def long_run_if_unsteady(self) -> Spread:
        """The long-run y (s/day) now, if the wander is in the upper half of its posterior."""
        m = self.mixture
        order = np.argsort(-m.wander, kind="stable")
        above = np.cumsum(m.weight[order]) - m.weight[order]
        weight = np.zeros_like(m.weight)
        weight[order] = np.clip(0.5 - above, 0.0, m.weight[order])
        return Spread(weight / weight.sum(), m.state, m.state_variance)

    def night(self, change: Change | None = None, nights: float = 1.0) -> Spread:
        """The y of the next night, or of the mean of the next nights: with the wander and the room's effect added."""
        rest = self.long_run(change)
        room = 0.0 if self.warmth is None else self.warmth.next_variance
        return Spread(rest.weight, rest.mean, rest.variance + (self.mixture.wander**2 + room) / nights)

    def expected_interval_s_per_day(self, change: Change) -> tuple[float, float, float]:
        """Rate of the next night after a change: median, and the ends of its 95 % interval."""
        return _ends(self.night(change))

    def grams_interval(self, move: float = 0.0) -> tuple[float, float, float]:
        """Total grams to add that bring the clock to time: median, and the ends of the 95 % interval."""
        spread = self._grams(0.0, move)
        middle, low, high = (spread.quantile(share) for share in (0.5, 0.025, 0.975))
        return middle, low, high

    @property
    def loss_interval_s_per_day_per_gram(self) -> tuple[float, float, float]:
        """Present loss of rate by one more gram: median, and the ends of the 95 % interval."""
        m = self.mixture
        now, _ = self._grown(0.0)
        loss = HALF_DAY_S * m.per_gram / now
        spread = Spread(m.weight, loss, (m.log_g_sd * loss) ** 2)
        middle, low, high = (spread.quantile(share) for share in (0.5, 0.025, 0.975))
        return middle, low, high

    def expected_rate_s_per_day(
        self,
        add_g: float = 0.0,
        move: float = 0.0,
        *,
        mass_doubt_g: float = 0.0,
        setting_doubt: float = 0.0,
        handling_s_per_day: float = 0.0,
    ) -> UFloat:
        """Rate of the next night after weight is added (all sides together) and the regulator is moved.

        Parameters
        ----------
        add_g : float
            Weight added, all sides together.
        move : float
            Units by which the regulator is moved.
        mass_doubt_g : float
            Standard uncertainty of the weight.
        setting_doubt : float
            Standard uncertainty of the move.
        handling_s_per_day : float
            Change of rate that stopping and releasing the balance may cause.
        """
        return _rate(self.night(Change(add_g, move, mass_doubt_g, setting_doubt, handling_s_per_day)))

    def grams_to_s_per_day(self, rate_s_per_day: float = 0.0, move: float = 0.0) -> UFloat:
        """Total grams to add (negative: take off) that bring the clock to a rate after the given move of the regulator.

        The median is used: the posterior of a gram's effect is lopsided, and the middle of its interval would overshoot.
        """
        return _median(self._grams(rate_s_per_day, move))

    def _grams(self, rate_s_per_day: float, move: float) -> Spread:
        m = self.mixture
        after = self.long_run(Change(move=move))
        now, _ = self._grown(0.0)
        miss = (after.mean - DAY_S * math.log1p(rate_s_per_day / DAY_S)) / HALF_DAY_S
        grams = now / m.per_gram * np.expm1(miss)
        slope = now / m.per_gram * np.exp(miss) / HALF_DAY_S
        return Spread(m.weight, grams, after.variance * slope**2 + (grams * m.log_g_sd) ** 2)

    def move_to_s_per_day(self, rate_s_per_day: float = 0.0, add_g: float = 0.0) -> UFloat:
        """Units to move the regulator by that bring the clock to a rate after the given weight is added.

        The median of the effect is used: the far tails of its posterior would shrink every move.

        Raises
        ------
        InputError
            Nothing is known of the regulator's effect, or there is none.
        """
        from uncertainties import ufloat

        effect = self.effect_median
        if not self.has_regulator or effect == 0:
            raise InputError("no regulator is known for this clock; give what one unit of it gains")
        mean, sd = self.long_run(Change(add_g)).core
        move = (DAY_S * math.log1p(rate_s_per_day / DAY_S) - mean) / effect
        return ufloat(move, math.hypot(sd / effect, move * self.effect_moments[1] / effect))

    @property
    def effect_median(self) -> float:
        """Median of the gain by one unit of the regulator (s/day)."""
        return _weighted_quantile(self.mixture.effect, self.mixture.weight, 0.5)

    @property
    def effect_at_most(self) -> float:
        """Largest size of the effect of one unit of the regulator (s/day): the farther end of its 95 % interval."""
        spread = Spread(self.mixture.weight, self.mixture.effect, self.mixture.effect_variance)
        return max(abs(spread.quantile(0.025)), abs(spread.quantile(0.975)))

    @property
    def regulator_hardly_works(self) -> bool:
        """Whether the trials show surely that its effect is much smaller than stated."""
        if self.prior.per_unit is None:
            return False
        return self.effect_at_most < HARDLY * abs(float(self.prior.s_per_day_per_unit.nominal_value))

    @property
    def last_does_not_fit(self) -> float:
        """Chance that the last reading is odd, or that the work noted before it is not what was done.

        Only another night shows which of the two it is.
        """
        last = (Branch("reading", self.trials - 1), Branch("step", self.trials - 1))
        if any(one in self.mixture.fixed for one in last):
            return 1.0
        return sum(self.mixture.branches.get(one, 0.0) for one in last)

    @property
    def effect_spread(self) -> float:
        """Half the width of the middle two thirds of the gain by one unit of the regulator (s/day): without the far tails."""
        spread = Spread(self.mixture.weight, self.mixture.effect, self.mixture.effect_variance)
        return (spread.quantile(5 / 6) - spread.quantile(1 / 6)) / 2

    @property
    def effect_moments(self) -> tuple[float, float]:
        """Mean and standard deviation of the gain by one unit of the regulator (s/day)."""
        return Spread(self.mixture.weight, self.mixture.effect, self.mixture.effect_variance).moments

    @property
    def response(self) -> Response:
        """The response as learnt, relative to the present T^2."""
        from uncertainties import ufloat

        m = self.mixture
        now, _ = self._grown(0.0)
        mass = _median(Spread(m.weight, m.per_gram / now, (m.log_g_sd * m.per_gram / now) ** 2))
        unit = None
        if self.has_regulator:
            effect = _median(Spread(m.weight, m.effect, m.effect_variance))
            unit = ufloat(-effect.nominal_value / HALF_DAY_S, effect.std_dev / HALF_DAY_S)
        return Response(mass, unit, f"{self.trials} reading{'' if self.trials == 1 else 's'}")

    @property
    def source_right(self) -> float:
        """Chance that the prior source about the weights is right."""
        return float(self.mixture.weight @ right_per_gram(np.log(self.mixture.per_gram), self.prior))

    def effect_chances(self) -> dict[str, float]:
        """Chances of the parts of the belief in the regulator's effect: guess, size wrong, sign wrong, unknown."""
        names = self.mixture.effect_names
        return {str(name): float(self.mixture.weight[names == name].sum()) for name in dict.fromkeys(names)}

    def _grown(self, add_g: float) -> tuple[FloatArray, FloatArray]:
        m = self.mixture
        now = np.maximum(1 + m.per_gram * m.mass_g, LEAST_GROWN)
        then = 1 + m.per_gram * (m.mass_g + add_g)
        if float(m.weight @ (then <= MOST_TAKEN_OFF)) > 0.5:
            raise InputError(
                f"{-add_g:g} g less is more than this balance can lose; it must stay well under its own mass"
            )
        return now, np.maximum(then, LEAST_GROWN)


def _weighted_quantile(value: FloatArray, weight: FloatArray, share: float) -> float:
    """The value below which this share of the weight lies."""
    order = np.argsort(value)
    place = int(np.searchsorted(np.cumsum(weight[order]), share))
    return float(value[order][min(place, len(order) - 1)])


def _median(spread: Spread) -> UFloat:
    """The median, with half the width of the 95 % interval over 1.96."""
    from uncertainties import ufloat

    low, middle, high = (spread.quantile(share) for share in (0.025, 0.5, 0.975))
    return ufloat(middle, (high - low) / 2 / COVERAGE)


def _ends(spread: Spread) -> tuple[float, float, float]:
    """Median and ends of the 95 % interval of a rate: y is 86400 ln(1 + rate / 86400)."""
    middle, low, high = (DAY_S * math.expm1(spread.quantile(share) / DAY_S) for share in (0.5, 0.025, 0.975))
    return middle, low, high


def _rate(spread: Spread) -> UFloat:
    """The median of a rate, with half the width of its 95 % interval over 1.96."""
    from uncertainties import ufloat

    middle, low, high = _ends(spread)
    return ufloat(middle, max(high - low, 1e-9) / 2 / COVERAGE)
