"""Weights: what they weigh, what inertia they add, and the grams that bring a clock to time.

Inertia I = I0 + n (m rho^2 + own inertia of each disc). T^2 = (2 pi)^2 I / kappa is therefore a straight
line in m: two readings with different weights fix it, more refine it. Grams, millimetres, seconds; inertia
in g mm2; rates in seconds per day, > 0 gains.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import (
    Figure,
    FloatArray,
    elementwise,
    figure,
    one_number,
    period_within,
    within,
)
from torsionbeat.theory.rate import DAY_S

Lie = Literal["flat", "upright"]

__all__ = [
    "Lie",
    "WeightLine",
    "added_mass_rate_s_per_day",
    "disc_inertia_g_mm2",
    "disc_mass_g",
    "disc_thickness_mm",
    "fit_weight_line",
    "loaded_inertia_g_mm2",
    "mass_for_rate_g",
    "moved_mass_rate_s_per_day",
    "spread_rate_s_per_day",
]


@elementwise
def disc_mass_g(
    thickness_mm: npt.ArrayLike,
    diameter_mm: npt.ArrayLike,
    bore_mm: npt.ArrayLike,
    density_kg_per_m3: npt.ArrayLike,
) -> Figure:
    """Mass of a disc with a hole.

    Parameters
    ----------
    thickness_mm, diameter_mm, bore_mm : array_like
        Thickness, outer diameter, diameter of the hole (0: none).
    density_kg_per_m3 : array_like
        See `torsionbeat.theory.materials.WEIGHT_METALS`.

    Returns
    -------
    float or ndarray
        Grams.

    Examples
    --------
    >>> round(disc_mass_g(0.5, diameter_mm=12, bore_mm=3, density_kg_per_m3=8500), 3)
    0.451
    """
    thickness = within("thickness", thickness_mm, 0, 1000, "mm", "measure with a caliper")
    return figure(thickness * _mass_per_mm(diameter_mm, bore_mm, density_kg_per_m3))


@elementwise
def disc_thickness_mm(
    mass_g: npt.ArrayLike,
    diameter_mm: npt.ArrayLike,
    bore_mm: npt.ArrayLike,
    density_kg_per_m3: npt.ArrayLike,
) -> Figure:
    """Thickness of a disc of a given mass: the inverse of `disc_mass_g`.

    Parameters
    ----------
    mass_g : array_like
    diameter_mm : array_like
    bore_mm : array_like
    density_kg_per_m3 : array_like
    """
    mass = within("mass", mass_g, 0, 1e5, "g", "give what the disc shall weigh")
    return figure(mass / _mass_per_mm(diameter_mm, bore_mm, density_kg_per_m3))


@elementwise
def disc_inertia_g_mm2(
    mass_g: npt.ArrayLike,
    diameter_mm: npt.ArrayLike,
    bore_mm: npt.ArrayLike,
    thickness_mm: npt.ArrayLike,
    lie: Lie = "flat",
) -> Figure:
    """Inertia of a disc about a line through its own centre, parallel to the axis of the balance.

    Parameters
    ----------
    mass_g, diameter_mm, bore_mm, thickness_mm : array_like
        Mass and measures of the disc.
    lie : {'flat', 'upright'}
        ``flat``: the disc's axis is parallel to that of the balance (washers on a peg); ``upright``: it
        crosses it (a disc threaded on a spoke).

    Returns
    -------
    float or ndarray
        g mm2: m (R^2 + r^2) / 2 flat, m (3 (R^2 + r^2) + h^2) / 12 upright.

    Raises
    ------
    InputError
        There is no such way to lie.

    Examples
    --------
    >>> disc_inertia_g_mm2(2, diameter_mm=12, bore_mm=0, thickness_mm=2)
    36.0
    """
    mass = within("mass", mass_g, 0, 1e5, "g", low_allowed=True)
    radius, bore = _radii(diameter_mm, bore_mm)
    thickness = within("thickness", thickness_mm, 0, 1000, "mm", "measure with a caliper", low_allowed=True)
    if lie not in ("flat", "upright"):
        raise InputError(
            f"a disc lies {lie!r}; it must be 'flat' (axis parallel to the balance's) or 'upright'"
        )
    squares = radius**2 + bore**2
    return figure(mass * squares / 2 if lie == "flat" else mass * (3 * squares + thickness**2) / 12)


@elementwise
def loaded_inertia_g_mm2(
    bare_g_mm2: npt.ArrayLike,
    count: int,
    mass_g: npt.ArrayLike,
    radius_mm: npt.ArrayLike,
    own_g_mm2: npt.ArrayLike = 0.0,
) -> Figure:
    """Inertia of a balance with equal weights on it: bare + count (mass radius^2 + own).

    Parameters
    ----------
    bare_g_mm2 : array_like
        Inertia without the weights.
    count : int
        How many weights, evenly round the balance.
    mass_g, radius_mm, own_g_mm2 : array_like
        Mass of each; distance of its centre from the axis; its `disc_inertia_g_mm2`.

    Examples
    --------
    >>> loaded_inertia_g_mm2(400_000, 2, mass_g=1.0, radius_mm=35)
    402450.0
    """
    bare = within("bare inertia", bare_g_mm2, 0, 1e12, "g mm2", low_allowed=True)
    number = within("number of weights", count, 0, 1000, "", low_allowed=True)
    mass = within("mass", mass_g, -1e5, 1e5, "g")
    own = within("own inertia", own_g_mm2, 0, 1e12, "g mm2", low_allowed=True)
    return figure(bare + number * (mass * _radius(radius_mm) ** 2 + own))


@elementwise
def added_mass_rate_s_per_day(
    mass_g: npt.ArrayLike,
    radius_mm: npt.ArrayLike,
    inertia_g_mm2: npt.ArrayLike,
    *,
    stiffening_per_g: npt.ArrayLike = 0.0,
    rate_s_per_day: npt.ArrayLike = 0.0,
) -> Figure:
    """Rate after mass is added to (or, negative, taken from) the balance.

    Parameters
    ----------
    mass_g : array_like
        All that is added, evenly round the balance.
    radius_mm : array_like
        Distance of its centre of mass from the axis; to count its own inertia, use the root of the mean
        square distance of its parts.
    inertia_g_mm2 : array_like
        Inertia of the balance before.
    stiffening_per_g : array_like
        Relative stiffening of the strip by a gram of load, ``exponent_load / load_g`` of
        `torsionbeat.theory.strip_change.sensitivities`: a mass on the axis quickens the clock.
    rate_s_per_day : array_like
        Rate before.

    Returns
    -------
    float or ndarray
        Seconds per day; near -43200 m radius^2 / I for little mass.

    Raises
    ------
    InputError
        More is taken than the balance has.

    Examples
    --------
    >>> round(added_mass_rate_s_per_day(1, radius_mm=35, inertia_g_mm2=404_457), 1)
    -130.5
    """
    start = _rate(rate_s_per_day)
    mass = within("added mass", mass_g, -1e5, 1e5, "g")
    inertia = _inertia(inertia_g_mm2)
    grown = 1 + mass * _radius(radius_mm) ** 2 / inertia
    stiffer = 1 + mass * within("stiffening per gram", stiffening_per_g, 0, 1, "1/g", low_allowed=True)
    if np.any(grown <= 0) or np.any(stiffer <= 0):
        raise InputError(
            f"added mass is {np.min(mass):g} g; so much cannot be taken from this balance: take less"
        )
    return figure(DAY_S * ((1 + start / DAY_S) * np.sqrt(stiffer / grown) - 1))


@elementwise
def mass_for_rate_g(
    rate_s_per_day: npt.ArrayLike,
    radius_mm: npt.ArrayLike,
    inertia_g_mm2: npt.ArrayLike,
    *,
    stiffening_per_g: npt.ArrayLike = 0.0,
) -> Figure:
    """Mass that takes a rate away: add it where the clock gains; negative, take it off where it loses.

    Parameters
    ----------
    rate_s_per_day : array_like
        Rate to take away.
    radius_mm, inertia_g_mm2, stiffening_per_g : array_like
        As for `added_mass_rate_s_per_day`, of which this is the exact inverse.

    Returns
    -------
    float or ndarray
        Grams in all, to be put evenly round the balance.

    Raises
    ------
    InputError
        The radius is so small that mass there does not slow the clock.

    Examples
    --------
    >>> round(mass_for_rate_g(60, radius_mm=35, inertia_g_mm2=404_457), 3)
    0.459
    """
    factor = (1 + _rate(rate_s_per_day) / DAY_S) ** 2
    inertia = _inertia(inertia_g_mm2)
    stiffening = within("stiffening per gram", stiffening_per_g, 0, 1, "1/g", low_allowed=True)
    radius = _radius(radius_mm)
    lever = radius**2 - inertia * stiffening * factor
    if np.any(lever <= 0):
        raise InputError(
            f"radius is {np.min(radius):g} mm; mass there slows the clock no more than its pull "
            "on the strip quickens it: use a larger radius"
        )
    return figure(inertia * (factor - 1) / lever)


@elementwise
def moved_mass_rate_s_per_day(
    mass_g: npt.ArrayLike,
    from_mm: npt.ArrayLike,
    to_mm: npt.ArrayLike,
    inertia_g_mm2: npt.ArrayLike,
    rate_s_per_day: npt.ArrayLike = 0.0,
) -> Figure:
    """Rate after weights are moved from one radius to another; ``mass_g`` all of them, the load stays.

    Parameters
    ----------
    mass_g : array_like
        All of them.
    from_mm : array_like
        Radius now.
    to_mm : array_like
        Radius then.
    inertia_g_mm2 : array_like
        Moment of inertia of the balance.
    rate_s_per_day : array_like
        Rate now.

    Raises
    ------
    InputError
        More is moved than the inertia holds.

    Examples
    --------
    >>> round(moved_mass_rate_s_per_day(50, from_mm=35, to_mm=35.1, inertia_g_mm2=404_457), 1)
    -37.4
    """
    mass, inertia = within("moved mass", mass_g, 0, 1e5, "g", low_allowed=True), _inertia(inertia_g_mm2)
    grown = 1 + mass * (_radius(to_mm) ** 2 - _radius(from_mm) ** 2) / inertia
    if np.any(grown <= 0):
        raise InputError(
            f"moved mass is {np.max(mass):g} g; that is more than this inertia holds: check both figures"
        )
    return figure(DAY_S * ((1 + _rate(rate_s_per_day) / DAY_S) / np.sqrt(grown) - 1))


@elementwise
def spread_rate_s_per_day(
    radius_mm: npt.ArrayLike, shift_mm: npt.ArrayLike, rate_s_per_day: npt.ArrayLike = 0.0
) -> Figure:
    """Rate after all the mass of a balance, at one radius (of gyration), is moved outward by a shift.

    Parameters
    ----------
    radius_mm : array_like
        Radius of gyration.
    shift_mm : array_like
        Outward; below 0 inward.
    rate_s_per_day : array_like
        Rate now.

    Raises
    ------
    InputError
        The weights would pass the axis.

    Examples
    --------
    >>> round(spread_rate_s_per_day(36.718, 0.1), 1)
    -234.7
    """
    radius, shift = _radius(radius_mm), within("shift", shift_mm, -1000, 1000, "mm")
    if np.any(radius + shift <= 0):
        raise InputError(
            f"shift is {np.min(shift):g} mm; it must leave the weights outside the axis: shift by less"
        )
    return figure(DAY_S * ((1 + _rate(rate_s_per_day) / DAY_S) * radius / (radius + shift) - 1))


@dataclass(frozen=True, slots=True)
class WeightLine:
    """T^2 = square_bare_s2 + square_per_g_s2 * mass, correlated ``uncertainties`` values.

    ``residual_s`` (n,) is measured period minus that of the line, zero where only two readings made it.
    """

    square_bare_s2: Any
    square_per_g_s2: Any
    residual_s: FloatArray

    def period_s(self, mass_g: float) -> Any:
        """Period with a mass."""
        return (self.square_bare_s2 + self.square_per_g_s2 * mass_g) ** 0.5

    def mass_for_period_g(self, period_s: float) -> Any:
        """Mass that gives a period, grams with its uncertainty."""
        return (
            one_number("period", period_within(period_s)) ** 2 - self.square_bare_s2
        ) / self.square_per_g_s2

    def rate_per_g_s_per_day(self, mass_g: float) -> Any:
        """What a gram more does to the rate at a mass, seconds per day (negative: loses)."""
        return -DAY_S / 2 * self.square_per_g_s2 / (self.square_bare_s2 + self.square_per_g_s2 * mass_g)


def fit_weight_line(
    mass_g: npt.ArrayLike, period_s: npt.ArrayLike, uncertainty_s: npt.ArrayLike
) -> WeightLine:
    """Straight line of T^2 in the mass of the weights, weighted by the uncertainty of each period.

    Parameters
    ----------
    mass_g, period_s, uncertainty_s : array_like, shape (n,)
        Mass of the weights (all together, or of each: the same every time), the period that went with it,
        and its standard uncertainty.

    Returns
    -------
    WeightLine

    Raises
    ------
    InputError
        Fewer than two different masses.

    Notes
    -----
    The pull of the load bends the line, by about 3e-5 of the slope per gram for a usual strip and 300 g.

    Examples
    --------
    >>> line = fit_weight_line([10, 11], [15.010, 15.0326], [0.0002, 0.0002])
    >>> print(line.mass_for_period_g(15.0))
    9.558+/-0.013
    """
    from uncertainties import correlated_values

    mass = within("mass", mass_g, -1e5, 1e5, "g")
    period = within("period", period_s, 0, 600, "s", "give the full period, out and back")
    sigma = within("uncertainty of a period", uncertainty_s, 0, 600, "s", "give the standard uncertainty")
    if mass.ndim != 1 or mass.shape != period.shape or mass.shape != sigma.shape:
        raise InputError(
            f"{mass.size} masses, {period.size} periods and {sigma.size} uncertainties; "
            "give one row of each, equally long"
        )
    if np.unique(mass).size < 2:
        raise InputError(
            f"{np.unique(mass).size} different mass; two are needed: change the weights and read again"
        )
    weight = 1 / (2 * period * sigma)
    middle = float(np.average(mass, weights=weight**2))
    design = np.stack([np.ones_like(mass), mass - middle], axis=1) * weight[:, None]
    covariance = np.linalg.inv(design.T @ design)
    centre, slope = covariance @ design.T @ (period**2 * weight)
    at_middle, per_g = correlated_values([centre, slope], covariance)
    square = centre + slope * (mass - middle)
    if np.any(square <= 0):
        raise InputError(
            "the line of T^2 falls below 0; these periods and masses do not belong to one balance: read again"
        )
    return WeightLine(at_middle - per_g * middle, per_g, period - np.sqrt(square))


def _mass_per_mm(
    diameter_mm: npt.ArrayLike, bore_mm: npt.ArrayLike, density_kg_per_m3: npt.ArrayLike
) -> FloatArray:
    radius, bore = _radii(diameter_mm, bore_mm)
    density = within("density", density_kg_per_m3, 0, 25_000, "kg/m3", "brass has about 8500")
    return np.asarray(np.pi * (radius - bore) * (radius + bore) * density * 1e-6)


def _radii(diameter_mm: npt.ArrayLike, bore_mm: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    diameter = within("diameter", diameter_mm, 0, 1000, "mm", "measure with a caliper")
    bore = within("bore", bore_mm, 0, 1000, "mm", "measure with a caliper", low_allowed=True)
    if np.any(bore >= diameter):
        raise InputError(
            f"bore is {np.max(bore):g} mm and diameter {np.min(diameter):g} mm; "
            "the bore must be the smaller: exchange them"
        )
    return diameter / 2, bore / 2


def _radius(value: npt.ArrayLike) -> FloatArray:
    return within("radius", value, 0, 1000, "mm", "measure from the axis of the balance", low_allowed=True)


def _inertia(value: npt.ArrayLike) -> FloatArray:
    return within("inertia", value, 0, 1e12, "g mm2", "give grams times millimetres squared")


def _rate(value: npt.ArrayLike) -> FloatArray:
    return within("rate", value, -DAY_S, DAY_S, "s/day", "use the clock's measured rate")
