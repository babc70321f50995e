"""Guesses: what repeats among the peaks of a handful of beats."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.hearing.guesses import steady_places


@pytest.mark.parametrize("seed", range(4))
def test_what_repeats_among_many_peaks_is_found_with_its_other_side(seed):
    rng = np.random.default_rng(seed)
    period_s, start_s, late_s = 12.1, 2.3, 0.15
    one = start_s + period_s * np.arange(8)
    times = np.concatenate([one, one + period_s / 2 + late_s]) + 0.003 * rng.standard_normal(16)
    times = np.concatenate([times[times < 100], rng.uniform(0, 100, 300)])
    rarity = np.concatenate([np.full(len(times) - 300, 2.5), rng.uniform(0, 1.5, 300)])
    order = np.argsort(times)
    places = steady_places(times[order], rarity[order], 100.0, 12.0, 0.045)
    # a cell of 20 ms either way; the period to a step, a cell in eight rows
    away = [abs((place[0] - start_s + period_s / 2) % period_s - period_s / 2) for place in places]
    found = places[int(np.argmin(away))]
    assert min(away) < 0.03
    assert found[1] == pytest.approx(period_s, abs=0.005)
    assert found[2] == pytest.approx(late_s, abs=0.03)


def test_in_two_periods_nothing_is_steady():
    assert len(steady_places(np.array([1.0, 13.0]), np.array([2.0, 2.0]), 20.0, 12.0, 0.045)) == 0
    assert len(steady_places(np.zeros(0), np.zeros(0), 100.0, 12.0, 0.045)) == 0
