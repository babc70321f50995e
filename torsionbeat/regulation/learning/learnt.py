"""What a clock's trials have shown: where it stands, how it answers, and what it will do after a change.

ln (T / T_nominal)^2 = level + ln(1 + per_gram mass) + ln(1 + per_unit (setting - first setting)), the three
known with a covariance. Rates in seconds per day, > 0 gains; grams of all weights together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.regulation.response import Response
from torsionbeat.theory.rate import DAY_S

__all__ = ["Learnt", "Outlier"]


@dataclass(frozen=True, slots=True)
class Outlier:
    """A trial that does not fit: ``what`` is 'step' or 'reading', ``sentence`` says it in words."""

    trial: int
    what: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the trials say: the clock as it stands now, and its answer.

    ``level`` is ln (T / T_nominal)^2 now; ``log_per_gram`` and ``per_unit`` the answer (0 and certain without
    a regulator); the three with covariance (3, 3). ``mass_g`` and ``setting`` are what is on the balance and
    the regulator now, against the first trial.
    """

    level: float
    log_per_gram: float
    per_unit: float
    covariance: FloatArray
    mass_g: float
    setting: float
    has_regulator: bool
    trials: int
    outliers: tuple[Outlier, ...] = field(default=())

    @property
    def rate_s_per_day(self) -> UFloat:
        """Rate now, by all trials together."""
        return self.expected_rate_s_per_day()

    def expected_rate_s_per_day(
        self,
        add_g: float = 0.0,
        move: float = 0.0,
        *,
        mass_doubt_g: float = 0.0,
        setting_doubt: float = 0.0,
        handling_s_per_day: float = 0.0,
    ) -> UFloat:
        """Rate after adding weight (all sides together) and moving the regulator by so many units."""
        from uncertainties import ufloat

        gradient = np.array([1.0, 0.0, 0.0])
        level = self.level
        per_gram = math.exp(self.log_per_gram)
        now, then = 1 + per_gram * self.mass_g, 1 + per_gram * (self.mass_g + add_g)
        if then <= 0.1:
            raise InputError(
                f"{-add_g:g} g less is more than this balance can lose; it must stay well under its own mass"
            )
        level += math.log(then / now)
        gradient[1] = 1 / now - 1 / then
        extra = (per_gram / then * mass_doubt_g) ** 2 + (2 * handling_s_per_day / DAY_S) ** 2
        if self.has_regulator:
            length, new = 1 + self.per_unit * self.setting, 1 + self.per_unit * (self.setting + move)
            if new <= 0.1:
                raise InputError(
                    f"{move:g} units of the regulator are more than any clock has: check its effect"
                )
            level += math.log(new / length)
            gradient[2] = (self.setting + move) / new - self.setting / length
            extra += (self.per_unit / new * setting_doubt) ** 2
        sigma = math.sqrt(float(gradient @ self.covariance @ gradient) + extra)
        ratio = math.exp(-level / 2)
        return ufloat(DAY_S * (ratio - 1), DAY_S / 2 * ratio * sigma)

    def grams_to_s_per_day(self, rate_s_per_day: float = 0.0, move: float = 0.0) -> UFloat:
        """Grams to add in all (negative: take off) that bring the clock to a rate, the regulator moved so."""
        from uncertainties import ufloat

        per_gram = math.exp(self.log_per_gram)
        now = 1 + per_gram * self.mass_g
        miss = -2 * math.log1p(rate_s_per_day / DAY_S) - self.level - self._moved(move)
        add = now / per_gram * math.expm1(miss)
        then = now + per_gram * add
        # d(expected level) is made up for by mass: slope of ln T^2 in mass is per_gram / then.
        gradient = -then / per_gram * np.array([1.0, 1 / now - 1 / then, self._slope(move)])
        return ufloat(add, math.sqrt(float(gradient @ self.covariance @ gradient)))

    def move_to_s_per_day(self, rate_s_per_day: float = 0.0, add_g: float = 0.0) -> UFloat:
        """Units to move the regulator by that bring the clock to a rate, weight added before."""
        from uncertainties import ufloat

        if not self.has_regulator:
            raise InputError("no regulator is known for this clock; give what one unit of it gains")
        per_gram = math.exp(self.log_per_gram)
        now, then = 1 + per_gram * self.mass_g, 1 + per_gram * (self.mass_g + add_g)
        miss = -2 * math.log1p(rate_s_per_day / DAY_S) - self.level - math.log(then / now)
        length = 1 + self.per_unit * self.setting
        move = length / self.per_unit * math.expm1(miss)
        new = length + self.per_unit * move
        gradient = -new / self.per_unit * np.array([1.0, 1 / now - 1 / then, self._slope(move)])
        return ufloat(move, math.sqrt(float(gradient @ self.covariance @ gradient)))

    @property
    def response(self) -> Response:
        """The answer as learnt, with T^2 growing from where it stands now."""
        from uncertainties import ufloat

        per_gram = math.exp(self.log_per_gram)
        now = 1 + per_gram * self.mass_g
        mass = ufloat(per_gram / now, per_gram / now**2 * math.sqrt(self.covariance[1, 1]))
        unit = None
        if self.has_regulator:
            length = 1 + self.per_unit * self.setting
            unit = ufloat(self.per_unit / length, math.sqrt(self.covariance[2, 2]) / length**2)
        return Response(mass, unit, f"{self.trials} reading{'' if self.trials == 1 else 's'}")

    def _moved(self, move: float) -> float:
        if not self.has_regulator:
            return 0.0
        length = 1 + self.per_unit * self.setting
        return math.log1p(self.per_unit * move / length)

    def _slope(self, move: float) -> float:
        if not self.has_regulator:
            return 0.0
        length = 1 + self.per_unit * self.setting
        return (self.setting + move) / (length + self.per_unit * move) - self.setting / length
