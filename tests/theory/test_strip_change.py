"""Changing the strip: sensitivities against finite differences, the strip that keeps time, what cannot be."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory import spring, strip_change
from torsionbeat.theory.spring import Strip

BENCH = Strip(0.5, 0.1, 100.0, shear_modulus_gpa=48.3, youngs_modulus_gpa=128.0)
LOAD_G = 300.0


@pytest.mark.parametrize("strip", [BENCH, replace(BENCH, width_mm=2.0, thickness_mm=0.06)])
@pytest.mark.parametrize("arc", [0.0, 300.0])
def test_sensitivities_against_finite_differences(strip, arc):
    found = strip_change.sensitivities(strip, LOAD_G, arc)

    def rate(new=strip, load=LOAD_G, new_arc=arc):
        return strip_change.rate_after_s_per_day(
            strip, new, LOAD_G, new_load_g=load, arc_deg=arc, new_arc_deg=new_arc
        )

    def slope(function, step):
        return (function(step) - function(-step)) / (2 * step)

    cases = {
        "s_per_day_per_um_thickness": slope(
            lambda h: rate(replace(strip, thickness_mm=strip.thickness_mm + h / 1000)), 1e-3
        ),
        "s_per_day_per_mm_width": slope(lambda h: rate(replace(strip, width_mm=strip.width_mm + h)), 1e-5),
        "s_per_day_per_mm_length": slope(
            lambda h: rate(replace(strip, active_length_mm=strip.active_length_mm + h)), 1e-3
        ),
        "s_per_day_per_g_on_axis": slope(lambda h: rate(load=LOAD_G + h), 1e-1),
        "s_per_day_per_gpa_shear_modulus": slope(
            lambda h: rate(replace(strip, shear_modulus_gpa=strip.shear_modulus_gpa + h)), 1e-3
        ),
    }
    if arc:
        cases["s_per_day_per_deg_arc"] = slope(lambda h: rate(new_arc=arc + h), 1e-1)
    for name, difference in cases.items():
        # Steps of 1e-5 and less of the measure: squares of it, and rounding of 86400 * 1e-16 / 1e-5.
        assert getattr(found, name) == pytest.approx(difference, rel=1e-5), name
    assert found.s_per_day_per_thousandth_inch_thickness == pytest.approx(
        25.4 * found.s_per_day_per_um_thickness
    )


def test_exponents_of_the_thin_strip_are_the_limit():
    thin = strip_change.sensitivities(
        replace(BENCH, width_mm=5, thickness_mm=0.005, active_length_mm=1), 1e-9
    )
    # beta is 1/3 (1 - 0.63 t/b): 6e-4 at b/t = 1000.
    assert thin.exponent_thickness == pytest.approx(3, abs=1e-3)
    assert thin.exponent_width == pytest.approx(1, abs=1e-3)
    assert (thin.exponent_length, thin.s_per_day_per_deg_arc) == (-1, 0)


@pytest.mark.parametrize("measure", ["thickness_mm", "width_mm", "active_length_mm"])
@pytest.mark.parametrize("rate", [-3000.0, -60.0, 0.0, 900.0])
def test_strip_to_time_keeps_time(measure, rate):
    new = strip_change.strip_to_time(BENCH, LOAD_G, rate, measure, arc_deg=270)
    left = strip_change.rate_after_s_per_day(BENCH, new, LOAD_G, rate_s_per_day=rate, arc_deg=270)
    assert left == pytest.approx(0, abs=1e-6)  # brentq to 1e-12 mm at most 1e3 s/day per um
    grew = getattr(new, measure) - getattr(BENCH, measure)
    # A clock that loses wants a thicker, wider or shorter strip.
    assert (
        math.copysign(1, grew) == math.copysign(1, -rate if measure != "active_length_mm" else rate)
        or rate == 0
    )


def test_length_to_time_is_the_square_of_the_period_for_small_swings():
    new = strip_change.strip_to_time(BENCH, LOAD_G, -864, "active_length_mm")
    # Both parts of kappa go with 1 / L: L falls with the square of T0 / T = 0.99.
    assert new.active_length_mm == pytest.approx(100 * 0.99**2, rel=1e-9)


def test_rate_after_no_change_is_the_rate_now():
    assert strip_change.rate_after_s_per_day(BENCH, BENCH, LOAD_G, rate_s_per_day=-12.5) == pytest.approx(
        -12.5, abs=1e-9
    )


def test_what_hangs_and_the_arc_may_change_too():
    heavier = strip_change.rate_after_s_per_day(BENCH, BENCH, LOAD_G, new_load_g=310.0)
    stiffer = spring.stiffness_un_m_per_deg(BENCH, 310.0) / spring.stiffness_un_m_per_deg(BENCH, LOAD_G)
    assert heavier == pytest.approx(86_400 * (math.sqrt(stiffer) - 1), rel=1e-9)
    assert heavier > 0  # a mass on the axis pulls the strip straight: the clock gains
    longer = strip_change.rate_after_s_per_day(BENCH, BENCH, LOAD_G, arc_deg=300.0, new_arc_deg=400.0)
    slope = strip_change.sensitivities(BENCH, LOAD_G, 350.0).s_per_day_per_deg_arc
    assert longer == pytest.approx(
        100 * slope, rel=0.01
    )  # the slope grows nearly as the arc: the middle is the mean
    assert strip_change.sensitivities(BENCH, LOAD_G).s_per_day_per_deg_arc == 0.0


def test_a_thousandth_of_an_inch_is_25_4_micrometres():
    found = strip_change.sensitivities(BENCH, LOAD_G)
    assert found.s_per_day_per_thousandth_inch_thickness == pytest.approx(
        25.4 * found.s_per_day_per_um_thickness
    )
    assert found.exponent_load + found.exponent_modulus == pytest.approx(1.0)


@pytest.mark.parametrize("measure", ["thickness_mm", "width_mm"])
def test_a_strip_never_becomes_thicker_than_wide(measure):
    square = Strip(0.12, 0.1, 100.0, shear_modulus_gpa=48.3, youngs_modulus_gpa=128.0)
    wanted = -60_000.0 if measure == "thickness_mm" else 60_000.0
    with pytest.raises(InputError, match=r"takes away .* s/day; change the weights"):
        strip_change.strip_to_time(square, LOAD_G, wanted, measure)
