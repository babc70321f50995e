"""Changing the strip: what each of its measures does to the rate, and which strip brings a clock to time.

Every figure comes from the full stiffness of `torsionbeat.theory.spring`, differentiated or evaluated twice,
never from the exponents of a very thin strip: at a width of five thicknesses those are 6 % (thickness) and
15 % (width) off. Millimetres, grams, degrees; rates in seconds per day, > 0 gains.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import number_within
from torsionbeat.theory.rate import DAY_S
from torsionbeat.theory.spring import (
    Strip,
    arc_shortening,
    beta,
    beta_slope,
    elastic_stiffness_un_m_per_deg,
    stiffness_un_m_per_deg,
    twist_stiffening,
)

MM_PER_THOUSANDTH_INCH = 0.0254
"""An inch is 25.4 mm (exact, since 1959)."""

Measure = Literal["thickness_mm", "width_mm", "active_length_mm"]

__all__ = [
    "MM_PER_THOUSANDTH_INCH",
    "Measure",
    "Sensitivities",
    "rate_after_s_per_day",
    "sensitivities",
    "strip_to_time",
]


@dataclass(frozen=True, slots=True)
class Sensitivities:
    """What small changes do to the rate, from the full stiffness (`sensitivities`).

    ``exponent_...`` is d ln kappa / d ln (measure) of a very small swing. The others are rates in seconds
    per day for one unit more: micrometre and thousandth of an inch of thickness, millimetre of width and of
    active length, gram of load on the axis (pull alone, no inertia), gigapascal of shear modulus, and
    degree of arc.
    """

    exponent_thickness: float
    exponent_width: float
    exponent_length: float
    exponent_modulus: float
    exponent_load: float
    s_per_day_per_um_thickness: float
    s_per_day_per_thousandth_inch_thickness: float
    s_per_day_per_mm_width: float
    s_per_day_per_mm_length: float
    s_per_day_per_g_on_axis: float
    s_per_day_per_gpa_shear_modulus: float
    s_per_day_per_deg_arc: float


def sensitivities(strip: Strip, load_g: float, arc_deg: float = 0.0) -> Sensitivities:
    """Differentiate the full stiffness and the effect of the arc with respect to every measure.

    For large steps (another strip) use `rate_after_s_per_day`: thickness works with nearly the third power.

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    arc_deg : float
        Arc, end to end; 0: a very small swing.

    Examples
    --------
    >>> from torsionbeat.theory.spring import Strip
    >>> bench = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> round(sensitivities(bench, load_g=300).s_per_day_per_um_thickness)
    1223
    """
    arc_deg = _one_arc(arc_deg)
    share = elastic_stiffness_un_m_per_deg(strip) / stiffness_un_m_per_deg(strip, load_g)
    ratio = strip.width_mm / strip.thickness_mm
    # d ln beta / d ln ratio
    bend = float(ratio * beta_slope(ratio) / beta(ratio))

    # The pull goes with b^2 + t^2, nearly all of it the width's.
    of_width = ratio**2 / (1 + ratio**2)
    exponent = {
        "thickness": share * (3 - bend) + 2 * (1 - share) * (1 - of_width),
        "width": share * (1 + bend) + 2 * (1 - share) * of_width,
        "length": -1.0,
        "modulus": share,
        "load": 1 - share,
    }
    # d ln T / d ln e of the exact arc effect, e = k3 A^2 / kappa.
    e = float(twist_stiffening(strip, load_g, arc_deg))
    stretch = _arc_exponent(e)
    twist = {"thickness": 1.0, "width": 5.0, "length": -3.0, "modulus": 0.0, "load": 0.0}

    def rate_per(measure: str, size: float) -> float:
        log_period = -0.5 * exponent[measure] + stretch * (twist[measure] - exponent[measure])
        return -DAY_S * log_period / size

    thickness_mm = rate_per("thickness", strip.thickness_mm)
    return Sensitivities(
        exponent_thickness=exponent["thickness"],
        exponent_width=exponent["width"],
        exponent_length=exponent["length"],
        exponent_modulus=exponent["modulus"],
        exponent_load=exponent["load"],
        s_per_day_per_um_thickness=thickness_mm / 1000,
        s_per_day_per_thousandth_inch_thickness=thickness_mm * MM_PER_THOUSANDTH_INCH,
        s_per_day_per_mm_width=rate_per("width", strip.width_mm),
        s_per_day_per_mm_length=rate_per("length", strip.active_length_mm),
        s_per_day_per_g_on_axis=rate_per("load", load_g),
        s_per_day_per_gpa_shear_modulus=rate_per("modulus", strip.shear_modulus_gpa),
        s_per_day_per_deg_arc=-DAY_S * 2 * stretch / arc_deg if arc_deg else 0.0,
    )


def rate_after_s_per_day(
    now: Strip,
    new: Strip,
    load_g: float,
    *,
    rate_s_per_day: float = 0.0,
    new_load_g: float | None = None,
    arc_deg: float = 0.0,
    new_arc_deg: float | None = None,
) -> float:
    """Rate with another strip (or load, or arc) on the same balance, without any linearisation.

    Parameters
    ----------
    now, new : Strip
        The strip that is in the clock, and the other.
    load_g, new_load_g : float
        What hangs on it, now and then; the inertia stays (see `torsionbeat.theory.weights` for weights).
    rate_s_per_day : float
        Rate now.
    arc_deg, new_arc_deg : float
        Arc now and then.

    Returns
    -------
    float
        Rate with the new strip, seconds per day.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from torsionbeat.theory.spring import Strip
    >>> bench = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> round(rate_after_s_per_day(bench, replace(bench, active_length_mm=101), 300), 1)
    -428.8
    """
    start = number_within("rate", rate_s_per_day, -DAY_S, DAY_S, "s/day", "use the clock's measured rate")
    then_load, then_arc = (
        load_g if new_load_g is None else new_load_g,
        _one_arc(arc_deg if new_arc_deg is None else new_arc_deg),
    )
    arc_deg = _one_arc(arc_deg)
    stiffer = stiffness_un_m_per_deg(new, then_load) / stiffness_un_m_per_deg(now, load_g)
    arc = (1 - arc_shortening(now, load_g, arc_deg)) / (1 - arc_shortening(new, then_load, then_arc))
    return float(DAY_S * ((1 + start / DAY_S) * np.sqrt(stiffer) * arc - 1))


def strip_to_time(
    now: Strip, load_g: float, rate_s_per_day: float, measure: Measure, *, arc_deg: float = 0.0
) -> Strip:
    """Strip that brings the clock to time by one of its measures.

    Parameters
    ----------
    now, load_g, arc_deg
        As for `rate_after_s_per_day`; the arc is taken to stay.
    rate_s_per_day : float
        Rate now, to be brought to 0.
    measure : {'thickness_mm', 'width_mm', 'active_length_mm'}
        Which measure to change.

    Returns
    -------
    Strip
        ``now`` with that measure changed.

    Raises
    ------
    InputError
        No strip between a fifth and five times that measure keeps time.

    Examples
    --------
    >>> from torsionbeat.theory.spring import Strip
    >>> bench = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> round(strip_to_time(bench, 300, -60, "active_length_mm").active_length_mm, 3)
    99.861
    """
    from scipy.optimize import brentq

    if measure not in ("thickness_mm", "width_mm", "active_length_mm"):
        raise InputError(f"measure is {measure!r}; it must be thickness_mm, width_mm or active_length_mm")
    size = float(getattr(now, measure))
    low, high = size / 5, size * 5
    if measure == "thickness_mm":
        high = min(high, now.width_mm)
    if measure == "width_mm":
        low = max(low, now.thickness_mm)

    def rate_with(value: float) -> float:
        new = _with(now, measure, value)
        return rate_after_s_per_day(now, new, load_g, rate_s_per_day=rate_s_per_day, arc_deg=arc_deg)

    if rate_with(low) * rate_with(high) > 0:
        raise InputError(
            f"no {measure.removesuffix('_mm').replace('_', ' ')} between {low:.4g} and {high:.4g} mm "
            f"takes away {rate_s_per_day:g} s/day; change the weights or another measure of the strip"
        )
    return _with(now, measure, float(brentq(rate_with, low, high, xtol=1e-12, rtol=1e-14)))


def _one_arc(arc_deg: float) -> float:
    return number_within(
        "arc", arc_deg, 0, 1440, "deg", "give it end to end, or 0 for a very small swing", low_allowed=True
    )


def _arc_exponent(e: float) -> float:
    """d ln T / d ln e for the exact arc effect; -(3/8) e where e is small."""
    from scipy.special import ellipe, ellipk

    if e < 1e-9:
        return -0.375 * e
    m = e / (2 * (1 + e))
    slope = (ellipe(m) / ellipk(m) - (1 - m)) / (2 * m * (1 - m))
    return float(slope * e / (2 * (1 + e) ** 2) - 0.5 * e / (1 + e))


def _with(strip: Strip, measure: Measure, value: float) -> Strip:
    if measure == "thickness_mm":
        return replace(strip, thickness_mm=value)
    if measure == "width_mm":
        return replace(strip, width_mm=value)
    return replace(strip, active_length_mm=value)
