"""Setting in beat: closed forms, and beats made from them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.live.beat_trace import BeatTrace
from torsionbeat.live.follower import FollowedBeat

RATE_HZ = 48_000
PERIOD_S, LIFT_DEG, ARC_DEG = 12.0, 20.0, 400.0


def passages(offset_deg, count, *, first=0, start_s=10.0, jitter_s=0.0, seed=1, contacts=True):
    """Beats of theta = A sin(2 pi t / T): contact at offset -+ lift/2, drop at offset +- lift/2 on its way."""
    rng = np.random.default_rng(seed)
    amplitude = ARC_DEG / 2

    def after_s(angle_deg):
        return PERIOD_S / (2 * math.pi) * math.asin(angle_deg / amplitude)

    beats = []
    for number in range(first, first + count):
        way = 1 if number % 2 else -1  # side b goes towards positive angles
        middle_s = start_s + number * PERIOD_S / 2
        contact = middle_s + after_s(way * offset_deg - LIFT_DEG / 2) + rng.normal(0, jitter_s)
        drop = middle_s + after_s(way * offset_deg + LIFT_DEG / 2) + rng.normal(0, jitter_s)
        beats.append(FollowedBeat(number, drop * RATE_HZ, contact * RATE_HZ if contacts else None))
    return beats


def settings(trace, beats):
    return [trace.take(beat, PERIOD_S) for beat in beats]


@pytest.mark.parametrize("offset_deg", [0.0, 2.0, -7.0])
def test_offset_comes_out_of_exact_beats(offset_deg):
    said = settings(BeatTrace(RATE_HZ, LIFT_DEG), passages(offset_deg, 12))
    assert said[0] is said[1] is None
    assert said[-1].offset_deg.nominal_value == pytest.approx(offset_deg, abs=0.01)
    assert said[-1].arc_deg.nominal_value == pytest.approx(ARC_DEG, abs=0.1)
    assert said[-1].settled


@pytest.mark.parametrize("first", [0, 1])
def test_either_side_may_come_first(first):
    said = settings(BeatTrace(RATE_HZ, LIFT_DEG), passages(3.0, 12, first=first))
    assert said[-1].offset_deg.nominal_value == pytest.approx(3.0, abs=0.01)


def test_change_is_sure_within_two_swings():
    trace = BeatTrace(RATE_HZ, LIFT_DEG)
    settings(trace, passages(2.0, 12, jitter_s=5e-4))
    said = settings(trace, passages(5.0, 8, first=12, jitter_s=5e-4, seed=2))
    # the first two lie across the change; the third rests on three beats after it, which are two swings
    assert said[2].offset_deg.nominal_value == pytest.approx(5.0, abs=0.2)
    assert [one.settled for one in said[3:]] == [True] * 5
    assert said[-1].offset_deg.nominal_value == pytest.approx(5.0, abs=0.1)
    assert said[-1].swings == 6


def test_interval_holds_the_truth_and_narrows():
    inside, widths = 0, []
    for seed in range(60):
        said = settings(BeatTrace(RATE_HZ, LIFT_DEG), passages(2.0, 22, jitter_s=5e-4, seed=seed))
        last = said[-1].offset_deg
        inside += abs(last.nominal_value - 2.0) <= 1.96 * last.std_dev
        widths.append(last.std_dev)
        assert said[2].offset_deg is None or said[2].offset_deg.std_dev > last.std_dev
    assert inside >= 57  # at least 95 in 100: it holds 0.6 ms for edges, which these beats do not have
    assert np.median(widths) < 0.06


def test_without_a_lift_only_the_beat_error():
    said = settings(BeatTrace(RATE_HZ), passages(2.0, 8, contacts=False))
    assert said[-1].offset_deg is None
    # drops both lag by the same, so the error is that of the offset: T/pi asin(offset / amplitude), about
    assert said[-1].beat_error_ms.nominal_value == pytest.approx(
        1e3 * PERIOD_S / math.pi * math.asin(2.0 / 200), abs=0.5
    )


def test_arc_by_eye_gives_degrees():
    said = settings(BeatTrace(RATE_HZ, None, ARC_DEG), passages(2.0, 8, contacts=False))
    assert said[-1].offset_deg.nominal_value == pytest.approx(2.0, abs=0.05)


def test_missed_beat_begins_the_row_anew():
    beats = passages(2.0, 12)
    trace = BeatTrace(RATE_HZ, LIFT_DEG)
    settings(trace, beats[:5])
    assert [one is None for one in settings(trace, beats[6:10])] == [True, True, False, False]
