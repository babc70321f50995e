"""The suspension strip: its stiffness with the load on it, the period it gives, its stresses and its drift.

kappa = G b t^3 beta(b/t) / L + M g (b^2 + t^2) / (12 L): Saint-Venant's torsion of a rectangle, and the pull of the
hanging mass on the twisted strip (J. C. Buckley, Phil. Mag. 28 (1914) 778; T. J. Quinn, C. C. Speake, R. S.
Davis, Metrologia 34 (1997) 245). A large twist adds E t b^5 theta'^3 / 360 to the torque (O. Belluzzi,
Scienza delle costruzioni, par. 161), so a longer arc gains. Millimetres, grams, degrees and gigapascals
outside; SI within a function. Rates in seconds per day, > 0 gains. Stiffness in micronewton metres per
degree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import (
    Figure,
    FloatArray,
    arc_within,
    as_numbers,
    elementwise,
    figure,
    number_within,
    period_within,
    within,
)
from torsionbeat.theory.materials import StripMaterial
from torsionbeat.theory.rate import DAY_S

STANDARD_GRAVITY_M_PER_S2 = 9.80665
"""Standard acceleration of gravity (3rd General Conference on Weights and Measures, 1901)."""

__all__ = [
    "STANDARD_GRAVITY_M_PER_S2",
    "Strip",
    "arc_shortening",
    "arc_shortening_first_order",
    "beta",
    "beta_slope",
    "elastic_stiffness_un_m_per_deg",
    "inertia_g_mm2",
    "load_stiffness_un_m_per_deg",
    "peak_shear_stress_mpa",
    "peak_tension_stress_mpa",
    "period_s",
    "stiffness_un_m_per_deg",
    "temperature_lengthening_per_k",
    "temperature_rate_s_per_day_per_k",
    "twist_deg_per_mm",
    "twist_stiffening",
]

_ODD = np.arange(1, 400, 2, dtype=np.float64)
"""Odd numbers of Saint-Venant's series: what lies beyond is below 400^-4 / 8 = 5e-12 of its sum."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A flat suspension strip. ``active_length_mm`` is the free length between the two clamps."""

    width_mm: float
    thickness_mm: float
    active_length_mm: float
    shear_modulus_gpa: float
    youngs_modulus_gpa: float

    def __post_init__(self) -> None:
        within("strip width", self.width_mm, 0, 50, "mm", "measure with a micrometer")
        within(
            "strip thickness",
            self.thickness_mm,
            0,
            5,
            "mm",
            "0.004 inch is 0.1016 mm",
        )
        within(
            "active length", self.active_length_mm, 0, 2000, "mm", "measure between the edges of the clamps"
        )
        within("shear modulus", self.shear_modulus_gpa, 0, 500, "GPa", "see the table of strip materials")
        within("Young's modulus", self.youngs_modulus_gpa, 0, 1500, "GPa", "see the table of strip materials")
        if self.thickness_mm > self.width_mm:
            raise InputError(
                f"strip thickness is {self.thickness_mm:g} mm and its width {self.width_mm:g} mm; "
                "thickness must be the smaller: exchange them"
            )

    @classmethod
    def of(
        cls, material: StripMaterial, *, width_mm: float, thickness_mm: float, active_length_mm: float
    ) -> Strip:
        """Strip of a material of the table.

        Parameters
        ----------
        material : StripMaterial
        width_mm : float
        thickness_mm : float
        active_length_mm : float
            Between the clamps.
        """
        return cls(
            width_mm, thickness_mm, active_length_mm, material.shear_modulus_gpa, material.youngs_modulus_gpa
        )


@elementwise
def beta(ratio: npt.ArrayLike) -> Figure:
    """Saint-Venant's torsion factor of a rectangle, J = beta b t^3.

    Parameters
    ----------
    ratio : array_like
        Width over thickness, at least 1.

    Returns
    -------
    float or ndarray
        (1/3) [1 - (192 / pi^5) (t / b) sum over odd n of tanh(n pi b / 2 t) / n^5]; 1/3 for a very wide
        strip.

    Examples
    --------
    >>> round(beta(5), 6)
    0.291317
    """
    r = within("width over thickness", ratio, 1, np.inf, "", "give width over thickness", low_allowed=True)
    total = np.sum(np.tanh(np.pi / 2 * r[..., None] * _ODD) / _ODD**5, axis=-1)
    return figure((1 - 192 / np.pi**5 / r * total) / 3)


@elementwise
def beta_slope(ratio: npt.ArrayLike) -> Figure:
    """Derivative of `beta` with respect to the ratio of width to thickness."""
    r = within("width over thickness", ratio, 1, np.inf, "", "give width over thickness", low_allowed=True)
    x = np.minimum(np.pi / 2 * r[..., None] * _ODD, 300.0)
    total = np.sum(np.tanh(x) / _ODD**5, axis=-1)
    slope = np.sum(np.pi / 2 / np.cosh(x) ** 2 / _ODD**4, axis=-1)
    return figure(64 / np.pi**5 * (total / r - slope) / r)


def elastic_stiffness_un_m_per_deg(strip: Strip) -> float:
    """Stiffness of the strip alone, micronewton metres per degree."""
    return _per_degree(_elastic(strip))


def load_stiffness_un_m_per_deg(
    strip: Strip, load_g: float, gravity_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2
) -> float:
    """Stiffness that the pull of the hanging mass adds, micronewton metres per degree.

    Every fibre leans by its distance from the middle: M g times the section's mean square distance, (b^2 + t^2) / 12,
    over the length.

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    gravity_m_per_s2 : float
        Local gravity.
    """
    return _per_degree(_pull(strip, load_g, gravity_m_per_s2))


def stiffness_un_m_per_deg(
    strip: Strip, load_g: float, gravity_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2
) -> float:
    """Stiffness of the loaded strip, micronewton metres per degree.

    Parameters
    ----------
    strip : Strip
    load_g : float
        All that hangs on the strip: balance, weights, lower clamp.
    gravity_m_per_s2 : float
        Gravity where the clock stands; a change of 0.5 % moves the rate by 216 s a day times the load's share of the
        stiffness: 2 s at a share of 1 %, 11 at 5 %.

    Examples
    --------
    >>> bench = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> round(stiffness_un_m_per_deg(bench, load_g=300), 4)
    1.239
    """
    return _per_degree(_elastic(strip) + _pull(strip, load_g, gravity_m_per_s2))


@elementwise
def period_s(
    strip: Strip, load_g: float, inertia_g_mm2: npt.ArrayLike, arc_deg: npt.ArrayLike = 0.0
) -> Figure:
    """Period of a balance on a strip.

    Parameters
    ----------
    strip, load_g
        As for `stiffness_un_m_per_deg`, under standard gravity.
    inertia_g_mm2 : array_like
        Moment of inertia about the axis, grams times millimetres squared.
    arc_deg : array_like
        Arc, for the stiffening by a large twist; 0 for a very small swing.

    Examples
    --------
    >>> bench = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> round(period_s(bench, load_g=300, inertia_g_mm2=404_596.9), 4)
    15.0
    """
    inertia = within("inertia", inertia_g_mm2, 0, 1e12, "g mm2", "give grams times millimetres squared")
    swing = 2 * np.pi * np.sqrt(inertia * 1e-9 / _kappa(strip, load_g))
    return figure(swing * (1 - arc_shortening(strip, load_g, arc_deg)))


@elementwise
def inertia_g_mm2(
    strip: Strip, load_g: float, period_s: npt.ArrayLike, arc_deg: npt.ArrayLike = 0.0
) -> Figure:
    """Moment of inertia of the balance that swings with a period on a strip: the inverse of `period_s`.

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    period_s : array_like
        Full period.
    arc_deg : array_like
        Arc, end to end.
    """
    still = period_within(period_s) / (1 - np.asarray(arc_shortening(strip, load_g, arc_deg)))
    return figure((still / (2 * np.pi)) ** 2 * _kappa(strip, load_g) * 1e9)


@elementwise
def twist_stiffening(strip: Strip, load_g: float, arc_deg: npt.ArrayLike) -> Figure:
    """Cubic over linear torque at the turning point, e = k3 A^2 / kappa with k3 = E t b^5 / (360 L^3).

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    arc_deg : array_like
        Arc, end to end.
    """
    b, t, length = strip.width_mm * 1e-3, strip.thickness_mm * 1e-3, strip.active_length_mm * 1e-3
    cubic = strip.youngs_modulus_gpa * 1e9 * t * b**5 / (360 * length**3)
    return figure(cubic * np.radians(_arc(arc_deg) / 2) ** 2 / _kappa(strip, load_g))


@elementwise
def arc_shortening(strip: Strip, load_g: float, arc_deg: npt.ArrayLike) -> Figure:
    """Relative shortening of the period by the arc, exactly for a torque kappa theta + k3 theta^3.

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    arc_deg : array_like
        Arc, end to end.

    Returns
    -------
    float or ndarray
        1 - T(arc) / T(0), > 0: the clock gains by a longer arc.

    Notes
    -----
    T / T0 = (2 / pi) K(m) / sqrt(1 + e), m = e / (2 (1 + e)), e = k3 A^2 / kappa, k3 = E t b^5 / (360 L^3):
    the complete elliptic integral that solves Duffing's free swing. To first order it is (3/8) e.

    Examples
    --------
    >>> bench = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
    >>> round(86400 * (arc_shortening(bench, 300, 280) - arc_shortening(bench, 300, 270)), 2)
    0.21
    """
    from scipy.special import ellipk

    e = np.asarray(twist_stiffening(strip, load_g, arc_deg))
    return figure(1 - 2 / np.pi * ellipk(e / (2 * (1 + e))) / np.sqrt(1 + e))


@elementwise
def arc_shortening_first_order(strip: Strip, load_g: float, arc_deg: npt.ArrayLike) -> Figure:
    """Relative shortening of the period by the arc to first order, (3/8) k3 A^2 / kappa.

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    arc_deg : array_like
        Arc, end to end.
    """
    return figure(0.375 * np.asarray(twist_stiffening(strip, load_g, arc_deg)))


@elementwise
def temperature_lengthening_per_k(
    shear_modulus_drift_ppm_per_k: npt.ArrayLike,
    strip_expansion_ppm_per_k: npt.ArrayLike,
    balance_expansion_ppm_per_k: npt.ArrayLike,
    elastic_share: npt.ArrayLike = 1.0,
) -> Figure:
    """Relative lengthening of the period per kelvin.

    Parameters
    ----------
    shear_modulus_drift_ppm_per_k : array_like
        (1/G) dG/dT, negative for ordinary alloys.
    strip_expansion_ppm_per_k, balance_expansion_ppm_per_k : array_like
        Linear expansion of the strip and of what carries the weights.
    elastic_share : array_like
        Share of the strip itself in the stiffness, `Sensitivities.exponent_modulus`; the load's share
        expands with (b^2 + t^2) / L alone.

    Returns
    -------
    float or ndarray
        dT/T per kelvin = alpha_balance - (share (gamma_G + 3 alpha_strip) + (1 - share) alpha_strip) / 2, >
        0 loses when warm. Inertia grows with the square, b t^3 / L with the cube of expansion.

    Examples
    --------
    >>> round(1e6 * temperature_lengthening_per_k(-330, 17, 19), 1)
    158.5
    """
    drift = within(
        "drift of the shear modulus", shear_modulus_drift_ppm_per_k, -1e4, 1e4, "ppm/K", "in ppm per kelvin"
    )
    strip = within(
        "expansion of the strip", strip_expansion_ppm_per_k, -100, 1000, "ppm/K", "in ppm per kelvin"
    )
    balance = within(
        "expansion of the balance", balance_expansion_ppm_per_k, -100, 1000, "ppm/K", "in ppm per kelvin"
    )
    share = within("elastic share", elastic_share, 0, 1, "", "a share of 1", low_allowed=True)
    return figure(1e-6 * (balance - (share * (drift + 3 * strip) + (1 - share) * strip) / 2))


@elementwise
def temperature_rate_s_per_day_per_k(
    shear_modulus_drift_ppm_per_k: npt.ArrayLike,
    strip_expansion_ppm_per_k: npt.ArrayLike,
    balance_expansion_ppm_per_k: npt.ArrayLike,
    elastic_share: npt.ArrayLike = 1.0,
) -> Figure:
    """Change of rate per kelvin, seconds per day; the arguments are those of `temperature_lengthening_per_k`.

    Parameters
    ----------
    shear_modulus_drift_ppm_per_k : array_like
    strip_expansion_ppm_per_k : array_like
    balance_expansion_ppm_per_k : array_like
    elastic_share : array_like
        Share of the strip's own stiffness in all of it.

    Examples
    --------
    >>> round(temperature_rate_s_per_day_per_k(-330, 17, 19), 2)
    -13.69
    """
    return figure(
        -DAY_S
        * temperature_lengthening_per_k(
            shear_modulus_drift_ppm_per_k,
            strip_expansion_ppm_per_k,
            balance_expansion_ppm_per_k,
            elastic_share,
        )
    )


@elementwise
def twist_deg_per_mm(strip: Strip, arc_deg: npt.ArrayLike) -> Figure:
    """Twist of the strip at the turning point, degrees per millimetre: half the arc over the length."""
    return figure(_arc(arc_deg) / 2 / strip.active_length_mm)


@elementwise
def peak_shear_stress_mpa(strip: Strip, arc_deg: npt.ArrayLike) -> Figure:
    """Greatest shear stress at the turning point (middle of the flat side), megapascals.

    Notes
    -----
    G theta' t [1 - (8 / pi^2) sum over odd n of 1 / (n^2 cosh(n pi b / 2 t))] (Saint-Venant; S. Timoshenko &
    J. N. Goodier, Theory of Elasticity, 3rd ed. 1970, sec. 109).
    """
    x = np.minimum(np.pi / 2 * strip.width_mm / strip.thickness_mm * _ODD, 300.0)
    factor = 1 - 8 / np.pi**2 * float(np.sum(1 / (_ODD**2 * np.cosh(x))))
    twist = np.radians(np.asarray(twist_deg_per_mm(strip, arc_deg)))
    return figure(strip.shear_modulus_gpa * 1e3 * twist * strip.thickness_mm * factor)


@elementwise
def peak_tension_stress_mpa(strip: Strip, load_g: float, arc_deg: npt.ArrayLike = 0.0) -> Figure:
    """Greatest tension in megapascals, at the edges of the strip and the turning point of the balance.

    Load over section, plus E theta'^2 b^2 / 12 by the twist: the edges grow longer than the middle.

    Parameters
    ----------
    strip : Strip
    load_g : float
        What hangs on the strip.
    arc_deg : array_like
        Arc, end to end.
    """
    twist = np.radians(np.asarray(twist_deg_per_mm(strip, arc_deg)))
    load = _load(load_g) * STANDARD_GRAVITY_M_PER_S2 / (strip.width_mm * strip.thickness_mm)
    return figure(load + strip.youngs_modulus_gpa * 1e3 * (twist * strip.width_mm) ** 2 / 12)


def _elastic(strip: Strip) -> float:
    """G b t^3 beta / L in N m per radian."""
    b, t, length = strip.width_mm * 1e-3, strip.thickness_mm * 1e-3, strip.active_length_mm * 1e-3
    return strip.shear_modulus_gpa * 1e9 * b * t**3 * float(beta(b / t)) / length


def _pull(strip: Strip, load_g: float, gravity: float = STANDARD_GRAVITY_M_PER_S2) -> float:
    """M g (b^2 + t^2) / (12 L) in N m per radian."""
    g = number_within("gravity", gravity, 9, 10.5, "m/s2", "9.80665 will do")
    square = (strip.width_mm**2 + strip.thickness_mm**2) * 1e-6
    return _load(load_g) * g * square / (12 * strip.active_length_mm * 1e-3)


def _load(load_g: float) -> float:
    return number_within("load", load_g, 0, 1e5, "g", "weigh all that hangs on the strip") * 1e-3


def _kappa(strip: Strip, load_g: float) -> float:
    return _elastic(strip) + _pull(strip, load_g)


def _arc(arc_deg: npt.ArrayLike) -> FloatArray:
    arc = as_numbers("arc", arc_deg)
    return np.where(arc == 0, 0.0, arc_within(np.where(arc == 0, 1.0, arc)))


def _per_degree(stiffness_n_m_per_rad: float) -> float:
    return float(np.radians(stiffness_n_m_per_rad) * 1e6)
