"""Beats stacked (averaged): a contact that no single beat tells begins where it was put."""

import numpy as np
import pytest

from torsionbeat.hearing.stacked_onsets import REACH, beginning_in

FRAMES, BANDS = 2 * REACH + 64, 4


def mean_of(seed, start, height, decay, beats=80):
    """Mean of ``beats`` windows of noise power (exponential, mean 1) over the room, with a decaying tick in two bands."""
    rng = np.random.default_rng(seed)
    noise = rng.exponential(size=(beats, FRAMES, BANDS)).mean(axis=0) - 1
    after = np.arange(FRAMES) - (REACH + start)
    tick = np.where(after >= 0, np.exp(-np.maximum(after, 0) / decay), 0)
    return (noise + height * tick[:, None] * np.array([0.0, 1.0, 0.5, 0.0])).astype(np.float32)


@pytest.mark.parametrize("start", [-80, -10, 0, 35, 90])
@pytest.mark.parametrize("decay", [5.0, 20.0])
def test_a_tick_far_below_single_beats_is_placed(start, decay):
    begins, height = beginning_in(mean_of(abs(start), start, 0.8, decay))
    assert begins == pytest.approx(start, abs=2.5)  # 1.25 ms; half of it is the lead of the levels' windows
    assert height > 9


def test_noise_stands_out_little():
    heights = [beginning_in(mean_of(seed, 0, 0.0, 5.0))[1] for seed in range(40)]
    # The greatest of some 200 places, four lengths and learnt bands: seldom over six of its own scatter.
    assert max(heights) < 7.5
    assert np.median(heights) < 5
