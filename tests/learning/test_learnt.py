"""What the posterior is told as: quantiles, promises and the change wanted, each against its closed form for a single part."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.learning.design import Branch
from torsionbeat.learning.learnt import Change, Learnt, Spread
from torsionbeat.learning.mixture import Mixture
from torsionbeat.learning.response import Response
from torsionbeat.learning.warmth import Warmth

DAY_S, HALF_DAY_S = 86_400.0, 43_200.0
G, STATE, SD, EFFECT, EFFECT_SD, SHARED, MASS, G_SD, WANDER = (
    0.0035,
    200.0,
    3.0,
    18.0,
    2.0,
    1.5,
    4.0,
    0.05,
    1.2,
)
PRIOR = Response(ufloat(0.0035, 0.001), ufloat(-18 / HALF_DAY_S, 2 / HALF_DAY_S))


def one_part(**other):
    given = {
        "weight": [1.0],
        "state": [STATE],
        "state_variance": [SD**2],
        "effect": [EFFECT],
        "effect_variance": [EFFECT_SD**2],
        "covariance": [SHARED],
        "per_gram": [G],
        "log_g_sd": [G_SD],
        "wander": [WANDER],
        "walks": [False],
        "effect_names": ["guess"],
        **other,
    }
    return Mixture(
        **{name: np.array(value) for name, value in given.items()},
        mass_g=MASS,
        branches={Branch("nothing", 0): 1.0},
        fixed=(),
        log_evidence=0.0,
        points=1,
    )


def learnt(**other):
    return Learnt(one_part(**other), PRIOR, True, 3)


def test_quantiles_of_one_part_are_the_normal_s():
    spread = Spread(np.array([1.0]), np.array([5.0]), np.array([4.0]))
    for share in (0.025, 0.1587, 0.5, 0.975):
        assert spread.quantile(share) == pytest.approx(norm.ppf(share, 5, 2), abs=1e-6)
    assert spread.moments == pytest.approx((5.0, 2.0))
    assert spread.core == pytest.approx(
        (5.0, 2.0), abs=1e-3
    )  # 0.1587 is the normal's share below -1 to four figures
    assert spread.within(4.0) == pytest.approx(norm.cdf(4, 5, 2) - norm.cdf(-4, 5, 2))
    # Folded normal (Leone and others 1961, from memory): sd root(2/pi) exp(-m2/2s2) + m (1 - 2 Phi(-m/s)).
    folded = 2 * math.sqrt(2 / math.pi) * math.exp(-25 / 8) + 5 * (1 - 2 * norm.cdf(-2.5))
    assert spread.size_up_to() == pytest.approx(folded)


def test_quantiles_and_moments_of_two_parts():
    spread = Spread(np.array([0.25, 0.75]), np.array([-10.0, 2.0]), np.array([1.0, 0.01]))
    mean = -2.5 + 1.5
    assert spread.moments == pytest.approx(
        (mean, math.sqrt(0.25 * (1 + (-10 - mean) ** 2) + 0.75 * (0.01 + (2 - mean) ** 2)))
    )
    # A quarter of it lies about -10, the rest about 2.
    assert spread.quantile(0.125) == pytest.approx(-10, abs=1e-6)
    assert spread.quantile(0.625) == pytest.approx(2, abs=1e-6)
    assert spread.within(5.0) == pytest.approx(0.75, abs=1e-6)


def test_after_a_change_the_mean_moves_by_t_squared_and_by_the_regulator():
    then = learnt().long_run(Change(2.0, 0.5))
    now, grown = 1 + G * MASS, 1 + G * (MASS + 2.0)
    assert then.mean[0] == pytest.approx(STATE - HALF_DAY_S * math.log(grown / now) + 0.5 * EFFECT)
    # ln g may be off: the derivative of the mean by ln g, taken as a difference.
    more = 1e-6
    moved = -HALF_DAY_S * (
        math.log((1 + G * math.exp(more) * (MASS + 2)) / (1 + G * math.exp(more) * MASS))
        - math.log(grown / now)
    )
    expected = SD**2 + (moved / more * G_SD) ** 2 + 2 * 0.5 * SHARED + 0.25 * EFFECT_SD**2
    assert then.variance[0] == pytest.approx(expected, rel=1e-4)


def test_every_doubt_of_a_change_adds_its_square():
    def variance(change):
        return learnt().long_run(change).variance[0]

    plain = variance(Change())
    assert plain == pytest.approx(SD**2)
    gram = HALF_DAY_S * G / (1 + G * MASS)
    assert variance(Change(mass_doubt_g=0.1)) - plain == pytest.approx((gram * 0.1) ** 2)
    assert variance(Change(setting_doubt=0.1)) - plain == pytest.approx((EFFECT**2 + EFFECT_SD**2) * 0.01)
    assert variance(Change(handling_s_per_day=0.4)) - plain == pytest.approx(0.16)


def test_a_night_wanders_besides_and_the_mean_of_some_less():
    still = learnt()
    assert still.night().variance[0] == pytest.approx(SD**2 + WANDER**2)
    assert still.night(nights=4.0).variance[0] == pytest.approx(SD**2 + WANDER**2 / 4)
    warm = Warmth(20.0, np.zeros(2), np.ones(2), 2.0, ufloat(-7, 7), ufloat(-3, 1))
    assert replace(still, warmth=warm).night().variance[0] == pytest.approx(SD**2 + WANDER**2 + (9 + 1) * 4)


def test_rates_are_told_by_the_median_and_half_the_95_percent_interval():
    def rate(y):  # y = 86400 ln(1 + rate / 86400)
        return DAY_S * math.expm1(y / DAY_S)

    told = learnt().rate_s_per_day
    low, high = rate(STATE - 1.959964 * SD), rate(STATE + 1.959964 * SD)
    assert told.nominal_value == pytest.approx(rate(STATE), abs=1e-5)
    assert told.std_dev == pytest.approx((high - low) / 2 / 1.96, rel=1e-4)
    night = math.hypot(SD, WANDER)
    middle, low, high = learnt().expected_interval_s_per_day(Change())
    assert (middle, low, high) == pytest.approx(
        (rate(STATE), rate(STATE - 1.959964 * night), rate(STATE + 1.959964 * night)), abs=1e-4
    )
    told = learnt().expected_rate_s_per_day(2.0, 0.5, handling_s_per_day=1.0)
    after = learnt().long_run(Change(2.0, 0.5, handling_s_per_day=1.0))
    assert told.nominal_value == pytest.approx(rate(after.mean[0]), abs=1e-4)
    assert told.std_dev == pytest.approx(math.sqrt(after.variance[0] + WANDER**2), rel=5e-3)


def test_grams_bring_the_clock_to_the_rate_wanted():
    for wanted, move in ((0.0, 0.0), (60.0, 0.0), (-5.0, 0.5)):
        grams = learnt().grams_to_s_per_day(wanted, move)
        y = DAY_S * math.log1p(wanted / DAY_S)
        # What is added leaves just that rate.
        assert learnt().long_run(Change(grams.nominal_value, move)).mean[0] == pytest.approx(y, abs=0.01)
    grams = learnt().grams_to_s_per_day(0.0)
    slope = (1 + G * MASS) / G / HALF_DAY_S * math.exp(STATE / HALF_DAY_S)
    assert grams.std_dev == pytest.approx(math.hypot(SD * slope, grams.nominal_value * G_SD), rel=1e-3)
    middle, low, high = learnt().grams_interval()
    assert middle == pytest.approx(grams.nominal_value)
    assert (high - low) / 2 == pytest.approx(1.96 * grams.std_dev, rel=1e-4)
    # 0.5 of a unit more gains 9 s/day, which takes 9 s/day more of weight.
    assert learnt().grams_interval(0.5)[0] > middle


def test_a_move_brings_the_clock_to_the_rate_wanted():
    move = learnt().move_to_s_per_day(5.0, add_g=1.0)
    before = learnt().long_run(Change(1.0))
    wanted = DAY_S * math.log1p(5.0 / DAY_S)
    assert move.nominal_value == pytest.approx((wanted - before.mean[0]) / EFFECT)
    sd = math.sqrt(before.variance[0])
    assert move.std_dev == pytest.approx(math.hypot(sd / EFFECT, move.nominal_value * EFFECT_SD / EFFECT))
    for unknown in (replace(learnt(), has_regulator=False), learnt(effect=[0.0])):
        with pytest.raises(InputError, match="no regulator is known for this clock"):
            unknown.move_to_s_per_day()


def test_what_a_gram_loses_and_the_answer_count_from_where_the_clock_stands():
    now = 1 + G * MASS
    middle, low, high = learnt().loss_interval_s_per_day_per_gram
    loss = HALF_DAY_S * G / now
    assert (middle, low, high) == pytest.approx(
        (loss, loss * (1 - 1.95996 * G_SD), loss * (1 + 1.95996 * G_SD)), rel=1e-4
    )
    answer = learnt().response
    assert answer.per_gram.nominal_value == pytest.approx(G / now)
    assert answer.per_gram.std_dev == pytest.approx(G / now * G_SD, rel=1e-4)
    assert answer.s_per_day_per_unit.nominal_value == pytest.approx(EFFECT)
    assert answer.s_per_day_per_unit.std_dev == pytest.approx(EFFECT_SD, rel=1e-4)
    assert answer.source == "3 readings"
    assert replace(learnt(), trials=1).response.source == "1 reading"
    assert replace(learnt(), has_regulator=False).response.per_unit is None


PARTS = {
    "weight": [0.2, 0.3, 0.5],
    "state": [STATE] * 3,
    "state_variance": [SD**2] * 3,
    "effect": [-10.0, 20.0, 30.0],
    "effect_variance": [1.0, 1.0, 1.0],
    "covariance": [0.0] * 3,
    "per_gram": [G] * 3,
    "log_g_sd": [G_SD] * 3,
    "wander": [3.0, 1.0, 2.0],
    "walks": [False] * 3,
    "effect_names": ["sign wrong", "guess", "guess"],
}


def test_wander_and_effect_are_quantiles_over_the_parts():
    several = learnt(**PARTS)
    # In order: 1 (0.3), 2 (0.8 with it), 3.
    assert several.wander_s_per_day == (2.0, 1.0, 3.0)
    assert several.effect_median == 20.0
    assert several.effect_chances() == pytest.approx({"sign wrong": 0.2, "guess": 0.8})
    mean = 0.2 * -10 + 0.3 * 20 + 0.5 * 30
    assert several.effect_moments[0] == pytest.approx(mean)
    # The middle two thirds of one normal: half of it is 0.9674 standard deviations.
    assert learnt().effect_spread == pytest.approx(0.96742 * EFFECT_SD, rel=1e-4)


def test_the_source_is_as_right_as_its_density_says():
    told, usual = math.log(0.0035), math.log(150 / HALF_DAY_S)
    sd = math.sqrt(math.log1p((0.001 / 0.0035) ** 2))
    z = math.log(G) - usual
    right = 0.96 * math.exp(-((math.log(G) - told) ** 2) / 2 / sd**2) / sd
    wrong = 0.04 * (0.9 * math.exp(-((z / 0.5) ** 2) / 2) / 0.5 + 0.1 * math.exp(-(z**2) / 2))
    assert learnt().source_right == pytest.approx(right / (right + wrong), rel=1e-6)


def test_a_balance_does_not_lose_nearly_all_it_has():
    # 1 + g (4 - x) reaches a tenth at x = 4 + 0.9 / 0.0035 = 261 g.
    assert learnt().long_run(Change(-260.0)).mean[0] > STATE
    with pytest.raises(InputError, match="262 g less is more than this balance can lose"):
        learnt().long_run(Change(-262.0))
