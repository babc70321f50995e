"""The strip against its own integrals, finite differences and the integrated large swing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from torsionbeat.errors import InputError
from torsionbeat.theory import spring, strip_change
from torsionbeat.theory.materials import STRIP_MATERIALS, strip_material
from torsionbeat.theory.spring import Strip

BENCH = Strip(
    width_mm=0.5, thickness_mm=0.1, active_length_mm=100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128
)
LOAD_G = 300.0
INERTIA = 404_596.9


def test_beta_solves_poissons_equation():
    """J of the membrane analogy by finite differences, no series: 4 (integral of the stress function) / 2."""
    for ratio in (1.0, 2.0):
        # Torsion function of a rectangle: laplace(phi) = -2, J = 2 * integral phi. Cosine transform in both
        # axes.
        k, m = np.meshgrid(np.arange(1, 400, 2), np.arange(1, 400, 2), indexing="ij")
        a, b = ratio, 1.0
        coefficient = 32 / (np.pi**2 * k * m * np.pi**2 * (k**2 / a**2 + m**2 / b**2))
        torsion = 2 * np.sum(coefficient * 4 * a * b / (np.pi**2 * k * m))
        # 400 terms each way leave about 1 / 400^3.
        assert spring.beta(ratio) == pytest.approx(torsion / (a * b**3), rel=1e-6)


def test_beta_limits_and_slope():
    assert spring.beta(1e9) == pytest.approx(1 / 3, rel=1e-8)
    ratios = np.array([1.2, 2.0, 5.0, 30.0])
    step = 1e-5
    difference = (spring.beta(ratios + step) - spring.beta(ratios - step)) / (2 * step)
    # Central differences of a series of double precision: 1e-16 / 1e-5.
    np.testing.assert_allclose(spring.beta_slope(ratios), difference, atol=1e-9)


def test_stiffness_is_the_sum_of_strip_and_load():
    total = spring.stiffness_un_m_per_deg(BENCH, LOAD_G)
    parts = spring.elastic_stiffness_un_m_per_deg(BENCH) + spring.load_stiffness_un_m_per_deg(BENCH, LOAD_G)
    assert total == pytest.approx(parts, rel=1e-14)
    # The pull of the load, integrated over the section: stress times the tilt of its fibre times its arm.
    width, thickness, length, weight = 0.5e-3, 0.1e-3, 0.1, 0.3 * 9.80665
    moment = sum(
        quad(lambda y, side=side: weight / side * y * y / length, -side / 2, side / 2)[0]
        for side in (width, thickness)
    )
    assert spring.load_stiffness_un_m_per_deg(BENCH, LOAD_G) == pytest.approx(
        math.radians(moment) * 1e6, rel=1e-12
    )


def test_period_and_inertia_invert():
    for arc in (0.0, 270.0, 700.0):
        period = spring.period_s(BENCH, LOAD_G, INERTIA, arc)
        assert spring.inertia_g_mm2(BENCH, LOAD_G, period, arc) == pytest.approx(INERTIA, rel=1e-12)


@pytest.mark.parametrize(
    ("strip", "arc"), [(BENCH, 540.0), (replace(BENCH, width_mm=2.5, active_length_mm=60), 540.0)]
)
def test_arc_effect_against_the_integrated_swing(strip, arc):
    """kappa theta + k3 theta^3 by event detection; the second is far from first order."""
    inertia, half = 1e-3, math.radians(arc / 2)
    kappa = math.degrees(spring.stiffness_un_m_per_deg(strip, LOAD_G)) * 1e-6
    cubic = strip.youngs_modulus_gpa * 1e9 * strip.thickness_mm * 1e-3 * (strip.width_mm * 1e-3) ** 5
    cubic /= 360 * (strip.active_length_mm * 1e-3) ** 3

    def turn(t, s):
        return s[0]

    turn.terminal, turn.direction = True, -1
    quarter = solve_ivp(
        lambda t, s: [s[1], -(kappa * s[0] + cubic * s[0] ** 3) / inertia],
        (0, 100),
        [half, 0.0],
        events=turn,
        rtol=1e-12,
        atol=1e-12,
    ).t_events[0][0]
    # Integrated to 1e-12 a step.
    assert spring.period_s(strip, LOAD_G, inertia * 1e9, arc) == pytest.approx(4 * quarter, rel=1e-9)
    assert float(spring.arc_shortening(strip, LOAD_G, arc)) > 0


def test_arc_effect_first_order_is_the_limit():
    exact, first = (f(BENCH, LOAD_G, 270) for f in (spring.arc_shortening, spring.arc_shortening_first_order))
    # The next term is (21/256) e^2 against (3/8) e with e = 9e-5.
    assert exact == pytest.approx(first, rel=1e-4)
    assert spring.arc_shortening(BENCH, LOAD_G, 0) == 0


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


def test_temperature_against_the_expanded_clock():
    """Expand every part by one kelvin and take the periods."""
    gamma, strip_alpha, balance_alpha = -330e-6, 17e-6, 19e-6
    warm = Strip(
        0.5 * (1 + strip_alpha),
        0.1 * (1 + strip_alpha),
        100 * (1 + strip_alpha),
        48.3 * (1 + gamma),
        128 * (1 + gamma),
    )
    ratio = spring.period_s(warm, LOAD_G, INERTIA * (1 + balance_alpha) ** 2) / spring.period_s(
        BENCH, LOAD_G, INERTIA
    )
    share = strip_change.sensitivities(BENCH, LOAD_G).exponent_modulus
    found = spring.temperature_lengthening_per_k(-330, 17, 19, share)
    # Second order in 330e-6.
    assert found == pytest.approx(ratio - 1, rel=1e-3)
    assert spring.temperature_rate_s_per_day_per_k(-330, 17, 19, share) == pytest.approx(
        -86400 * found, rel=1e-12
    )


def test_stresses():
    assert spring.twist_deg_per_mm(BENCH, 270) == pytest.approx(1.35, rel=1e-12)
    very_wide = replace(BENCH, width_mm=5.0)
    twist = math.radians(1.35) * 1e3
    # A very wide strip: G theta' t exactly, its edges' factor gone.
    assert spring.peak_shear_stress_mpa(very_wide, 270) == pytest.approx(
        48.3e9 * twist * 1e-4 / 1e6, rel=1e-9
    )
    assert spring.peak_tension_stress_mpa(BENCH, LOAD_G) == pytest.approx(0.3 * 9.80665 / 0.05, rel=1e-12)
    # Fibre at y: E theta'^2 (y^2 - b^2/12) / 2, of no net force; the strain's mean must vanish.
    edge = 128e9 * twist**2 / 2 * (0.25e-3**2 - 0.5e-3**2 / 12) / 1e6
    assert spring.peak_tension_stress_mpa(BENCH, LOAD_G, 270) == pytest.approx(58.8399 + edge, abs=1e-3)


def test_strip_of_a_material_and_lookup():
    copper = strip_material("C17200")
    made = Strip.of(copper, width_mm=0.5, thickness_mm=0.1, active_length_mm=100)
    assert (made.shear_modulus_gpa, made.youngs_modulus_gpa) == (
        copper.shear_modulus_gpa,
        copper.youngs_modulus_gpa,
    )
    assert strip_material("beryllium") is copper
    with pytest.raises(
        InputError, match=r"strip material 'cheese' fits 0 of those known; give one of: beryllium"
    ):
        strip_material("cheese")
    with pytest.raises(InputError, match=r"fits 0"):
        strip_material("")


def test_every_material_has_a_source_and_a_possible_poisson_ratio():
    for material in STRIP_MATERIALS:
        assert len(material.source) > 20
        assert len(material.drift_source) > 20
        # E / 2G - 1 for metals, with the spread of both.
        low = (material.youngs_modulus_gpa - material.youngs_modulus_spread_gpa) / (
            2 * (material.shear_modulus_gpa + material.shear_modulus_spread_gpa)
        )
        high = (material.youngs_modulus_gpa + material.youngs_modulus_spread_gpa) / (
            2 * (material.shear_modulus_gpa - material.shear_modulus_spread_gpa)
        )
        assert low - 1 < 0.5
        assert high - 1 > 0.2


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Strip(0, 0.1, 100, 48, 128), r"strip width is 0 mm; it must lie above 0 and at most 50 mm"),
        (
            lambda: Strip(0.1, 0.5, 100, 48, 128),
            r"strip thickness is 0.5 mm and its width 0.1 mm; .*exchange them",
        ),
        (lambda: Strip(0.5, 0.1, -1, 48, 128), r"active length is -1 mm; .*between the edges of the clamps"),
        (lambda: Strip(0.5, 0.1, 100, 48e9, 128), r"shear modulus is 4.8e\+10 GPa"),
        (lambda: spring.beta(0.5), r"width over thickness is 0.5; it must be a finite number, at least 1"),
        (lambda: spring.period_s(BENCH, -1, 1), r"load is -1 g; .*weigh all that hangs"),
        (lambda: spring.period_s(BENCH, 300, -1), r"inertia is -1 g mm2"),
        (lambda: spring.arc_shortening(BENCH, 300, -5), r"arc is -5 deg"),
        (lambda: spring.stiffness_un_m_per_deg(BENCH, 300, 1.6), r"gravity is 1.6 m/s2"),
        (
            lambda: spring.temperature_lengthening_per_k(-0.5e6, 17, 19),
            r"drift of the shear modulus is -500000 ppm/K",
        ),
        (
            lambda: strip_change.strip_to_time(BENCH, 300, -80_000, "width_mm"),
            r"no width between .* -80000 s/day",
        ),
        (
            lambda: strip_change.strip_to_time(BENCH, 300, 1, "colour"),
            r"measure is 'colour'; it must be thickness_mm",
        ),
        (
            lambda: strip_change.rate_after_s_per_day(BENCH, BENCH, 300, rate_s_per_day=-1e6),
            r"rate is -1e\+06 s/day",
        ),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
