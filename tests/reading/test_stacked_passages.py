"""Passages from stacks of beats: their mean, and the travel that both sides share."""

import numpy as np
import pytest

from torsionbeat.hearing.heard import SegmentPassage
from torsionbeat.reading.beats import (
    ARC_AN_HOUR,
    Beats,
    StackedPassage,
    as_one_fork_makes_them,
    stacked_passages,
)

RATE_HZ = 16_000
HALF_S = 30.0


def part(side, first, last, passage_s, within_s=0.001, lead_s=0.006):
    return SegmentPassage(side, first, last, passage_s * RATE_HZ, within_s * RATE_HZ, lead_s * RATE_HZ)


def test_one_stack_knows_no_travel():
    """Then it may be what is usual, and that is what the period is in doubt by."""
    only = stacked_passages((part("b", 1, 101, 0.9),), 1 / RATE_HZ, HALF_S)
    assert set(only) == {1}
    assert only[1].mean_s == pytest.approx(0.9)
    assert only[1].uncertainty_s == pytest.approx(0.001)
    assert only[1].travel == 0
    assert only[1].travel_uncertainty * 120 == pytest.approx(ARC_AN_HOUR)
    assert np.allclose(only[1].at(np.array([1, 51, 101])), 0.9)
    assert only[1].lead_s == pytest.approx(0.006)
    assert ARC_AN_HOUR == 0.05  # as where drops alone are heard


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


def stack(mean_s, within_s, lead_s=0.0):
    return StackedPassage(mean_s, within_s, 20.0, 0.0, 0.0, lead_s)


def beats_with(passage_s, side):
    """Forty beats; one side has single contacts."""
    number = np.arange(40)
    passages = np.where(number % 2 == side, passage_s, np.nan)
    return Beats(number, 15.0 * number - passages, 15.0 * number, 15.0 * number, passages)


NONE = beats_with(np.nan, 0)


def test_a_passage_that_the_stack_hardly_shows_is_the_other_side_s():
    """347 ms within 31 beside single contacts of 384: alike within 4 ms in nine of ten clocks, else within 8 %."""
    for side in (0, 1):
        drawn, apart_u_s = as_one_fork_makes_them({side: stack(0.347, 0.031)}, beats_with(0.384, 1 - side))
        assert drawn[side].mean_s == pytest.approx(0.384, abs=0.004)
        assert set(drawn) == {side}
        # the mixture of both: 0.9 of 4 ms, 0.1 of the 22 ms that remain of 31 ms within 8 %
        assert 0.004 < apart_u_s < 0.02


def test_passages_that_are_known_stay_as_they_are():
    """346 and 384 ms within 1 ms each: a tenth is a fault, and no prior draws them together."""
    drawn, apart_u_s = as_one_fork_makes_them({0: stack(0.346, 0.001), 1: stack(0.384, 0.001)}, NONE)
    assert drawn[0].mean_s == pytest.approx(0.346, abs=2e-4)
    assert drawn[1].mean_s == pytest.approx(0.384, abs=2e-4)
    assert apart_u_s == pytest.approx(np.sqrt(2) * 0.001, rel=0.05)


def test_two_stacks_meet_where_they_are_surest():
    """10 ms apart, within 3 and 9 ms: nine parts in ten of what is drawn are the second's; the difference is normal theory."""
    drawn, apart_u_s = as_one_fork_makes_them({0: stack(0.320, 0.003), 1: stack(0.330, 0.009)}, NONE)
    first, second = drawn[0].mean_s - 0.320, 0.330 - drawn[1].mean_s
    assert second == pytest.approx(9 * first, rel=1e-6)
    variance = 0.003**2 + 0.009**2
    alike = np.sqrt(0.004**2 * variance / (0.004**2 + variance))
    assert alike < apart_u_s < 1.6 * alike  # the tenth of other clocks widens it


def test_what_the_room_hides_of_a_contact_is_a_doubt_of_its_passage():
    """969 ms within 1, and 6 that may be hidden, beside single contacts of 983: the two may be alike within 4 ms.

    Of two stacks one room hides the same part in half: their difference is known as if one only had a hidden part.
    """
    drawn, apart_u_s = as_one_fork_makes_them({0: stack(0.969, 0.001, 0.006)}, beats_with(0.983, 1))
    assert 0.974 < drawn[0].mean_s < 0.981
    assert apart_u_s > np.sqrt(
        0.006**2 * 0.0059**2 / (0.006**2 + 0.0059**2)
    )  # 0.6 % of 983 ms, by which sides differ
    one = as_one_fork_makes_them({0: stack(0.9, 0.0, 0.006)}, beats_with(0.9, 1))[1]
    both = as_one_fork_makes_them({0: stack(0.9, 0.0, 0.006), 1: stack(0.9, 0.0, 0.006)}, NONE)[1]
    assert both == pytest.approx(one, rel=1e-9)


def test_one_side_alone_has_nothing_to_be_like():
    one = {0: stack(0.320, 0.003)}
    assert as_one_fork_makes_them(one, NONE) == (one, 0.0)
    assert as_one_fork_makes_them({}, beats_with(0.3, 1)) == ({}, 0.0)
