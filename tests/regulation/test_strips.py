"""What a strip does: the worked strip's recomputed figures, and the doubt of two measured strips."""

from __future__ import annotations

from dataclasses import replace

import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.strips import (
    Hanging,
    change_rate,
    measure_to_time,
    room_change,
    stiffness_un_m_per_deg,
)
from torsionbeat.theory.materials import strip_material, weight_metal
from torsionbeat.theory.strip_change import rate_after_s_per_day

NOW = Hanging(strip_material("C17200"), 0.5, 0.1, 100.0, 300.0)


def test_the_worked_strip():
    # kappa 7.0353e-5 + 6.374e-7 N m/rad (recomputed) is 1.2390 uN m per degree.
    assert stiffness_un_m_per_deg(NOW).nominal_value == pytest.approx(1.2390, abs=5e-5)
    longer = change_rate(NOW, replace(NOW, length_mm=101.0), measured=False)
    assert longer.nominal_value == pytest.approx(-428.8, abs=0.1)  # recomputed for strip A
    thicker = change_rate(NOW, replace(NOW, thickness_mm=0.10254), measured=False)
    assert thicker.nominal_value == pytest.approx(3121, abs=2)  # a ten-thousandth of an inch: +52.0 min/day


def test_two_measured_strips_leave_minutes_of_doubt():
    new = replace(NOW, thickness_mm=0.11)
    exact, apart = (change_rate(NOW, new, measured=measured) for measured in (False, True))
    assert exact.nominal_value == apart.nominal_value
    # 2 um half-width on each, 1225 s/day per um: root of 2 over root of 3 of 2450 s/day, and by a strip
    # thicker the rate itself counts more.
    assert apart.std_dev == pytest.approx(2450 * (2 / 3) ** 0.5, rel=0.1)
    assert exact.std_dev < apart.std_dev / 10


@pytest.mark.parametrize(
    ("rate", "measure", "longer"),
    [(720, "thickness_mm", False), (720, "active_length_mm", True), (-720, "width_mm", True)],
)
def test_the_strip_that_brings_it_to_time_does(rate, measure, longer):
    strip, change = measure_to_time(NOW, rate, measure)
    assert rate_after_s_per_day(NOW.strip, strip, 300, rate_s_per_day=rate) == pytest.approx(0, abs=1e-3)
    assert (change.nominal_value > 0) == longer


def test_the_room():
    # Beryllium copper, brass balance: -13.69 s/day per kelvin (recomputed with 19 ppm/K; brass here 20).
    per_k = room_change(NOW, weight_metal("brass"))
    assert per_k.nominal_value == pytest.approx(-13.69 - 0.0864, abs=0.2)
    assert per_k.std_dev == pytest.approx(0.5 * 30 * 0.0864 / 3**0.5, rel=0.02)


def test_another_material_brings_its_own_doubt():
    steel = replace(NOW, material=strip_material("A228"))
    both = change_rate(NOW, steel, measured=False)
    # The root of 81.0 over 48.3; moduli known to 3.5 of 48.3 and 1.7 of 81.
    assert 1 + both.nominal_value / 86400 == pytest.approx((81.0 / 48.3) ** 0.5, rel=0.005)
    assert both.std_dev > 43200 * 0.0725 / 3**0.5 * 0.9


def test_a_doubt_larger_than_the_measure_is_refused():
    with pytest.raises(InputError, match="doubt must be the smaller"):
        change_rate(replace(NOW, length_mm=0.5), replace(NOW, length_mm=0.6))
