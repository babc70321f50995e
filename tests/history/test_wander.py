"""How rate and arc wander: factors pinned against closed forms and the balance's memory, and many recordings of one clock."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.wander import (
    MEMORY_PERIODS,
    MOVE_FREEDOM,
    STABILITY_TIMES_S,
    arc_spread,
    arc_wander_deg,
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


PERIOD_S = 60.0


@pytest.fixture(scope="module")
def recording(make_night):
    base = make_night(1, hours=0.2)

    def of(arcs):
        number = np.arange(len(arcs))
        blank = np.full(len(arcs), np.nan)
        swings = Swings(number, PERIOD_S / 2 * number, np.where(number % 2, "b", "a"), blank, blank, arcs)
        return replace(base, swings=swings, period_s=ufloat(PERIOD_S, 1e-4))

    return of


def remembering(rng, beats, sigma, memory_beats):
    kept = math.exp(-1 / memory_beats)
    out = np.empty(beats)
    out[0] = sigma * rng.standard_normal()
    for row in range(1, beats):
        out[row] = kept * out[row - 1] + sigma * math.sqrt(1 - kept * kept) * rng.standard_normal()
    return out


def test_a_short_recording_s_movement_is_carried_to_the_memory(recording):
    """S^2 = 3 m s^2 / T: twelve blocks of a straight rise by 11 deg have a standard deviation of sqrt(13) deg."""
    arcs = np.repeat(np.arange(12.0), 10) + 300
    found = arc_wander_deg(recording(arcs))
    span = 119 * PERIOD_S / 2
    carried = math.sqrt(13) * math.sqrt(3 * MEMORY_PERIODS * PERIOD_S / span)
    assert found == pytest.approx(
        student_factor(MOVE_FREEDOM) * carried, rel=0.02
    )  # a beat falls to its neighbour's block


def test_the_interval_holds_the_usual_arc(recording):
    """An arc that remembers 240 beats, heard for 60 of them: how far its mean lies from the usual one."""
    held = 0
    for seed in range(200):
        rng = np.random.default_rng([seed, 5])
        arcs = 300 + remembering(rng, 60, 2.0, 2 * MEMORY_PERIODS) + 0.1 * rng.standard_normal(60)
        held += abs(arcs.mean() - 300) <= 1.96 * arc_wander_deg(recording(arcs))
    assert held >= 180  # 90 of 100
    few = recording(np.full(8, 300.0))
    assert arc_wander_deg(few) == 0.0


def test_spread_of_the_means_and_the_share_of_single_sounds(recording):
    """White arcs of 3 deg: means of six have 3/sqrt(6), and all of that is the sounds'."""
    rng = np.random.default_rng(3)
    night = recording(300 + 3.0 * rng.standard_normal(1152))
    spread, share = arc_spread([night])
    assert spread.value == pytest.approx(3 / math.sqrt(12), rel=0.25)  # 96 means of twelve
    assert share > 0.7
    calm = recording(300 + remembering(rng, 1152, 3.0, 240.0))
    assert arc_spread([calm])[1] < 0.1


def test_freedom_is_that_of_the_memory(recording):
    """1152 beats of half a minute are 4.8 memories of two hours: so many degrees of freedom, and two."""
    rng = np.random.default_rng(4)
    night = recording(300 + remembering(rng, 1152, 3.0, 30.0) + 0.2 * rng.standard_normal(1152))
    spread, _ = arc_spread([night])
    assert spread.freedom == pytest.approx(2 + 1151 * 30 / (MEMORY_PERIODS * PERIOD_S), rel=1e-6)
    assert arc_spread([recording(np.full(30, 300.0))])[0] is None
