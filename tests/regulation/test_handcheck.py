from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.regulation.handcheck import HandSighting, agreement, hand_check

DAY_S = 86_400.0


def test_eighteen_seconds_in_a_week_is_two_and_a_half_a_day():
    # 18 s in 168 h: 18 / 7 by hand; two sightings of +-3 s (rectangular) differ by 3 sqrt(2/3) s
    check = hand_check([HandSighting(0, 5, 3), HandSighting(168 * 3600, 23, 3)])
    assert check.rate_s_per_day.nominal_value == pytest.approx(18 / 7, rel=1e-12)
    assert check.rate_s_per_day.std_dev == pytest.approx(3 * math.sqrt(2 / 3) / 7, rel=1e-12)
    assert check.span_h == 168
    assert check.remarks == ()
    np.testing.assert_allclose(check.residual_s, 0, atol=1e-12)


def test_a_part_per_million_is_six_tenths_of_a_second_a_week():
    # 1 ppm = 0.6048 s/week = 0.0864 s/day: arithmetic of the SI day of 86 400 s
    check = hand_check([HandSighting(0, 0, 0.1), HandSighting(7 * DAY_S, 0.6048, 0.1)])
    assert check.rate_s_per_day.nominal_value == pytest.approx(0.0864, rel=1e-12)


def test_a_clock_that_keeps_time_has_no_rate():
    check = hand_check([HandSighting(day * DAY_S, -40, 2) for day in (0, 1, 5, 6)])
    assert check.rate_s_per_day.nominal_value == pytest.approx(0, abs=1e-12)


def test_weights_follow_the_reading_errors():
    # numpy's polynomial fit with weights 1/u and unscaled covariance is an independent road to the same line
    rng = np.random.default_rng(11)
    day = np.array([0.0, 1.0, 2.5, 6.0, 9.0])
    error_s = np.array([1.0, 4.0, 2.0, 3.0, 0.5])
    ahead_s = 3.0 - 7.25 * day + rng.uniform(-error_s, error_s)
    check = hand_check([HandSighting(*row) for row in zip(day * DAY_S, ahead_s, error_s, strict=True)])
    line, covariance = np.polyfit(day, ahead_s, 1, w=math.sqrt(3) / error_s, cov="unscaled")
    assert check.rate_s_per_day.nominal_value == pytest.approx(line[0], rel=1e-10)
    assert check.rate_s_per_day.std_dev == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-10)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(5)
    day = np.array([0.0, 3.0, 7.0, 10.0])
    held = 0
    for _ in range(2000):
        ahead_s = 2.0 * day + rng.uniform(-3, 3, 4)
        rate = hand_check(
            [HandSighting(*row, 3) for row in zip(day * DAY_S, ahead_s, strict=True)]
        ).rate_s_per_day
        held += abs(rate.nominal_value - 2.0) <= 1.96 * rate.std_dev
    assert 0.93 <= held / 2000 <= 0.99  # 95 %, give or take; binomial sigma is 0.5 %


def test_hands_that_were_set_between_are_noticed():
    sightings = [HandSighting(day * DAY_S, 2.0 * day + (60 if day >= 3 else 0), 3) for day in range(6)]
    check = hand_check(sightings)
    quiet = hand_check([HandSighting(day * DAY_S, 2.0 * day, 3) for day in range(6)])
    assert len(check.remarks) == 1
    assert "the hands were set" in check.remarks[0]
    assert check.rate_s_per_day.std_dev > 5 * quiet.rate_s_per_day.std_dev


def test_agreement_with_a_reading():
    check = hand_check([HandSighting(0, 0, 3), HandSighting(7 * DAY_S, 18, 3)])
    same = agreement(check, ufloat(2.4, 0.3))
    assert same.agrees
    assert same.difference_s_per_day.nominal_value == pytest.approx(18 / 7 - 2.4)
    assert same.difference_s_per_day.std_dev == pytest.approx(math.hypot(3 * math.sqrt(2 / 3) / 7, 0.3))
    assert not agreement(check, ufloat(12.0, 0.3)).agrees


@pytest.mark.parametrize(
    ("sightings", "message"),
    [
        ([(0, 0, 3)], "1 sighting was given; at least 2"),
        ([(0, 0, 3), (0, 1, 3)], "not in order of time"),
        ([(100, 0, 3), (0, 1, 3)], "not in order of time"),
        ([(0, 0, 3), (60, 1, 3)], "span 60 s; more than 60 s"),
        ([(0, 0, 3), (3600, 3000, 3)], "a rate of 72000 s/day; at most 14400"),
        ([(0, 30_000, 3), (DAY_S, 0, 3)], "30000 s off; a dial of 12 hours shows at most 21600"),
        ([(0, 0, 0), (DAY_S, 0, 3)], "reading error is 0 s; it must lie above 0 and at most 600"),
        ([(0, 0, math.nan), (DAY_S, 0, 3)], "reading error is nan s"),
        ([(0, math.nan, 1), (DAY_S, 0, 3)], "nan s off"),
        ([(math.inf, 0, 1), (DAY_S, 0, 3)], "moment of a sighting is inf s"),
    ],
)
def test_what_cannot_be_is_refused(sightings, message):
    with pytest.raises(InputError, match=message):
        hand_check([HandSighting(*sighting) for sighting in sightings])


def test_sightings_off_their_line_are_widened_by_birge_and_student():
    """Four sightings, two of them 30 s off: the root of chi-squared over 2, times Student's 4.303 / 1.96."""
    moments = np.array([0.0, 2.0, 4.0, 6.0])
    seen = np.array([0.0, 30.0, -30.0, 0.0])
    check = hand_check([HandSighting(86_400 * at, s, 3.0) for at, s in zip(moments, seen, strict=True)])
    sigma = 3.0 / math.sqrt(3)
    day = moments - moments.mean()
    slope = float(day @ seen / (day @ day))
    chi_squared = float(np.sum((seen - slope * day) ** 2)) / sigma**2
    plain = sigma / math.sqrt(float(day @ day))
    expected = plain * math.sqrt(chi_squared / 2) * 4.30265 / 1.96
    assert check.rate_s_per_day.nominal_value == pytest.approx(slope, rel=1e-9)
    assert check.rate_s_per_day.std_dev == pytest.approx(expected, rel=1e-5)
