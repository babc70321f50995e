"""Settling and listening: closed forms, and that the time named is what a longer record bears out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.present import Present
from torsionbeat.regulation.waiting import listening, settling_s
from torsionbeat.theory.rate import DAY_S, fit_beats

CLOCK = Clock(nominal_period_s=15.0)


def heard(beats, rng, jitter_s=1e-3, walk=0.0):
    """Beats of a clock with white noise of its sounds and a rate that wanders from beat to beat."""
    number = np.arange(beats)
    wander = np.cumsum(walk * rng.standard_normal(beats)) * 7.5
    time = 7.5 * number + wander + jitter_s * rng.standard_normal(beats)
    return Present(
        ufloat(0, 1), CLOCK, ufloat(15, 1e-5), timebase_source="stated", beat_time_s=time, beat_number=number
    )


def test_settling_is_four_time_constants_to_two_percent():
    # Q T / (2 pi) = 490 * 60 / (2 pi) = 4679 s; ln 50 = 3.912.
    assert settling_s(490, 60) == pytest.approx(490 * 60 / (2 * math.pi) * math.log(50))


def test_before_anything_is_heard_it_is_the_least_squares_formula():
    # u(T)/T = sqrt(12) sigma / (tau0 N^1.5) with tau0 = T/2; solved for N with sigma 1 ms, 0.02 s/day.
    told = listening(Present(ufloat(0, 1), CLOCK), 0.02)
    n = (math.sqrt(12) * 1e-3 / 7.5 * DAY_S / (0.02 / 1.96)) ** (2 / 3)
    assert told.basis == "supposed"
    assert told.duration_s == pytest.approx(n * 7.5, rel=0.11)  # steps of a tenth


def test_the_time_named_from_a_record_is_borne_out():
    # White rate noise of 2e-6 a beat: 0.17 s/day, falling with the root of the number of beats.
    told = listening(heard(3000, np.random.default_rng(1), walk=2e-6), 0.05)
    assert told.basis == "record"
    count = int(told.duration_s / 7.5)
    rng = np.random.default_rng(2)
    rates = []
    for _ in range(200):
        row = heard(count, rng, walk=2e-6)
        rates.append(DAY_S * (15 / fit_beats(row.beat_time_s, row.beat_number).period_s.nominal_value - 1))
    # The factor of 2 is that of white noise of the sounds; of the rate it would be 1.55. The deviation of one
    # record is known to about a fifth.
    assert 1.96 * np.std(rates) == pytest.approx(0.05 * 1.55 / 2, rel=0.25)
    assert 1.96 * np.std(rates) < 0.05


def test_from_the_last_reading_it_is_scaled():
    present = Present(ufloat(0, 0.4), CLOCK, duration_s=3600.0, timebase_source="stated")
    told = listening(present, 0.4 * 1.96 / 2)
    assert told.basis == "scaled"
    assert told.duration_s == pytest.approx(4 * 3600)


def test_no_length_helps_against_an_unknown_crystal():
    # 50 ppm half-width: 2.49 s/day standard, 4.9 either way.
    part = 50 / math.sqrt(3) * 0.0864
    present = Present(ufloat(10, 2.6), CLOCK, timebase_source="unknown", timebase_s_per_day=part)
    told = listening(present, 0.5)
    assert told.duration_s is None
    assert "leaves the rate open to 4.9 s a day either way" in told.sentence


def test_a_clock_that_wanders_too_much_is_told_so():
    rng = np.random.default_rng(4)
    number = np.arange(4000)
    rate = np.cumsum(2e-6 * rng.standard_normal(4000))  # random walk of the rate itself
    present = Present(
        ufloat(0, 1),
        CLOCK,
        ufloat(15, 1e-5),
        timebase_source="stated",
        beat_time_s=7.5 * number + 7.5 * np.cumsum(rate),
        beat_number=number,
    )
    told = listening(present, 0.1)
    assert told.duration_s is None
    assert "wanders too much for 0.1 s a day" in told.sentence


def test_absurd_tolerances_are_refused():
    with pytest.raises(InputError, match="tolerance is 0 s/day"):
        listening(Present(ufloat(0, 1), CLOCK), 0.0)
