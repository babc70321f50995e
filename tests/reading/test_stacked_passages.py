"""Passages from stacks of beats: their mean, and the travel that both sides share."""

import numpy as np
import pytest

from torsionbeat.hearing.heard import SegmentPassage
from torsionbeat.reading.beats import USUAL_TRAVEL_PER_H, stacked_passages

RATE_HZ = 16_000
HALF_S = 30.0


def part(side, first, last, passage_s, within_s=0.001):
    return SegmentPassage(side, first, last, passage_s * RATE_HZ, within_s * RATE_HZ)


def test_one_stack_knows_no_travel():
    """Then it may be what is usual, and that is what the period is in doubt by."""
    only = stacked_passages((part("b", 1, 101, 0.9),), 1 / RATE_HZ, HALF_S)
    assert set(only) == {1}
    assert only[1].mean_s == pytest.approx(0.9)
    assert only[1].uncertainty_s == pytest.approx(0.001)
    assert only[1].travel == 0
    assert only[1].travel_uncertainty * 120 == pytest.approx(USUAL_TRAVEL_PER_H)
    assert np.allclose(only[1].at(np.array([1, 51, 101])), 0.9)
    assert USUAL_TRAVEL_PER_H == 0.01  # a hundredth of its arc in an hour, common practice


def test_travel_of_two_halves_goes_for_both_sides():
    """Side a grows by 2 % in a hundred beats; side b, stacked whole, grows as much."""
    parts = (part("a", 0, 100, 0.90, 1e-4), part("a", 100, 200, 0.918, 1e-4), part("b", 1, 201, 0.8))
    both = stacked_passages(parts, 1 / RATE_HZ, HALF_S)
    # The usual travel draws the slope to zero by some parts in a thousand.
    assert both[0].travel == pytest.approx(2e-4, rel=0.02)
    assert both[1].travel == both[0].travel
    assert both[0].at(np.array([50]))[0] == pytest.approx(0.90, abs=3e-4)
    assert both[0].at(np.array([150]))[0] == pytest.approx(0.918, abs=3e-4)
    assert both[1].at(np.array([101]))[0] == pytest.approx(0.8)
