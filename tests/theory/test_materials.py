"""Materials are found by what people call them; each value lies where its named source puts it."""

from __future__ import annotations

import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory.materials import STRIP_MATERIALS, WEIGHT_METALS, strip_material, weight_metal

PSI_GPA = 6.894757e-3
"""Giga-pascal in a thousand psi (exact inch, pound and standard gravity, rounded)."""


@pytest.mark.parametrize(
    ("asked", "name"),
    [
        ("C17200", "beryllium copper C17200"),
        ("  Beryllium ", "beryllium copper C17200"),
        ("phosphor", "phosphor bronze C51000"),
        ("constant-modulus", "nickel-iron constant-modulus N09902"),
        ("a228", "carbon spring steel A228"),
        ("302", "stainless spring steel 302"),
    ],
)
def test_a_strip_is_found_by_the_beginning_or_a_word_of_its_name(asked, name):
    assert strip_material(asked).name == name


def test_a_whole_name_goes_before_others_that_begin_so():
    assert weight_metal("brass").name == "brass"
    assert weight_metal("steel").name == "steel"
    assert weight_metal("C36000").name == "brass C36000"


def test_none_or_several_are_refused_with_what_there_is():
    with pytest.raises(
        InputError, match=r"strip material 'steel' fits 2 of those known; .*A228, stainless spring steel 302"
    ):
        strip_material("steel")
    with pytest.raises(
        InputError, match="weight metal 'gold' fits 0 of those known; give one of: brass, brass C36000"
    ):
        weight_metal("gold")
    with pytest.raises(InputError, match="fits 0"):
        weight_metal("  ")
    with pytest.raises(InputError, match="fits 0"):
        strip_material("bronz1")


def test_moduli_are_those_of_the_published_tables():
    """Machinery's Handbook, 31st ed. 2020, Table 20, p. 346, in million psi: (E, G) within the sources' spread."""
    table = {
        "C17200": (None, 7.0),
        "C51000": (15.0, 6.0),
        "N09902": (27.5, 10.0),
        "A228": (29.5, 12.0),
        "302": (28.0, 10.0),
    }
    for name, (youngs, shear) in table.items():
        material = strip_material(name)
        if youngs is not None:
            assert (
                abs(material.youngs_modulus_gpa - youngs * 1e3 * PSI_GPA)
                <= material.youngs_modulus_spread_gpa + 0.06
            )
        assert (
            abs(material.shear_modulus_gpa - shear * 1e3 * PSI_GPA)
            <= material.shear_modulus_spread_gpa + 0.06
        )


def test_isotropic_metals_have_a_poisson_s_ratio_that_metals_have():
    """G = E / 2 (1 + nu), nu of metals 0.25 to 0.42 (Gere, Mechanics of Materials, tables, from memory)."""
    for material in STRIP_MATERIALS:
        nu = material.youngs_modulus_gpa / 2 / material.shear_modulus_gpa - 1
        assert 0.22 < nu < 0.45, material.name


def test_densities_of_beckett_s_rods_are_his():
    """E. Beckett, 1903, p. 53: pounds in a cubic inch; 27 679.9 kg/m3 a pound a cubic inch."""
    for name, pounds in (("lead", 0.41), ("zinc", 0.253)):
        metal = weight_metal(name)
        assert metal.density_kg_per_m3 == pytest.approx(pounds * 27_679.9, abs=1.0)
    assert strip_material("A228").expansion_ppm_per_k == weight_metal("steel").expansion_ppm_per_k
    assert len({metal.name for metal in WEIGHT_METALS}) == len(WEIGHT_METALS)
