"""Tracks: the dynamic programme against every path there is."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from torsionbeat.tracks.best_track import above_chance, best_track, rows_of
from torsionbeat.tracks.pattern import _Scale


def greatest_by_trying_all(image, reach, price, cap):
    rows, columns = image.shape
    best = -np.inf
    for start in range(columns):
        for steps in product(range(-reach, reach + 1), repeat=rows - 1):
            path = start + np.concatenate([[0], np.cumsum(steps)])
            if path.min() < 0 or path.max() >= columns:
                continue
            total = np.minimum(image[np.arange(rows), path], cap).sum() - price * np.abs(steps).sum()
            best = max(best, total)
    return best


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("reach", "price", "cap"), [(1, 0.3, 8.0), (2, 0.7, 1.5)])
def test_greatest_of_all_paths(seed, reach, price, cap):
    image = np.random.default_rng(seed).standard_normal((5, 6)).astype(np.float32)
    track = best_track(image, reach=reach, price=price, cap=cap)
    assert track.total == pytest.approx(greatest_by_trying_all(image, reach, price, cap), abs=1e-5)
    # the path given back is a path, and its total the one claimed
    steps = np.diff(track.columns)
    assert np.abs(steps).max() <= reach
    own = np.minimum(track.strengths, cap).sum() - price * np.abs(steps).sum()
    assert own == pytest.approx(track.total, abs=1e-5)


def test_follows_a_wandering_line_over_missing_rows():
    rng = np.random.default_rng(1)
    image = rng.standard_normal((40, 200)).astype(np.float32)
    line = 100 + np.rint(np.cumsum(rng.uniform(-1, 1, 40))).astype(int)
    image[np.arange(40), line] += 7
    missing = [5, 17, 18, 30]
    image[missing] = rng.standard_normal((4, 200))
    track = best_track(image, reach=3, price=0.7, cap=8.0)
    heard = np.setdiff1d(np.arange(40), missing)
    assert np.mean(track.columns[heard] == line[heard]) > 0.9
    assert np.abs(track.columns - line).max() <= 6


def test_one_bang_does_not_govern():
    rng = np.random.default_rng(2)
    image = rng.standard_normal((30, 150)).astype(np.float32)
    image[:, 40] += 4
    image[15, 120] = 10_000
    assert np.median(best_track(image, reach=3, price=0.7, cap=8.0).columns) == 40


def test_chance_scores_low_and_a_clock_high():
    options = {"reach": 3, "price": 0.7, "cap": 8.0}
    chance = []
    for seed in range(12):
        image = np.random.default_rng(seed).standard_normal((30, 400)).astype(np.float32)
        chance.append(above_chance(best_track(image, **options), image, **options))
        image[:, 222] += 5
        assert above_chance(best_track(image, **options), image, **options) > 9
    assert max(chance) < 9  # what a track must reach to be followed


def test_rows_outside_the_series_are_zero():
    series = np.arange(1, 11, dtype=np.float32)
    image = rows_of(series, np.array([-2, 3, 8]), 4)
    np.testing.assert_array_equal(image, [[0, 0, 1, 2], [4, 5, 6, 7], [9, 10, 0, 0]])


def test_weighted_series_has_unit_scatter_and_follows_the_telling_band():
    rng = np.random.default_rng(3)
    up = rng.standard_normal((20_000, 3)).astype(np.float32)
    up[::500, 2] += 6
    telling = _Scale.of(up, 1).weighted(up, np.array([0.05, 0.05, 1], np.float32))
    even = _Scale.of(up, 1).weighted(up, np.ones(3, np.float32))
    assert np.quantile(telling, 0.84) - np.median(telling) == pytest.approx(1, abs=0.05)
    assert np.median(telling[::500]) > 1.3 * np.median(even[::500])
