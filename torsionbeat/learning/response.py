"""How a clock responds to an adjustment, before any trial: from its strip, its inertia, or its kind alone.

The response is two numbers. ``per_gram`` is the relative growth of T^2 by a gram added at the weights (all sides
together): rho^2 / I less the gram's own pull on the strip. ``per_unit`` is the relative growth of T^2 by one unit of
the regulator. Both are ratios, so a change of strip does not change them, while T^2 per gram and seconds a day per gram
depend on the stiffness. One relative unit of T^2 is 43 200 s/day near time. Grams, millimetres, seconds per day; > 0
gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import UFloat
from torsionbeat.theory import spring, strip_change
from torsionbeat.theory.limits import within
from torsionbeat.theory.materials import StripMaterial
from torsionbeat.theory.rate import DAY_S

__all__ = [
    "GUESS_WRONG",
    "Regulator",
    "Response",
    "StripDoubt",
    "per_gram_from_inertia",
    "per_gram_from_load",
    "per_gram_from_strip",
    "per_gram_from_weights",
    "per_gram_usual",
    "per_unit_from_effect",
    "per_unit_from_length",
]

USUAL_GRAMS = 6.0
"""Both sides together."""
USUAL_RATE_S_PER_DAY = 900.0
"""About 3 g a side slow such a clock by about 15 min/day (common practice, no source)."""

USUAL_DOUBT = 0.5
"""Relative standard uncertainty of that for a clock about which nothing else is known."""

LARGEST_DOUBT = 0.6
"""Largest relative doubt: a larger one would make the effect's sign doubtful, which the data do not show."""


@dataclass(frozen=True, slots=True)
class Regulator:
    """A regulator in its own units: lowest and highest setting, and present setting.

    ``step`` is the smallest deliberate move; a setting is taken as accurate to half of it. ``is_known`` says whether
    the setting was stated: if not, it is only assumed, and only moves may be advised.

    Raises
    ------
    InputError
        The settings are not in order, or the step does not fit the travel.
    """

    unit: str
    low: float
    high: float
    setting: float
    step: float = 0.05
    is_known: bool = True

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise InputError(
                f"the regulator goes from {self.low:g} to {self.high:g} {self.unit}; the first must be the "
                "lower"
            )
        if not self.low <= self.setting <= self.high:
            raise InputError(
                f"the regulator stands at {self.setting:g} {self.unit}; it must lie between its ends, "
                f"{self.low:g} and {self.high:g}: read it again"
            )
        if not 0 < self.step <= (self.high - self.low) / 2:
            raise InputError(
                f"the smallest step of the regulator is {self.step:g} {self.unit}; it must lie above 0 "
                f"and be at most half its travel of {self.high - self.low:g}"
            )

    @property
    def middle(self) -> float:
        """Middle of its travel."""
        return (self.low + self.high) / 2

    @property
    def doubt(self) -> float:
        """Standard uncertainty of a move."""
        return self.step / 2 / math.sqrt(3)

    def reached(self, setting: float) -> float:
        """The nearest setting that can be made."""
        steps = round((setting - self.setting) / self.step) * self.step
        return min(max(self.setting + steps, self.low), self.high)


MEASURED_WRONG = 0.04
"""Chance that a response calculated from measures is wrong: a measure misread, a wrong material (no source)."""

TOLD_WRONG = 0.2
"""Chance that a memory is wrong by more than its stated uncertainty (no source). With a fiftieth, three of four
promises held on clocks with wrong memories, instead of nineteen of twenty."""

GUESS_WRONG = 0.10
"""The same chance for a guess of the regulator, whose stated uncertainty is 30 % (no source). With a fifth, a third
fewer clocks with right guesses are within 1 s/day after three trials. Where the sign was wrong 92 of 100 promises held,
with 0.08 88, with 0.12 96; the second promise of a clock with a right guess is 5 % wider with 0.12."""


@dataclass(frozen=True, slots=True)
class Response:
    """The belief about a clock's response, before a trial or after one.

    ``per_gram`` (1/g, all weights together) and ``per_unit`` (one over a unit of the regulator; None without one) are
    ``uncertainties`` values; ``source`` says in words where they come from. ``chance_wrong`` and ``unit_chance_wrong``
    are the chances that the two are wrong by more than their uncertainty. ``usual`` says that only the usual value is
    known.
    """

    per_gram: UFloat
    per_unit: UFloat = None
    source: str = ""
    chance_wrong: float = MEASURED_WRONG
    unit_chance_wrong: float = GUESS_WRONG
    usual: bool = False

    def __post_init__(self) -> None:
        if not self.per_gram.nominal_value > 0:
            raise InputError(
                f"a gram would quicken this clock ({self.per_gram.nominal_value:g} of T^2); weights must sit "
                "further from the axis: check radius, inertia and load"
            )

    @property
    def s_per_day_per_gram(self) -> UFloat:
        """Change of rate by one more gram (all weights together), for a clock near time."""
        return -DAY_S / 2 * self.per_gram

    @property
    def s_per_day_per_unit(self) -> UFloat:
        """Change of rate by one more unit of the regulator, for a clock near time."""
        return None if self.per_unit is None else -DAY_S / 2 * self.per_unit


@dataclass(frozen=True, slots=True)
class StripDoubt:
    """Half-widths of the errors of the measures (rectangular distributions)."""

    thickness_um: float = 2.0
    width_mm: float = 0.02
    length_mm: float = 1.0
    radius_mm: float = 1.0
    load_percent: float = 5.0


def per_gram_from_strip(
    strip: spring.Strip,
    load_g: float,
    period_s: float,
    radius_mm: float,
    *,
    arc_deg: float = 0.0,
    material: StripMaterial | None = None,
    doubt: StripDoubt | None = None,
) -> UFloat:
    """Growth of T^2 by a gram, from the strip that carries the balance and the period.

    Parameters
    ----------
    strip, load_g, period_s
        The strip, the total mass that hangs on it, and the full period.
    radius_mm : float
        Distance of the weights from the axis.
    material : StripMaterial, optional
        Material from the table, for the doubt of its shear modulus. Default: 5 %.

    Examples
    --------
    >>> bench = spring.Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> print(43200 * per_gram_from_strip(bench, 300, period_s=15, radius_mm=35))
    130+/-8
    """
    may = doubt or StripDoubt()
    radius = float(within("radius of the weights", radius_mm, 0, 500, "mm", "measure from the axis"))
    inertia = float(spring.inertia_g_mm2(strip, load_g, period_s, arc_deg))
    change = strip_change.sensitivities(strip, load_g, arc_deg)
    spread = 0.05 if material is None else material.shear_modulus_spread_gpa / material.shear_modulus_gpa
    relative = math.sqrt(
        sum(
            part**2 / 3
            for part in (
                change.exponent_thickness * may.thickness_um / 1e3 / strip.thickness_mm,
                change.exponent_width * may.width_mm / strip.width_mm,
                may.length_mm / strip.active_length_mm,
                change.exponent_modulus * spread,
                change.exponent_load * may.load_percent / 100,
                2 * may.radius_mm / radius,
            )
        )
    )
    return _known(radius**2 / inertia - change.exponent_load / load_g, relative)


def per_gram_from_inertia(
    inertia_g_mm2: float, radius_mm: float, *, inertia_percent: float = 10.0, radius_doubt_mm: float = 1.0
) -> UFloat:
    """Growth of T^2 by a gram, from a known moment of inertia. The doubts are half-widths.

    Parameters
    ----------
    inertia_g_mm2 : float
        Moment of inertia of the balance.
    radius_mm : float
        Distance of the weights from the axis.
    inertia_percent : float
        How far off the inertia may be (half-width).
    radius_doubt_mm : float
        How far off the radius may be (half-width).

    Examples
    --------
    >>> print(43200 * per_gram_from_inertia(404_457, radius_mm=35))
    131+/-9
    """
    inertia = float(within("inertia", inertia_g_mm2, 0, 1e9, "g mm2", "give grams times millimetres squared"))
    radius = float(within("radius of the weights", radius_mm, 0, 500, "mm", "measure from the axis"))
    relative = math.hypot(inertia_percent / 100, 2 * radius_doubt_mm / radius) / math.sqrt(3)
    return _known(radius**2 / inertia, relative)


def per_gram_from_load(load_g: float) -> UFloat:
    """Growth of T^2 by a gram, from the mass of the balance alone.

    The radius of gyration of a balance is taken as 0.7 to 1.2 of the weights' distance from the axis, for
    rings, spheres and discs with their weights near the rim (common practice, no source).
    """
    load = float(within("hanging mass", load_g, 0, 20_000, "g", "weigh the balance"))
    low, high = 1 / 1.2**2, 1 / 0.7**2
    return _known((low + high) / 2 / load, (high - low) / (high + low) / math.sqrt(3))


def per_gram_from_weights(
    added_g: float,
    rate_change_s_per_day: float,
    *,
    rate_before_s_per_day: float = 0.0,
    added_half_width_g: float = 0.5,
    rate_half_width_s_per_day: float = 60.0,
) -> UFloat:
    """Growth of T^2 by a gram, from a remembered change of weights and of rate.

    Parameters
    ----------
    added_g : float
        Total weight added (negative: taken off).
    rate_change_s_per_day : float
        Rate after less rate before: negative where the clock was slowed.
    added_half_width_g, rate_half_width_s_per_day : float
        How far off the two may be (half-widths); a figure quoted as "about" is rounded.

    Raises
    ------
    InputError
        The figures say that added weight made the clock gain, or the reverse.

    Examples
    --------
    >>> print(43200 * per_gram_from_weights(6, -900))
    152+/-9
    """
    added = float(within("grams added", added_g, -500, 500, "g", "give all sides together"))
    change = float(within("change of rate", rate_change_s_per_day, -14_400, 14_400, "s/day"))
    if added * change >= 0:
        raise InputError(
            f"{added:+g} g is said to have changed the rate by {change:+g} s/day; weight added slows a clock "
            "and weight taken off quickens it: check the signs"
        )
    before = float(within("rate before", rate_before_s_per_day, -14_400, 14_400, "s/day"))
    relative = math.hypot(added_half_width_g / added, rate_half_width_s_per_day / change) / math.sqrt(3)
    growth = ((1 + before / DAY_S) / (1 + (before + change) / DAY_S)) ** 2 - 1
    return _known(growth / added, relative)


def per_gram_usual() -> UFloat:
    """Growth of T^2 by a gram in a clock about which nothing is known (common practice, no source)."""
    return _known(2 * USUAL_RATE_S_PER_DAY / DAY_S / USUAL_GRAMS, USUAL_DOUBT)


def per_unit_from_effect(s_per_day_per_unit: float, doubt_s_per_day: float | None = None) -> UFloat:
    """Growth of T^2 by one unit of the regulator, from the gain by one more unit (doubt: standard uncertainty, or 30 %).

    Raises
    ------
    InputError
        The effect is zero.

    Examples
    --------
    >>> print(-43200 * per_unit_from_effect(20, 4))
    20+/-4
    """
    effect = float(within("effect of the regulator", s_per_day_per_unit, -7200, 7200, "s/day per unit"))
    if effect == 0:
        raise InputError("the effect of the regulator is 0 s/day; give what one unit more gains, roughly")
    relative = 0.3 if doubt_s_per_day is None else abs(doubt_s_per_day / effect)
    within("doubt of the effect of the regulator", abs(relative * effect), 0, abs(effect), "s/day")
    return _ufloat(-2 * effect / DAY_S, 2 * abs(effect) * min(relative, LARGEST_DOUBT) / DAY_S)


def per_unit_from_length(active_length_mm: float, doubt_mm: float = 2.0) -> UFloat:
    """Growth of T^2 by a millimetre of active length, 1 / L (half-width ``doubt_mm``: clamps grip unevenly).

    Examples
    --------
    >>> print(-43200 * per_unit_from_length(100))
    -432+/-5
    """
    length = float(within("active length", active_length_mm, 0, 2000, "mm", "measure between the clamps"))
    return _known(1 / length, doubt_mm / length / math.sqrt(3))


def _known(value: float, relative: float) -> UFloat:
    return _ufloat(value, abs(value) * min(max(relative, 1e-6), LARGEST_DOUBT))


def _ufloat(value: float, sigma: float) -> UFloat:
    from uncertainties import ufloat

    return ufloat(value, sigma)
