"""The effect of a suspension strip, and of another one, with the uncertainty from the measures.

A strip's thickness acts with nearly the third power, so a micrometre of doubt is minutes a day. Every result includes
the doubt of thickness, width, length, modulus and load (half-widths of rectangular distributions, from `StripDoubt` and
the table of materials). Millimetres, grams, degrees, kelvin; rates in seconds per day, > 0 gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from torsionbeat.errors import InputError
from torsionbeat.learning.response import StripDoubt
from torsionbeat.reading.figures import UFloat
from torsionbeat.theory import spring, strip_change
from torsionbeat.theory.materials import StripMaterial, WeightMetal
from torsionbeat.theory.rate import DAY_S

__all__ = ["Hanging", "change_rate", "measure_to_time", "room_change", "stiffness_un_m_per_deg"]


NO_DOUBT = StripDoubt(0.0, 0.0, 0.0, 0.0, 0.0)
"""No doubt: the stated measures of the strip are taken as exact."""


@dataclass(frozen=True, slots=True)
class Hanging:
    """A strip of a material in the table, with its load."""

    material: StripMaterial
    width_mm: float
    thickness_mm: float
    length_mm: float
    load_g: float
    arc_deg: float = 0.0
    doubt: StripDoubt = field(default_factory=StripDoubt)

    def __post_init__(self) -> None:
        _ = self.strip  # rejects impossible measures
        for name, half in self.half_widths.items():
            size = getattr(self, name)
            if not 0 <= half < size:
                raise InputError(
                    f"{name.rpartition('_')[0]} is {size:g} and its doubt {half:g}; both must be above 0 and "
                    "the doubt must be the smaller: measure again"
                )

    @property
    def half_widths(self) -> dict[str, float]:
        """Half-width of the error of each measure, under the names and in the units of the fields."""
        return {
            "thickness_mm": self.doubt.thickness_um / 1e3,
            "width_mm": self.doubt.width_mm,
            "length_mm": self.doubt.length_mm,
            "load_g": self.doubt.load_percent / 100 * self.load_g,
        }

    @property
    def strip(self) -> spring.Strip:
        """The strip as measured."""
        return spring.Strip.of(
            self.material,
            width_mm=self.width_mm,
            thickness_mm=self.thickness_mm,
            active_length_mm=self.length_mm,
        )

    @property
    def sensitivities(self) -> strip_change.Sensitivities:
        """Effect of small changes on the rate."""
        return strip_change.sensitivities(self.strip, self.load_g, self.arc_deg)


def change_rate(now: Hanging, new: Hanging, rate_s_per_day: float = 0.0, *, measured: bool = True) -> UFloat:
    """Rate with another strip on the same balance.

    Parameters
    ----------
    now, new : Hanging
        Strip in the clock, and the other. Common measures have a common error.
    rate_s_per_day : float
        Rate now.
    measured : bool
        The differing measures were measured separately, each with its doubt; False: the difference itself is exact (a
        strip shortened, or stoned, by a known amount).

    Examples
    --------
    >>> from torsionbeat.theory.materials import strip_material
    >>> now = Hanging(strip_material("C17200"), 0.5, 0.1, 100.0, 300.0)
    >>> print(change_rate(now, replace(now, length_mm=101.0), measured=False))
    -428.8+/-2.5
    """
    parts = []
    for name, half in now.half_widths.items():
        differs = getattr(now, name) != getattr(new, name)
        together = _rate_when(now, new, rate_s_per_day, name, half, half)
        if differs and measured:
            parts += [
                _rate_when(now, new, rate_s_per_day, name, half, 0.0),
                _rate_when(now, new, rate_s_per_day, name, 0.0, half),
            ]
        else:
            parts.append(together)
    moduli = [0.0, 0.0]
    for which, one in enumerate((now, new)):
        moduli[which] = one.material.shear_modulus_spread_gpa / one.material.shear_modulus_gpa
    share_now, share_new = (one.sensitivities.exponent_modulus for one in (now, new))
    if now.material == new.material:
        parts.append(DAY_S / 2 * (share_new - share_now) * moduli[0])
    else:
        parts += [DAY_S / 2 * share_now * moduli[0], DAY_S / 2 * share_new * moduli[1]]
    return _ufloat(_rate(now, new, rate_s_per_day), math.sqrt(sum(part**2 for part in parts) / 3))


def measure_to_time(
    now: Hanging, rate_s_per_day: float, measure: strip_change.Measure
) -> tuple[spring.Strip, UFloat]:
    """Strip that brings the clock to time by one measure, and the change of that measure (mm).

    The doubt of the change is that of the measure itself, times the relative change: a relative change is known even if
    the strip was measured badly.

    Parameters
    ----------
    now : Hanging
        The strip and its load.
    rate_s_per_day : float
        Rate now, to be brought to 0.
    measure : strip_change.Measure
        The measure to change.

    Examples
    --------
    >>> from torsionbeat.theory.materials import strip_material
    >>> now = Hanging(strip_material("C17200"), 0.5, 0.1, 100.0, 300.0)
    >>> strip, change = measure_to_time(now, 720, "thickness_mm")
    >>> print(1000 * change)
    -0.585+/-0.007
    """
    strip = strip_change.strip_to_time(now.strip, now.load_g, rate_s_per_day, measure, arc_deg=now.arc_deg)
    size, new = float(getattr(now.strip, measure)), float(getattr(strip, measure))
    half = now.half_widths[measure.removeprefix("active_")]
    return strip, _ufloat(new - size, abs(new - size) * half / size / math.sqrt(3))


def room_change(hanging: Hanging, balance: WeightMetal) -> UFloat:
    """Change of rate per kelvin, with the spread of the drift of the modulus."""
    material = hanging.material
    share = hanging.sensitivities.exponent_modulus

    def rate(drift: float) -> float:
        return float(
            spring.temperature_rate_s_per_day_per_k(
                drift, material.expansion_ppm_per_k, balance.expansion_ppm_per_k, share
            )
        )

    middle = material.shear_modulus_drift_ppm_per_k
    half = rate(middle + material.shear_modulus_drift_spread_ppm_per_k) - rate(middle)
    return _ufloat(rate(middle), abs(half) / math.sqrt(3))


def stiffness_un_m_per_deg(hanging: Hanging) -> UFloat:
    """Stiffness with the load, and its uncertainty."""
    change = hanging.sensitivities
    value = spring.stiffness_un_m_per_deg(hanging.strip, hanging.load_g)
    spread = hanging.material.shear_modulus_spread_gpa / hanging.material.shear_modulus_gpa
    exponents = {
        "thickness_mm": change.exponent_thickness,
        "width_mm": change.exponent_width,
        "length_mm": change.exponent_length,
        "load_g": change.exponent_load,
    }
    parts = [change.exponent_modulus * spread]
    parts += [exponents[name] * half / getattr(hanging, name) for name, half in hanging.half_widths.items()]
    relative = math.sqrt(sum(part**2 for part in parts) / 3)
    return _ufloat(value, value * relative)


def _rate(now: Hanging, new: Hanging, rate_s_per_day: float) -> float:
    return strip_change.rate_after_s_per_day(
        now.strip,
        new.strip,
        now.load_g,
        rate_s_per_day=rate_s_per_day,
        new_load_g=new.load_g,
        arc_deg=now.arc_deg,
        new_arc_deg=new.arc_deg,
    )


def _rate_when(
    now: Hanging, new: Hanging, rate_s_per_day: float, name: str, off_now: float, off_new: float
) -> float:
    """Change of the result when a measure of the strips is off by a given amount."""

    def off(one: Hanging, by: float) -> Hanging:
        return replace(one, doubt=NO_DOUBT, **{name: getattr(one, name) + by})

    low = _rate(off(now, -off_now), off(new, -off_new), rate_s_per_day)
    return (_rate(off(now, off_now), off(new, off_new), rate_s_per_day) - low) / 2


def _ufloat(value: float, sigma: float) -> UFloat:
    from uncertainties import ufloat

    return ufloat(value, max(sigma, 1e-12))
