"""Nights of different warmth: their mean, what brings a rate to it, and what their own differences teach of a kelvin."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from torsionbeat.learning.trials import Trial
from torsionbeat.learning.warmth import Warmth, per_kelvin_usual


def nights(*pairs, **other):
    return [Trial(ufloat(rate, 0.3), temperature_c=celsius, **other) for rate, celsius in pairs]


def test_it_needs_two_nights_of_known_temperature():
    assert Warmth.of(nights((3, None), (4, 20.0))) is None
    assert Warmth.of(nights((3, 0.0), (4, 20.0))).reference_c == 10.0  # 0 degrees is a temperature


def test_rates_are_brought_to_the_mean_of_the_known_temperatures():
    warmth = Warmth.of(nights((3, 18.0), (4, None), (1, 24.0)), ufloat(-4, 1))
    assert warmth.reference_c == 21.0
    assert warmth.above_k.tolist() == [-3.0, 0.0, 3.0]
    assert warmth.known.tolist() == [1.0, 0.0, 1.0]
    assert warmth.spread_k == pytest.approx(math.sqrt(18))  # of a sample of two
    assert warmth.bring().tolist() == [12.0, 0.0, -12.0]


def test_two_neighbours_teach_what_a_kelvin_does():
    """A normal belief of 10 s/day +- 5 and one difference of -12 s/day over 3 K, known to the wander of two nights."""
    warmth = Warmth.of(nights((6, 18.0), (-6, 21.0)), ufloat(10, 5))
    variance = 2 * 0.3**2 + 2 * 0.7**2
    precision = 1 / 25 + 0.5 * 9 / variance  # half, since neighbouring differences share a night
    middle = (10 / 25 + 0.5 * 3 * -12 / variance) / precision
    assert warmth.learnt.nominal_value == pytest.approx(middle)
    assert warmth.learnt.std_dev == pytest.approx(precision**-0.5)
    assert warmth.told.nominal_value == 10
    assert warmth.next_variance == pytest.approx((middle**2 + 1 / precision) * 4.5)
    assert warmth.unknown_variance().tolist() == [0.0, 0.0]


def test_nights_with_work_between_or_without_a_temperature_teach_nothing():
    told = ufloat(-4, 2)
    rows = [
        Trial(ufloat(6, 0.3), temperature_c=18.0),
        Trial(ufloat(-90, 0.3), temperature_c=21.0, mass_g=1.0),
        Trial(ufloat(-80, 0.3), mass_g=1.0),
        Trial(ufloat(-70, 0.3), temperature_c=25.0, mass_g=1.0),
    ]
    warmth = Warmth.of(rows, told)
    assert (warmth.learnt.nominal_value, warmth.learnt.std_dev) == (pytest.approx(-4), pytest.approx(2))
    unknown = (16 + 4) * warmth.spread_k**2
    assert warmth.unknown_variance() == pytest.approx([0, 0, unknown, 0])


def test_what_is_told_without_doubt_stays():
    told = 0 * ufloat(1, 1) - 4
    assert Warmth.of(nights((6, 18.0), (-6, 21.0)), told).learnt == told


def test_a_strip_of_which_nothing_is_known_loses_up_to_what_bronze_does():
    """Bronze and beryllium copper lose 14 to 17 s/day a kelvin, constant-modulus strips 1: one deviation either way."""
    usual = per_kelvin_usual()
    assert (usual.nominal_value - usual.std_dev, usual.nominal_value + usual.std_dev) == (-14.0, 0.0)
    assert Warmth.of(nights((3, 18.0), (3, 18.0))).told.nominal_value == -7.0
