"""How a clock's rate wanders in its nights: factors pinned against closed forms, nights pooled by their freedom."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.history.rate_stability import (
    STABILITY_TIMES_S,
    pooled_deviations,
    rate_wander_s_per_day,
    sound_deviation,
    stability_of,
)
from torsionbeat.reading.figures import Swings
from torsionbeat.theory.noise import equivalent_degrees_of_freedom
from torsionbeat.theory.rate import student_factor

DAY_S = 86_400.0
HALF_S = 7.5


@pytest.fixture(scope="module")
def night(make_night):
    base = make_night(1, hours=0.2)

    def of(seed, beats=4000, *, sigma_s=1e-3, walk=0.0, rate_walk=0.0, error_s=0.05):
        """Beats of a 15 s clock: white noise of sounds, white noise of the rate, a walk of the rate."""
        rng = np.random.default_rng([seed, beats])
        number = np.arange(beats)
        rate = walk * rng.standard_normal(beats) + np.cumsum(rate_walk * rng.standard_normal(beats))
        time = HALF_S * number + np.cumsum(HALF_S * rate) + sigma_s * rng.standard_normal(beats)
        time = time + error_s * (number % 2)
        blank = np.full(beats, np.nan)
        side = np.where(number % 2, "b", "a")
        return replace(base, swings=Swings(number, time, side, blank, blank, blank))

    return of


def test_single_sounds_make_a_white_deviation(night):
    """sqrt(3) sigma / tau (SP 1065, table 2, from memory)."""
    found = sound_deviation([night(1, 20_000)], 900.0)
    # Some 20 000 second differences know the median to 1 %.
    assert found == pytest.approx(DAY_S * math.sqrt(3) * 1e-3 / 900.0, rel=0.03)
    assert sound_deviation([night(1, 20_000)], 300.0) == pytest.approx(3 * found, rel=1e-12)
    two = sound_deviation([night(2, 20_000), night(3, 20_000, sigma_s=2e-3)], 900.0)
    assert two == pytest.approx(DAY_S * math.sqrt(3) * math.sqrt((1 + 4) / 2) * 1e-3 / 900.0, rel=0.03)
    assert sound_deviation([night(1, 6)], 900.0) == 0.0  # too few to tell


def test_the_sides_own_offset_is_no_wander(night):
    """Averages are over whole periods: a beat error moves none of them."""
    curves = [stability_of(night(4, error_s=error)) for error in (0.0, 2.0)]
    np.testing.assert_allclose(curves[0].deviation, curves[1].deviation, rtol=1e-6)
    assert curves[0].tau_s[0] == pytest.approx(2 * HALF_S, rel=1e-3)
    assert stability_of(night(4, 3)) is None


def test_wander_of_a_recording_is_its_longest_deviation_carried_on(night):
    """By hand from the curve: sounds taken out, on as a walk of the rate with the root of the time, Student's factor."""
    reading = night(5, 2000, sigma_s=3e-3, rate_walk=2e-7)
    curve = stability_of(reading)
    points = 2000
    factor = [2 * round(tau / curve.tau_s[0]) for tau in curve.tau_s]
    freedom = [
        min(edf, equivalent_degrees_of_freedom(-2, m, points))
        for edf, m in zip(curve.edf, factor, strict=True)
    ]
    row = max(row for row, one in enumerate(freedom) if one >= 2.0)
    tau = curve.tau_s[row]
    # White noise of 3 ms in each sound: what it makes at this time, from the beats drawn (median known to 3 %).
    sounds = sound_deviation([reading], tau)
    own = (DAY_S * curve.deviation[row]) ** 2 - sounds**2
    span = np.ptp(reading.swings.time_s)
    assert sounds > 0.02 * DAY_S * curve.deviation[row]  # it matters here
    assert span > 2 * tau
    expected = student_factor(freedom[row]) * math.sqrt(own * span / tau)
    assert rate_wander_s_per_day(reading) == pytest.approx(expected, rel=1e-9)
    assert student_factor(freedom[row]) > 1.1


def test_a_steady_clock_does_not_wander(night):
    """All there is are sounds: what is left of the deviation is a fraction of it."""
    reading = night(6, 8000)
    whole = DAY_S * float(stability_of(reading).deviation[-1])
    assert rate_wander_s_per_day(reading) < 10 * whole
    assert rate_wander_s_per_day(night(7, 4)) == 0.0


def test_nights_are_pooled_by_their_freedom(night):
    """Two nights of white rate noise, one twice as long and twice as unsteady: squares weighed by degrees of freedom."""
    nights = [night(8, 4000, sigma_s=1e-5, walk=1e-5), night(9, 8000, sigma_s=1e-5, walk=2e-5)]
    found = pooled_deviations(nights)
    tau = STABILITY_TIMES_S[1]
    squares, freedoms = [], []
    for reading, beats in zip(nights, (4000, 8000), strict=True):
        curve = stability_of(reading, STABILITY_TIMES_S)
        row = int(np.argmin(np.abs(np.log(curve.tau_s / tau))))
        squares.append((DAY_S * curve.deviation[row]) ** 2)
        freedoms.append(min(curve.edf[row], equivalent_degrees_of_freedom(-2, 120, beats)))
    expected = math.sqrt(np.average(squares, weights=freedoms))
    assert found[tau].value == pytest.approx(expected, rel=1e-9)
    assert found[tau].freedom == pytest.approx(sum(freedoms), rel=1e-9)
    # White noise of the rate falls with the root of the time: 1e-5 to 2e-5 a beat over 120 beats.
    assert 1e-5 / math.sqrt(120) * DAY_S < found[tau].value < 2e-5 / math.sqrt(120) * DAY_S * 1.1
    assert 12 * 3600.0 not in found  # neither night holds two of these
