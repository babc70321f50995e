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
