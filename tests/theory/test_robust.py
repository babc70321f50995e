"""Spreads by medians, and the half-width of an interval, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, stats

from torsionbeat.theory.robust import COVERAGE, SIGMA_PER_MEDIAN, median_deviation, running_median


def test_half_width_of_a_95_percent_interval():
    assert pytest.approx(stats.norm.ppf(0.975), abs=5e-5) == COVERAGE


def test_spread_from_a_median():
    assert pytest.approx(1 / stats.norm.ppf(0.75), abs=5e-5) == SIGMA_PER_MEDIAN
    drawn = np.random.default_rng(1).normal(0, 3.0, 100_000)
    assert median_deviation(drawn) == pytest.approx(3.0, rel=0.012)  # three of 0.37 %
    drawn[:1000] = 1e6
    assert median_deviation(drawn) == pytest.approx(3.0, rel=0.03)


def test_running_median_is_that_of_scipy():
    values = np.random.default_rng(2).normal(size=50)
    np.testing.assert_array_equal(running_median(values), ndimage.median_filter(values, 5, mode="nearest"))
    np.testing.assert_array_equal(running_median(np.array([1.0, 2.0, 9.0])), [2.0, 2.0, 2.0])
