"""The answer before any trial: against the worked strip, and the doubt of what was measured."""

from __future__ import annotations

import math

import pytest

from torsionbeat.errors import InputError
from torsionbeat.learning import response
from torsionbeat.learning.response import Regulator, Response
from torsionbeat.regulation.facts import Facts, prior_response
from torsionbeat.theory.materials import strip_material
from torsionbeat.theory.spring import Strip

STRIP_A = Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)


def test_a_gram_at_35_mm_on_the_worked_strip():
    # -130.6 s/day by inertia less +1.24 by the pull of the load, recomputed for strip A; slopes, not steps,
    # so 0.3 % off the exact step of a whole gram.
    prior = Response(response.per_gram_from_strip(STRIP_A, 300, period_s=15, radius_mm=35))
    assert prior.s_per_day_per_gram.nominal_value == pytest.approx(-130.6 + 1.24, rel=0.003)


def test_the_doubt_of_the_strip_is_that_of_its_measures():
    # Thickness 2 um in 100 with exponent 2.83: 5.7 %; radius 1 in 35 twice: 5.7 %; modulus 3.5 of 48.3:
    # 7.2 %; width 0.02 of 0.5: 4.6 %; length 1 %. Root of the sum of squares over 3: 6.8 %.
    known = response.per_gram_from_strip(
        STRIP_A, 300, period_s=15, radius_mm=35, material=strip_material("C17200")
    )
    assert known.std_dev / known.nominal_value == pytest.approx(0.068, abs=0.002)


def test_inertia_and_strip_agree():
    by_strip = response.per_gram_from_strip(STRIP_A, 300, period_s=15, radius_mm=35)
    by_inertia = response.per_gram_from_inertia(404_457, radius_mm=35)
    # Inertia to 10 % and radius to 1 mm of 35 (5.7 % of its square), both half-widths: 11.5 % over the root of three.
    half = math.hypot(0.10, 2 / 35)
    known = response.per_gram_from_inertia(404_457, radius_mm=35, inertia_percent=10, radius_doubt_mm=1)
    assert known.std_dev / known.nominal_value == pytest.approx(half / math.sqrt(3), rel=1e-3)
    assert by_inertia.nominal_value == pytest.approx(by_strip.nominal_value + 2 * 1.24 / 86400, rel=1e-3)


def test_a_regulator_of_active_length_follows_the_root_of_the_length():
    # +1 mm on 100: -428.8 s/day (recomputed for strip A; the slope is half a percent more than the step).
    unit = Response(response.per_gram_usual(), response.per_unit_from_length(100)).s_per_day_per_unit
    assert unit.nominal_value == pytest.approx(-428.8, rel=0.01)


def test_what_is_surest_is_taken():
    strip = {
        "nominal_period_s": 15.0,
        "strip_material": "C17200",
        "strip_thickness_um": 100.0,
        "strip_width_mm": 0.5,
        "strip_length_mm": 100.0,
        "hanging_mass_g": 300.0,
        "weight_radius_mm": 35.0,
    }
    sources = [
        prior_response(Facts(**strip, inertia_g_mm2=404_457, earlier=(3, -900))),
        prior_response(Facts(**strip, inertia_g_mm2=404_457)),
        prior_response(Facts(**strip)),
        prior_response(Facts(hanging_mass_g=300)),
        prior_response(Facts()),
    ]
    doubts = [one.per_gram.std_dev / one.per_gram.nominal_value for one in sources]
    assert doubts[3:] == sorted(doubts[3:])
    assert max(doubts[:3]) < doubts[3]
    assert len({one.source for one in sources}) == 5


def test_regulator_in_mm_needs_no_effect_where_the_strip_is_known():
    assert prior_response(Facts(regulator_unit="mm", strip_length_mm=100)).per_unit.nominal_value == 0.01
    assert prior_response(Facts(regulator_unit="turns", strip_length_mm=100)).per_unit is None


def test_a_remembered_change_with_the_wrong_sign_is_refused():
    with pytest.raises(InputError, match="weight added slows a clock"):
        response.per_gram_from_weights(6, +900)


def test_weights_near_the_axis_quicken_the_clock_and_are_refused():
    with pytest.raises(InputError, match="weights must sit further from the axis"):
        Response(response.per_gram_from_strip(STRIP_A, 300, period_s=15, radius_mm=2))


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ((5, -5, 0, 0.1), "the first must be the lower"),
        ((-5, 5, 6, 0.1), "read it again"),
        ((-5, 5, 0, 9), "smallest step of the regulator is 9 turns"),
    ],
)
def test_a_regulator_that_cannot_be(settings, says):
    with pytest.raises(InputError, match=says):
        Regulator("turns", *settings)


def test_a_regulator_is_set_in_steps_and_stays_in_its_travel():
    regulator = Regulator("turns", -5, 5, 1.0, 0.25)
    assert regulator.reached(1.4) == 1.5
    assert regulator.reached(9.0) == 5


def test_effects_of_nothing_are_refused():
    with pytest.raises(InputError, match="effect of the regulator is 0"):
        response.per_unit_from_effect(0.0)
    assert response.per_unit_from_effect(20).std_dev == pytest.approx(0.3 * 2 * 20 / 86400)
