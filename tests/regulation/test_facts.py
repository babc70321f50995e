"""Which source the answer to weights and regulator rests on, and that each is read in its own units."""

from __future__ import annotations

from dataclasses import replace

import pytest

from torsionbeat.learning.response import (
    GUESS_WRONG,
    MEASURED_WRONG,
    TOLD_WRONG,
    per_gram_from_inertia,
    per_gram_from_load,
    per_gram_from_strip,
    per_gram_from_weights,
    per_gram_usual,
    per_unit_from_effect,
    per_unit_from_length,
)
from torsionbeat.regulation.facts import USUAL_SOURCE, Facts, prior_response
from torsionbeat.theory.materials import strip_material
from torsionbeat.theory.spring import Strip

STRIP = Facts(
    nominal_period_s=60.0,
    strip_material="C17200",
    strip_thickness_um=100.0,
    strip_width_mm=0.5,
    strip_length_mm=100.0,
    hanging_mass_g=300.0,
    weight_radius_mm=35.0,
)


def same(one, other):
    return (one.nominal_value, one.std_dev) == pytest.approx((other.nominal_value, other.std_dev))


def test_nothing_known_is_what_is_usual():
    response = prior_response(Facts())
    assert same(response.per_gram, per_gram_usual())
    assert response.source == USUAL_SOURCE
    assert response.usual
    assert response.per_unit is None


def test_the_mass_alone():
    response = prior_response(Facts(hanging_mass_g=300.0))
    assert same(response.per_gram, per_gram_from_load(300.0))
    assert not response.usual
    assert response.chance_wrong == MEASURED_WRONG


def test_strip_and_balance_in_micrometres_and_millimetres():
    response = prior_response(STRIP)
    material = strip_material("C17200")
    strip = Strip.of(material, width_mm=0.5, thickness_mm=0.1, active_length_mm=100.0)
    assert same(response.per_gram, per_gram_from_strip(strip, 300.0, 60.0, 35.0, material=material))
    assert response.source == "its strip and balance"


@pytest.mark.parametrize(
    "missing",
    [
        "nominal_period_s",
        "strip_material",
        "strip_thickness_um",
        "strip_width_mm",
        "strip_length_mm",
        "weight_radius_mm",
    ],
)
def test_a_strip_that_is_not_wholly_known_leaves_the_mass(missing):
    assert prior_response(replace(STRIP, **{missing: None})).source == "the mass of its balance alone"


def test_the_inertia_goes_before_the_strip_and_needs_the_radius():
    known = replace(STRIP, inertia_g_mm2=400_000.0)
    response = prior_response(known)
    assert same(response.per_gram, per_gram_from_inertia(400_000.0, 35.0))
    assert response.source == "the inertia of its balance"
    assert prior_response(Facts(inertia_g_mm2=400_000.0)).usual


def test_a_change_remembered_goes_before_all_and_counts_every_side():
    response = prior_response(replace(STRIP, inertia_g_mm2=400_000.0, earlier=(3.0, -900.0), sides=3))
    assert same(response.per_gram, per_gram_from_weights(9.0, -900.0, added_half_width_g=0.75))
    assert response.chance_wrong == TOLD_WRONG
    assert response.s_per_day_per_gram.nominal_value == pytest.approx(-100, rel=0.03)


def test_the_regulator_is_told_or_follows_from_the_length_of_the_strip():
    told = prior_response(replace(STRIP, regulator_unit="mm", regulator_effect=-8.0, regulator_doubt=1.0))
    assert same(told.per_unit, per_unit_from_effect(-8.0, 1.0))
    assert told.unit_chance_wrong == GUESS_WRONG
    length = prior_response(replace(STRIP, regulator_unit="mm"))
    assert same(length.per_unit, per_unit_from_length(100.0))
    assert length.unit_chance_wrong == MEASURED_WRONG
    assert length.s_per_day_per_unit.nominal_value == pytest.approx(
        -432.0, rel=0.01
    )  # half of a day's share: 1/200
    assert prior_response(replace(STRIP, regulator_unit="turns")).per_unit is None
    assert prior_response(Facts(regulator_unit="mm")).per_unit is None
