"""Weights against volumes, integrals and the balance on its strip."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory import spring, weights
from torsionbeat.theory.materials import WEIGHT_METALS, weight_metal
from torsionbeat.theory.strip_change import sensitivities

BENCH = spring.Strip(0.5, 0.1, 100, shear_modulus_gpa=48.3, youngs_modulus_gpa=128)
LOAD_G, INERTIA = 300.0, 404_457.2


def test_disc_mass_is_volume_times_density_and_inverts():
    volume_mm3 = math.pi * (6**2 - 1.5**2) * 0.5
    mass = weights.disc_mass_g(0.5, 12, 3, 8500)
    assert mass == pytest.approx(volume_mm3 * 8500e-6, rel=1e-12)
    assert weights.disc_thickness_mm(mass, 12, 3, 8500) == pytest.approx(0.5, rel=1e-12)
    # A ring is the disc less its hole.
    whole, hole = weights.disc_mass_g(0.5, 12, 0, 8500), weights.disc_mass_g(0.5, 3, 0, 8500)
    assert mass == pytest.approx(whole - hole, rel=1e-12)


@pytest.mark.parametrize("lie", ["flat", "upright"])
def test_disc_inertia_against_chance(lie):
    rng = np.random.default_rng(21)
    radius, bore, height, n = 6.0, 1.5, 4.0, 400_000
    r = np.sqrt(rng.uniform(bore**2, radius**2, n))
    angle = rng.uniform(0, 2 * math.pi, n)
    along = rng.uniform(-height / 2, height / 2, n)
    from_axis2 = r**2 if lie == "flat" else (r * np.cos(angle)) ** 2 + along**2
    found = weights.disc_inertia_g_mm2(2.0, 2 * radius, 2 * bore, height, lie)
    # Mean of 400000 draws of a spread as large as itself at most: 0.16 %, three of these.
    assert found == pytest.approx(2.0 * float(np.mean(from_axis2)), rel=5e-3)


def test_inertia_adds_up():
    own = weights.disc_inertia_g_mm2(2.0, 12, 0, 2)
    assert weights.loaded_inertia_g_mm2(1000, 3, 2.0, 10, own) == pytest.approx(
        1000 + 3 * (200 + 36), rel=1e-12
    )
    assert weights.loaded_inertia_g_mm2(1000, 0, 2.0, 10) == 1000


def test_added_mass_against_the_strip():
    """Period before and after by the strip itself, the pull of the added gram included."""
    stiffening = sensitivities(BENCH, LOAD_G).exponent_load / LOAD_G
    before = spring.period_s(BENCH, LOAD_G, INERTIA)
    for mass in (-2.0, 1.0, 5.0):
        after = spring.period_s(BENCH, LOAD_G + mass, INERTIA + mass * 35**2)
        rate = weights.added_mass_rate_s_per_day(mass, 35, INERTIA, stiffening_per_g=stiffening)
        assert rate == pytest.approx(86400 * (before / after - 1), abs=1e-6)


def test_mass_for_rate_inverts_added_mass():
    rates = np.array([-600.0, -60, 0, 45, 3000])
    mass = weights.mass_for_rate_g(rates, 35, INERTIA, stiffening_per_g=3e-5)
    left = weights.added_mass_rate_s_per_day(mass, 35, INERTIA, stiffening_per_g=3e-5, rate_s_per_day=rates)
    np.testing.assert_allclose(left, 0, atol=1e-9)
    # A clock that gains wants mass.
    assert (np.sign(mass) == np.sign(rates)).all()


def test_moving_out_and_back_changes_nothing():
    out = weights.moved_mass_rate_s_per_day(50, 35, 36, INERTIA)
    back = weights.moved_mass_rate_s_per_day(50, 36, 35, INERTIA + 50 * (36**2 - 35**2), out)
    assert out < 0
    assert back == pytest.approx(0, abs=1e-9)


def test_all_mass_at_one_radius_is_the_spread():
    k = math.sqrt(INERTIA / 300)
    assert weights.spread_rate_s_per_day(k, 0.1) == pytest.approx(
        weights.moved_mass_rate_s_per_day(300, k, k + 0.1, INERTIA), abs=1e-7
    )


def test_two_readings_fix_the_line():
    bare = 300_000.0
    mass = np.array([40.0, 42.0])
    stiffness = math.degrees(spring.stiffness_un_m_per_deg(BENCH, LOAD_G)) * 1e-6
    period = 2 * math.pi * np.sqrt((bare + 2 * mass * 35**2) * 1e-9 / stiffness)
    line = weights.fit_weight_line(mass, period, [1e-4, 1e-4])
    wanted = (stiffness * (15 / (2 * math.pi)) ** 2 * 1e9 - bare) / (2 * 35**2)
    assert line.mass_for_period_g(15.0).nominal_value == pytest.approx(wanted, rel=1e-9)
    assert np.abs(line.residual_s).max() < 1e-10
    assert line.period_s(42.0).nominal_value == pytest.approx(period[1], rel=1e-12)
    grams = 1e-3
    slope = (line.period_s(41 + grams) - line.period_s(41 - grams)).nominal_value / (2 * grams)
    assert line.rate_per_g_s_per_day(41).nominal_value == pytest.approx(
        -86400 * slope / line.period_s(41).nominal_value, rel=1e-6
    )


def test_more_readings_refine_and_uncertainty_holds():
    rng = np.random.default_rng(22)
    mass = np.array([38.0, 40, 41, 43])
    sigma = np.array([2e-4, 1e-4, 1e-4, 3e-4])
    truth = np.sqrt(100 + 3.0 * mass)
    wanted = (15.0**2 - 100) / 3
    runs, inside = 800, 0
    for _ in range(runs):
        found = weights.fit_weight_line(mass, truth + rng.normal(0, sigma), sigma).mass_for_period_g(15)
        inside += abs(found.nominal_value - wanted) < 1.96 * found.std_dev
    # Binomial: 0.8 % for 800 runs, three of them.
    assert inside / runs == pytest.approx(0.95, abs=0.024)


def test_every_metal_has_a_source():
    assert weight_metal("lead").density_kg_per_m3 == 11349
    assert all(len(metal.source) > 20 for metal in WEIGHT_METALS)
    with pytest.raises(InputError, match=r"weight metal 'steel x' fits 0 .*brass, brass C36000, bronze"):
        weight_metal("steel x")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: weights.disc_mass_g(-1, 12, 3, 8500), r"thickness is -1 mm; .*caliper"),
        (lambda: weights.disc_mass_g(1, 3, 12, 8500), r"bore is 12 mm and diameter 3 mm; .*exchange them"),
        (
            lambda: weights.disc_thickness_mm(1, 12, 3, 85_000),
            r"density is 85000 kg/m3; .*brass has about 8500",
        ),
        (lambda: weights.disc_inertia_g_mm2(1, 12, 3, 1, "askew"), r"a disc lies 'askew'; it must be 'flat'"),
        (lambda: weights.loaded_inertia_g_mm2(1, -1, 1, 1), r"number of weights is -1"),
        (
            lambda: weights.added_mass_rate_s_per_day(-1e4, 35, INERTIA),
            r"added mass is -10000 g; .*take less",
        ),
        (
            lambda: weights.mass_for_rate_g(60, 0, INERTIA),
            r"radius is 0 mm; mass there slows .*larger radius",
        ),
        (
            lambda: weights.moved_mass_rate_s_per_day(1e4, 35, 1, INERTIA),
            r"moved mass is 10000 g; .*check both",
        ),
        (lambda: weights.spread_rate_s_per_day(30, -31), r"shift is -31 mm; .*shift by less"),
        (lambda: weights.fit_weight_line([1, 1], [15, 15], [1, 1]), r"1 different mass; two are needed"),
        (
            lambda: weights.fit_weight_line([0, 1, 2], [10, 5, 0.1], [1e-3, 1e-3, 10]),
            r"line of T.2 falls below 0",
        ),
        (lambda: weights.fit_weight_line([1, 2], [15], [1, 1]), r"2 masses, 1 periods and 2 uncertainties"),
        (lambda: weights.fit_weight_line([1, 2], [15, 15], [1, 0]), r"uncertainty of a period is 0 s"),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
