"""Simulated workshops: one clock from night to night is kept, another clock is asked about."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.history.same_clock import ClockMarks, other_clock_log_odds, what_is_odd

DRAWS = 2000


def clock(rng, period_s=60.0):
    """Draw a clock of a workshop, not yet brought to time."""
    return ClockMarks(
        period_s * (1 + rng.normal(0, 400) / 86_400),
        rng.normal(0, 0.008) * 1000 * period_s,
        rng.uniform(300, 560),
        100,
        98,
        rng.uniform(0, 25),
    )


def next_night(rng, before, wander_s_per_day=1.5):
    """Draw the same clock a night later, the microphone put up anew."""
    return ClockMarks(
        before.period_s * (1 + rng.normal(0, wander_s_per_day) / 86_400),
        before.beat_error_ms * rng.choice([-1, 1]) + rng.normal(0, 3),
        before.arc_deg * np.exp(rng.normal(0, 0.02)),
        100,
        95,
        before.drop_over_contact_db + rng.normal(0, 3),
    )


@pytest.mark.parametrize("wander_s_per_day", [0.3, 3.0, 10.0])
def test_the_same_clock_is_hardly_ever_asked_about(wander_s_per_day):
    rng = np.random.default_rng(11)
    asked = 0
    for _ in range(DRAWS):
        before = clock(rng)
        asked += bool(what_is_odd(next_night(rng, before, wander_s_per_day), None, before))
    assert asked <= DRAWS * 0.005


def test_another_clock_of_the_same_period_is_mostly_told():
    rng = np.random.default_rng(12)
    told = sum(bool(what_is_odd(clock(rng), None, clock(rng))) for _ in range(DRAWS))
    assert told >= DRAWS * 0.75  # three of four: the rest go as alike as one clock from night to night


def test_another_clock_is_told_by_rate_and_beat_without_an_arc():
    one = ClockMarks(15.0, 20.0, None, 100, 98)
    assert what_is_odd(ClockMarks(15.05, 100.0, None, 100, 98), 15.0, one)


@pytest.mark.parametrize(
    ("works", "left"),
    [
        ([], {"rate", "beat", "arc", "sound"}),
        (["weights"], {"beat", "sound"}),
        (["regulator"], {"beat", "arc", "sound"}),
        (["beat"], {"rate"}),
        (["spring"], {"sound"}),
        (["cleaning"], set()),
    ],
)
def test_work_between_explains_what_it_may_change(works, left):
    before = ClockMarks(60.0, 20.0, 430.0, 100, 98, 10.0)
    after = ClockMarks(60.5, 900.0, 330.0, 100, 98, 20.0)
    assert other_clock_log_odds(after, before, works).keys() == left
    assert bool(what_is_odd(after, 60.0, before, works)) == (len(left) > 2 or left == {"rate"})


@pytest.mark.parametrize(
    ("period_s", "odd"),
    [(60.0 * 1.029, False), (60.0 * 1.031, True), (60.0 * 0.971, False), (60.0 * 0.969, True)],
)
def test_the_limit_at_the_nominal_period(period_s, odd):
    assert bool(what_is_odd(ClockMarks(period_s), 60.0)) == odd


@pytest.mark.parametrize(("heard", "odd"), [(50, False), (49, True), (0, True)])
def test_the_limit_at_missing_beats(heard, odd):
    assert bool(what_is_odd(ClockMarks(60.0, None, None, 100, heard), 60.0)) == odd


def test_a_reading_without_figures_is_not_odd():
    assert what_is_odd(ClockMarks(), 60.0, ClockMarks()) == ()
