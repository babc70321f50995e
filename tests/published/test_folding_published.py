"""Folding against published statistics.

Sources: D. A. Leahy et al., Astrophys. J. 266 (1983) 160, eq. 1: without pulsation the folded sum follows chi-square
with one degree of freedom fewer than there are bins. J. D. Scargle, Astrophys. J. 263 (1982) 835, eq. 14: the power
of white noise at a given frequency follows an exponential distribution; sec. III c: the chance that the largest of N
independent powers exceeds z is 1 - (1 - exp(-z))^N, and the level for a false alarm of p0 is -ln(1 - (1 - p0)^(1/N)).
Equations quoted from memory; the distributions are drawn afresh here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, expon, kstest

from torsionbeat.theory import folding


def test_epoch_folding_follows_chi_square_without_pulsation():
    rng = np.random.default_rng(11)
    place, places = folding.fold_places(np.arange(600), 20)
    found = [folding.chi_square_of_fold(rng.normal(3, 2, 600), place, places) for _ in range(600)]
    assert {freedoms for _, freedoms in found} == {19}
    # 600 draws from the distribution itself fail a Kolmogorov-Smirnov test at 0.001 once in a thousand seeds.
    assert kstest([value for value, _ in found], chi2(19).cdf).pvalue > 1e-3


def test_the_power_of_white_noise_is_exponential():
    rng = np.random.default_rng(12)
    power = [folding.sine_power(folding.tapered(rng.normal(size=200)), 37.0) for _ in range(600)]
    assert kstest(power, expon.cdf).pvalue > 1e-3


@pytest.mark.parametrize(("trials", "level"), [(100, 9.21), (1000, 11.51)])
def test_the_level_for_a_false_alarm_of_one_per_cent(trials, level):
    """For small p0 the level is ln(N / p0): 9.21 for 100 frequencies and 11.51 for 1000 at one per cent."""
    assert folding.false_alarm(math.exp(-level), trials) == pytest.approx(0.01, rel=0.01)


def test_the_largest_of_many_powers_exceeds_the_level_as_often_as_stated():
    rng = np.random.default_rng(13)
    n, runs = 256, 1500
    largest = []
    for _ in range(
        runs
    ):  # every other frequency: those of a Hann-tapered row are independent from two apart on
        row = folding.tapered(rng.normal(size=n))
        largest.append(max(folding.sine_power(row, float(cycles)) for cycles in range(4, 124, 3)))
    stated = np.array([folding.false_alarm(math.exp(-one), 40) for one in largest])
    for chance in (0.1, 0.5):
        seen = float(np.mean(stated < chance))
        assert seen == pytest.approx(chance, abs=4 * math.sqrt(chance * (1 - chance) / runs))
