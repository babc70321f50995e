"""The known measures of a clock's parts, and the best response to an adjustment that theory derives from them."""

from __future__ import annotations

from dataclasses import dataclass

from torsionbeat.learning.response import (
    GUESS_WRONG,
    MEASURED_WRONG,
    TOLD_WRONG,
    Response,
    per_gram_from_inertia,
    per_gram_from_load,
    per_gram_from_strip,
    per_gram_from_weights,
    per_gram_usual,
    per_unit_from_effect,
    per_unit_from_length,
)
from torsionbeat.reading.figures import UFloat
from torsionbeat.theory.materials import strip_material
from torsionbeat.theory.spring import Strip

__all__ = ["Facts", "prior_response"]

USUAL_SOURCE = "what is usual for such clocks, which may be out by a factor of two"
"""Source of the response to weights where nothing is known."""

LENGTH_UNITS = ("mm", "mm of active length", "mm active length")


@dataclass(frozen=True, slots=True)
class Facts:
    """Measures of a clock's parts; None where one is not known.

    ``earlier`` is a remembered change of weights: grams a side (> 0 added) and the change of rate that followed, in
    seconds per day. ``sides`` is the number of places for weights.
    """

    nominal_period_s: float | None = None
    strip_material: str | None = None
    strip_thickness_um: float | None = None
    strip_width_mm: float | None = None
    strip_length_mm: float | None = None
    hanging_mass_g: float | None = None
    inertia_g_mm2: float | None = None
    weight_radius_mm: float | None = None
    regulator_unit: str | None = None
    regulator_effect: float | None = None
    regulator_doubt: float | None = None
    earlier: tuple[float, float] | None = None
    sides: int = 2


def prior_response(facts: Facts) -> Response:
    """Use the surest source: a remembered change, inertia, strip, mass, or the kind of clock.

    Examples
    --------
    >>> about = prior_response(Facts(earlier=(3, -900)))
    >>> print(about.s_per_day_per_gram, "by", about.source)
    -152+/-9 by the change of weights you remember
    """
    per_gram, source, wrong = _per_gram(facts)
    per_unit: UFloat = None
    unit_wrong = GUESS_WRONG
    if facts.regulator_effect is not None:
        per_unit = per_unit_from_effect(facts.regulator_effect, facts.regulator_doubt)
    elif facts.regulator_unit in LENGTH_UNITS and facts.strip_length_mm is not None:
        per_unit, unit_wrong = per_unit_from_length(facts.strip_length_mm), MEASURED_WRONG
    usual = source is USUAL_SOURCE
    return Response(per_gram, per_unit, source, chance_wrong=wrong, unit_chance_wrong=unit_wrong, usual=usual)


def _per_gram(facts: Facts) -> tuple[UFloat, str, float]:
    if facts.earlier is not None:
        grams, change = facts.earlier
        known = per_gram_from_weights(grams * facts.sides, change, added_half_width_g=0.25 * facts.sides)
        return known, "the change of weights you remember", TOLD_WRONG
    if facts.inertia_g_mm2 is not None and facts.weight_radius_mm is not None:
        known = per_gram_from_inertia(facts.inertia_g_mm2, facts.weight_radius_mm)
        return known, "the inertia of its balance", MEASURED_WRONG
    if (
        facts.strip_thickness_um is not None
        and facts.strip_width_mm is not None
        and facts.strip_length_mm is not None
        and facts.hanging_mass_g is not None
        and facts.weight_radius_mm is not None
        and facts.nominal_period_s is not None
        and facts.strip_material
    ):
        material = strip_material(facts.strip_material)
        strip = Strip.of(
            material,
            width_mm=facts.strip_width_mm,
            thickness_mm=facts.strip_thickness_um / 1e3,
            active_length_mm=facts.strip_length_mm,
        )
        known = per_gram_from_strip(
            strip, facts.hanging_mass_g, facts.nominal_period_s, facts.weight_radius_mm, material=material
        )
        return known, "its strip and balance", MEASURED_WRONG
    if facts.hanging_mass_g is not None:
        return per_gram_from_load(facts.hanging_mass_g), "the mass of its balance alone", MEASURED_WRONG
    return per_gram_usual(), USUAL_SOURCE, MEASURED_WRONG
