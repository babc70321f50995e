"""The temperatures of a clock's nights, from the log or a logger's file; the rate's change per kelvin; remarks on both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from torsionbeat.errors import InputError
from torsionbeat.learning.course import Heard
from torsionbeat.learning.warmth import per_kelvin_usual
from torsionbeat.reading.figures import UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.materials import strip_material, weight_metal
from torsionbeat.theory.robust import COVERAGE
from torsionbeat.theory.spring import temperature_rate_s_per_day_per_k

if TYPE_CHECKING:
    from torsionbeat.learning.warmth import Warmth
    from torsionbeat.regulation.room import Room

__all__ = ["WORTH_SAYING_K", "about_warmth", "per_kelvin_of", "with_temperatures"]

BALANCE_SD_S_PER_DAY_PER_K = 1.0
"""Uncertainty of the strip's figure from the balance's metal and build (s/day per kelvin): aluminium instead of brass
is 0.3 (`torsionbeat.theory.materials`), a bimetal or a helper spring more (common practice, no source)."""

WORTH_SAYING_K = 0.05
"""Nights with a smaller difference (K) count as equally warm: loggers show a tenth."""


def with_temperatures(heard: Sequence[Heard], room: Room | None) -> tuple[Heard, ...]:
    """Set temperatures from a logger's file, where it covers a night; they have priority over typed ones."""
    if room is None:
        return tuple(heard)
    found = [room.mean_c(one.from_s, one.until_s) for one in heard]
    return tuple(
        one if celsius is None else replace(one, temperature_c=celsius)
        for one, celsius in zip(heard, found, strict=True)
    )


def per_kelvin_of(material: str, seen: UFloat = None) -> UFloat:
    """Give the change of rate per kelvin (s/day) from the strip's material and from a logged night.

    Parameters
    ----------
    material : str
        Material of the strip; the usual value if empty or not in the table.
    seen : ufloat, optional
        Change per kelvin from a logged recording.

    Examples
    --------
    >>> print(per_kelvin_of("C17200"), per_kelvin_of(""))
    -13.8+/-1.2 -7+/-7
    """
    from uncertainties import ufloat

    told = per_kelvin_usual()
    try:
        strip = strip_material(material) if material else None
    except InputError:
        strip = None
    if strip is not None:
        expansions = strip.expansion_ppm_per_k, weight_metal("brass").expansion_ppm_per_k
        drift, spread = strip.shear_modulus_drift_ppm_per_k, strip.shear_modulus_drift_spread_ppm_per_k
        middle, high = (temperature_rate_s_per_day_per_k(one, *expansions) for one in (drift, drift + spread))
        sd = ((high - middle) ** 2 / 3 + BALANCE_SD_S_PER_DAY_PER_K**2) ** 0.5
        told = ufloat(float(middle), float(sd))
    if seen is None:
        return told
    share = told.std_dev**2 / (told.std_dev**2 + seen.std_dev**2)
    value = told.nominal_value + share * (seen.nominal_value - told.nominal_value)
    return ufloat(value, told.std_dev * (1 - share) ** 0.5)


def about_warmth(warmth: Warmth | None, nights: int) -> list[Remark]:
    """Report the reference temperature of the rates, the change per kelvin, and the number of nights without a temperature."""
    if warmth is None or warmth.spread_k < WORTH_SAYING_K:
        return []
    learnt = warmth.learnt
    does = "gains" if learnt.nominal_value > 0 else "loses"
    said = (
        f"The nights differed in temperature ({warmth.spread_k:.1f} K, standard deviation); their rates are compared at "
        f"{warmth.reference_c:.1f} C. A kelvin more {does} {abs(learnt.nominal_value):.1f} s a day, give or take "
        f"{COVERAGE * learnt.std_dev:.1f}."
    )
    missing = nights - int(warmth.known.sum())
    if missing:
        said += (
            f" Of {missing} of {nights} readings the temperature is not known: they count the less. Keep it with "
            "--temperature, or give a logger's file with --room."
        )
    return [Remark("brought-to-one-temperature", said)]
