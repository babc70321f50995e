"""Rate conversions and the straight line through a row of beats."""

from __future__ import annotations

import math

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory import rate


def beats(rng, n=200, period=15.0, beat_error=0.1, sigma=1e-3, heard=1.0, start=3.0):
    number = np.arange(n)
    time = start + number * period / 2 + beat_error * (number % 2 - 0.5) + rng.normal(0, sigma, n)
    keep = rng.random(n) < heard
    return time[keep], number[keep]


def test_on_time_clock_has_rate_zero():
    assert rate.rate_s_per_day(15, 15) == 0
    assert rate.period_s(0, 15) == 15


def test_slow_period_loses_and_round_trip():
    assert rate.rate_s_per_day(15.01, 15) < 0
    rates = np.array([-5000.0, -1, 0, 3.3, 900])
    # Rounding of 1 + rate/86400 alone.
    np.testing.assert_allclose(rate.rate_s_per_day(rate.period_s(rates, 60), 60), rates, atol=1e-9)


def test_conversions_invert():
    assert rate.ppm_from_s_per_day(rate.s_per_day_from_ppm(123.4)) == pytest.approx(123.4, rel=1e-15)
    assert rate.s_per_week_from_s_per_day(2) == 14
    assert rate.s_per_month_from_s_per_day(2) == 60
    assert rate.s_per_year_from_s_per_day(2) == 730.5


def test_student_factor_is_two_sided():
    # The table value t(0.975, 1) = 12.706 and normal 1.95996.
    assert rate.student_factor(1) * 1.959964 == pytest.approx(12.7062, rel=1e-5)


def test_exact_beats_give_exact_figures_with_holes():
    """Two ticks missed of eleven: slicing intervals would fail, numbers do not."""
    number = np.array([0, 1, 2, 4, 5, 7, 8, 9, 10])
    time = 100 + 7.5 * number + 0.1 * (number % 2 - 0.5)
    fit = rate.fit_beats(time, number)
    # Times near 200 s carry 3e-14 s of rounding.
    assert fit.period_s.nominal_value == pytest.approx(15, abs=1e-12)
    assert fit.beat_error_s.nominal_value == pytest.approx(0.1, abs=1e-12)
    assert fit.start_s.nominal_value == pytest.approx(100, abs=1e-12)
    assert fit.sigma_s < 1e-12
    assert fit.degrees_of_freedom == 6


def test_sign_of_the_beat_error_follows_the_sides():
    """Half of (a to b minus b to a): here a to b takes 7.7 s and b to a 7.3 s."""
    time = np.array([0, 7.7, 15, 22.7, 30])
    for sides, beat_error in (("ababa", 0.2), ("babab", -0.2)):
        fit = rate.fit_beats(time, range(5), list(sides))
        assert fit.beat_error_s.nominal_value == pytest.approx(beat_error, abs=1e-12)


def test_one_side_alone_gives_no_beat_error():
    fit = rate.fit_beats(np.arange(6) * 15.0, np.arange(6) * 2)
    assert fit.beat_error_s is None
    assert fit.period_s.nominal_value == pytest.approx(15, abs=1e-12)


def test_no_holes_one_side_is_the_closed_form():
    number, sigma = np.arange(240) * 2, 1e-3
    closed = sigma * math.sqrt(12 / (240 * (240**2 - 1)))
    fit = rate.fit_beats(number * 7.5, number, sigma_s=sigma)
    assert fit.period_s.std_dev == pytest.approx(closed, rel=1e-9)
    assert rate.period_uncertainty_s(number, sigma, both_sides=False) == pytest.approx(closed, rel=1e-12)


def test_planned_uncertainty_equals_that_of_the_fit():
    rng = np.random.default_rng(3)
    time, number = beats(rng, heard=0.6)
    fit = rate.fit_beats(time, number, sigma_s=1e-3)
    assert rate.period_uncertainty_s(number, 1e-3) == pytest.approx(fit.period_s.std_dev, rel=1e-9)


def test_uncertainties_hold_over_many_nights():
    """Coverage of the 95 % interval with missing beats and sigma from few residuals."""
    rng = np.random.default_rng(4)
    inside = np.zeros(2)
    runs = 600
    for _ in range(runs):
        time, number = beats(rng, n=14, heard=0.8)
        if len(number) < 6:
            time, number = beats(rng, n=14)
        fit = rate.fit_beats(time, number)
        widen = 1.959964 * rate.student_factor(fit.degrees_of_freedom)
        for k, (found, truth) in enumerate([(fit.period_s, 15.0), (fit.beat_error_s, 0.1)]):
            inside[k] += abs(found.nominal_value - truth) < widen * found.std_dev
    # Binomial with p = 0.95 and 600 runs: standard deviation 0.9 %, three of them.
    assert inside / runs == pytest.approx([0.95, 0.95], abs=0.027)


def test_weights_make_good_beats_count():
    rng = np.random.default_rng(5)
    n = 4000
    number = np.arange(n)
    spread = np.where(rng.random(n) < 0.5, 1e-3, 1e-2)
    time = number * 7.5 + rng.normal(0, spread)
    weighted = rate.fit_beats(time, number, weight=(1e-3 / spread) ** 2)
    # Sigma from 4000 residuals is known to 1.1 %, three of these.
    assert weighted.sigma_s == pytest.approx(1e-3, rel=0.035)
    assert abs(weighted.period_s.nominal_value - 15) < 4 * weighted.period_s.std_dev
    assert weighted.period_s.std_dev < 0.3 * rate.fit_beats(time, number).period_s.std_dev


def test_a_night_far_from_the_origin_keeps_its_digits():
    number = np.arange(11_520) + 10_000_000
    time = 1.7e6 + 7.5000003 * (number - 10_000_000)
    # Times of 1.7e6 s are rounded to 2e-10 s, over 24 h of beats.
    assert rate.fit_beats(time, number).period_s.nominal_value == pytest.approx(15.0000006, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: rate.rate_s_per_day(-15, 15), r"period is -15 s; it must lie above 0 and at most 600 s"),
        (lambda: rate.rate_s_per_day(15, 0), r"nominal period is 0 s"),
        (lambda: rate.period_s(-86400, 15), r"rate is -86400 s/day; it must be a finite number above -86400"),
        (lambda: rate.fit_beats([0, 7.5, 15], [0, 1, 2]), r"3 beats heard; at least 4 are .*record longer"),
        (lambda: rate.fit_beats([0, 1, 2], [0, 1]), r"3 event times and 2 beat numbers"),
        (lambda: rate.fit_beats([0, 1, 2, 3], [0, 1, 1, 2]), r"a beat number comes twice"),
        (lambda: rate.fit_beats([0, 1, 2, 3], [0, 1.5, 2, 3]), r"beat number 1.5 is not whole"),
        (lambda: rate.fit_beats([0, 1, 2, math.nan], [0, 1, 2, 3]), r"event time is nan s"),
        (lambda: rate.fit_beats([0, 1, 2, 3], [0, 1, 2, 3], list("abba")), r"sides do not alternate"),
        (lambda: rate.fit_beats([0, 1, 2, 3], [0, 1, 2, 3], list("abxb")), r"give 'a' or 'b'"),
        (lambda: rate.fit_beats([0, 1, 2, 3], [0, 1, 2, 3], weight=[1, 1]), r"2 weights for 4 beats"),
        (lambda: rate.fit_beats([0, 1, 2, 3], [0, 1, 2, 3], sigma_s=-1), r"sigma of an event time is -1 s"),
        (lambda: rate.period_uncertainty_s([0, 1], 1e-3), r"2 beats; a period needs at least 3"),
        (lambda: rate.student_factor(0), r"degrees of freedom is 0"),
    ],
)
def test_absurd_arguments_are_refused(call, message):
    with pytest.raises(InputError, match=message):
        call()
