"""What strips and weights are made of. Room-temperature values, each with its source beside it as data.

``..._spread`` is the half-width of the values that the sources give: treat it as a rectangular
distribution. An alloy's treatment moves its modulus by more than the tables' digits suggest, so a strip's
own measured period always beats a table.
"""

from __future__ import annotations

from dataclasses import dataclass

from torsionbeat.errors import InputError

__all__ = [
    "STRIP_MATERIALS",
    "WEIGHT_METALS",
    "StripMaterial",
    "WeightMetal",
    "strip_material",
    "weight_metal",
]


@dataclass(frozen=True, slots=True)
class StripMaterial:
    """A spring alloy.

    ``shear_modulus_drift_ppm_per_k`` is (1/G) dG/dT; ``expansion_ppm_per_k`` the linear expansion.
    ``yield_low_mpa`` and ``yield_high_mpa`` are the tension at which strips of it begin to stay stretched, soft tempers
    and hard ones (from memory): for warnings, not for design. ``source`` says where moduli, density and expansion are
    from, ``drift_source`` the same for the drift.
    """

    name: str
    youngs_modulus_gpa: float
    youngs_modulus_spread_gpa: float
    shear_modulus_gpa: float
    shear_modulus_spread_gpa: float
    density_kg_per_m3: float
    expansion_ppm_per_k: float
    shear_modulus_drift_ppm_per_k: float
    shear_modulus_drift_spread_ppm_per_k: float
    yield_low_mpa: float
    yield_high_mpa: float
    source: str
    drift_source: str


@dataclass(frozen=True, slots=True)
class WeightMetal:
    """A metal that weights and balances are made of."""

    name: str
    density_kg_per_m3: float
    density_spread_kg_per_m3: float
    expansion_ppm_per_k: float
    source: str


STRIP_MATERIALS: tuple[StripMaterial, ...] = (
    StripMaterial(
        name="beryllium copper C17200",
        youngs_modulus_gpa=128.0,
        youngs_modulus_spread_gpa=4.0,
        shear_modulus_gpa=48.3,
        shear_modulus_spread_gpa=3.5,
        density_kg_per_m3=8250.0,
        expansion_ppm_per_k=17.0,
        shear_modulus_drift_ppm_per_k=-330.0,
        shear_modulus_drift_spread_ppm_per_k=30.0,
        yield_low_mpa=960.0,
        yield_high_mpa=1400.0,
        source="Copper Development Association, Publication 54, Beryllium Copper, 1962 "
        "(E 124-131, G 44.8-48.3 GPa); "
        "Machinery's Handbook, 31st ed. 2020, Table 20 p. 346 (G 48.3-50.0 GPa)",
        drift_source="Copper Development Association, Publication 54, 1962 (-50 to +50 C, torsion)",
    ),
    StripMaterial(
        name="phosphor bronze C51000",
        youngs_modulus_gpa=107.0,
        youngs_modulus_spread_gpa=3.6,
        shear_modulus_gpa=42.0,
        shear_modulus_spread_gpa=1.1,
        density_kg_per_m3=8860.0,
        expansion_ppm_per_k=17.8,
        shear_modulus_drift_ppm_per_k=-380.0,
        shear_modulus_drift_spread_ppm_per_k=20.0,
        yield_low_mpa=520.0,
        yield_high_mpa=760.0,
        source="Machinery's Handbook, 31st ed. 2020, Table 20 p. 346 (E 103.4, G 41.4 GPa); "
        "a mill's data sheet "
        "for C51000 (E 110, G 43.1 GPa, density, expansion 20-300 C)",
        drift_source="from memory, after G. H. Keulegan & M. R. Houseman, NBS J. Res. 10 (1933) RP531",
    ),
    StripMaterial(
        name="nickel-iron constant-modulus N09902",
        youngs_modulus_gpa=182.5,
        youngs_modulus_spread_gpa=17.5,
        shear_modulus_gpa=65.5,
        shear_modulus_spread_gpa=3.5,
        density_kg_per_m3=8050.0,
        expansion_ppm_per_k=7.6,
        shear_modulus_drift_ppm_per_k=0.0,
        shear_modulus_drift_spread_ppm_per_k=10.0,
        yield_low_mpa=690.0,
        yield_high_mpa=1240.0,
        source="data sheets for UNS N09902 (E 165-200, G 62-69 GPa by treatment, expansion 20-100 C); "
        "Machinery's Handbook, 31st ed. 2020, Table 20 p. 346 (E 189.6, G 69.0 GPa)",
        drift_source="0 is what the treatment aims at (data sheets); the spread as delivered is from memory",
    ),
    StripMaterial(
        name="carbon spring steel A228",
        youngs_modulus_gpa=203.4,
        youngs_modulus_spread_gpa=3.5,
        shear_modulus_gpa=81.0,
        shear_modulus_spread_gpa=1.7,
        density_kg_per_m3=7861.0,
        expansion_ppm_per_k=11.5,
        shear_modulus_drift_ppm_per_k=-255.0,
        shear_modulus_drift_spread_ppm_per_k=15.0,
        yield_low_mpa=1500.0,
        yield_high_mpa=2400.0,
        source="Machinery's Handbook, 31st ed. 2020, Table 20 p. 346 (E 203.4, G 82.7 GPa); "
        "another table prints G 79.3 GPa; expansion of a tempered steel rod from E. Beckett, "
        "A Rudimentary Treatise on Clocks, Watches and Bells, 1903, p. 53",
        drift_source="from memory, after G. H. Keulegan & M. R. Houseman, NBS J. Res. 10 (1933) RP531",
    ),
    StripMaterial(
        name="stainless spring steel 302",
        youngs_modulus_gpa=193.1,
        youngs_modulus_spread_gpa=3.5,
        shear_modulus_gpa=68.9,
        shear_modulus_spread_gpa=1.7,
        density_kg_per_m3=7916.0,
        expansion_ppm_per_k=17.3,
        shear_modulus_drift_ppm_per_k=-360.0,
        shear_modulus_drift_spread_ppm_per_k=60.0,
        yield_low_mpa=900.0,
        yield_high_mpa=1600.0,
        source="Machinery's Handbook, 31st ed. 2020, Table 20 p. 346; spreads are half a million "
        "and a quarter of a million psi, the step of the table",
        drift_source="spring maker's rule for most spring materials, 2 % in 55 K; the spread is from memory",
    ),
)
"""Strip alloys, softest use first: what most old and new strips are made of."""

WEIGHT_METALS: tuple[WeightMetal, ...] = (
    WeightMetal(
        "brass",
        8500.0,
        100.0,
        20.0,
        "J. M. Gere, Mechanics of Materials, 5th ed., tables (8400-8600 kg/m3; 19.1-21.2 ppm/K)",
    ),
    WeightMetal(
        "brass C36000",
        8460.0,
        40.0,
        20.5,
        "specific gravity 8.46 in a fastener maker's table; "
        "W. D. Callister, Fundamentals of Materials Science and Engineering, 3rd ed., Table B.6 (expansion)",
    ),
    WeightMetal(
        "bronze",
        8500.0,
        300.0,
        19.5,
        "J. M. Gere, Mechanics of Materials, 5th ed., tables (8200-8800; 18-21 ppm/K)",
    ),
    WeightMetal("steel", 7850.0, 30.0, 11.5, "Gere, 5th ed. (density); E. Beckett, 1903, p. 53 (expansion)"),
    WeightMetal("stainless steel 304", 7900.0, 50.0, 17.3, "a fastener maker's table for the 300 series"),
    WeightMetal(
        "lead", 11349.0, 30.0, 29.7, "E. Beckett, 1903, p. 53: 0.41 lb per cubic inch, .0165 per 1000 F"
    ),
    WeightMetal(
        "zinc", 7003.0, 140.0, 28.8, "E. Beckett, 1903, p. 53: 0.253 lb per cubic inch, .0160 per 1000 F"
    ),
)
"""Metals of weights and balances."""


def strip_material(name: str) -> StripMaterial:
    """Find a strip material by the beginning of its name or by a word of it, say 'C17200'.

    Raises
    ------
    InputError
        No material or more than one fits; the message lists what there is.

    Examples
    --------
    >>> strip_material("C51000").name
    'phosphor bronze C51000'
    """
    return STRIP_MATERIALS[_position(name, [material.name for material in STRIP_MATERIALS], "strip material")]


def weight_metal(name: str) -> WeightMetal:
    """Find a weight metal as `strip_material` does.

    Examples
    --------
    >>> weight_metal("brass").density_kg_per_m3
    8500.0
    """
    return WEIGHT_METALS[_position(name, [metal.name for metal in WEIGHT_METALS], "weight metal")]


def _position(name: str, names: list[str], kind: str) -> int:
    wanted = name.strip().lower()
    known = [known.lower() for known in names]
    if wanted in known:
        return known.index(wanted)
    fits = [
        i for i, text in enumerate(known) if wanted and (text.startswith(wanted) or wanted in text.split())
    ]
    if len(fits) != 1:
        choice = ", ".join(names[i] for i in fits) if fits else ", ".join(names)
        raise InputError(f"{kind} {name!r} fits {len(fits)} of those known; give one of: {choice}")
    return fits[0]
