"""Bangs among beats: places that neighbours put right, and corners that are left as they were heard."""

import numpy as np
import pytest

from torsionbeat.hearing.placing import expected_places

PERIOD = 12_000.0
ROWS = np.arange(40)
NONE, ALL = np.zeros(40, bool), np.ones(40, bool)


def beats(seed: int) -> np.ndarray:
    """Places of a clock with a slow wander and half a frame of scatter."""
    rng = np.random.default_rng(seed)
    return 500 + PERIOD * ROWS + 3 * np.sin(ROWS / 9) + 0.5 * rng.standard_normal(40)


@pytest.mark.parametrize("row", [0, 1, 2, 20, 37, 38, 39])
def test_a_bang_does_not_draw_its_neighbours(row):
    true = beats(row)
    frames = true.copy()
    frames[row] -= 120
    expected, spread, settled = expected_places(frames, ROWS, ALL, NONE)
    # Half a frame of scatter in eight neighbours or four, carried on by two rows at the ends: three frames at most.
    assert np.abs(expected - true).max() < 4
    assert spread < 1.5
    assert np.flatnonzero(~settled).tolist() == [row]


def test_a_corner_stays_where_the_sounds_are_alike():
    frames = beats(1)
    frames[20:] += 8 * np.arange(20)
    bang = ALL.copy()
    bang[30] = False
    frames[30] -= 50
    _, _, settled = expected_places(frames, ROWS, ALL, bang)
    assert np.flatnonzero(~settled).tolist() == [30]


def test_weak_sounds_have_only_their_neighbours():
    frames = beats(2)
    frames[10] += 30
    assert not expected_places(frames, ROWS, ALL, NONE)[2][10]
    assert expected_places(frames, ROWS, ALL, ALL)[2][10]


def test_three_beats_say_nothing_of_each_other():
    frames = np.array([1.0, 2.0, 9.0])
    expected, _, settled = expected_places(frames, np.arange(3), np.ones(3, bool), np.zeros(3, bool))
    assert np.array_equal(expected, frames)
    assert settled.all()
