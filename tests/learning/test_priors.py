"""What is believed before the trials: densities against scipy's, and the trade's figures they stand for."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student
from uncertainties import ufloat

from torsionbeat.learning.priors import (
    WANDER_GRID,
    effect_parts,
    log_prior_per_gram,
    right_per_gram,
    told_log_per_gram,
    wander_prior,
)
from torsionbeat.learning.response import Response, per_unit_from_effect
from torsionbeat.learning.trials import Trial, Within

HALF_DAY_S = 43_200.0
CALM = tuple(Trial(ufloat(5.0, 0.01)) for _ in range(30))


def test_a_gram_is_what_was_told_or_else_what_is_usual():
    """Three grams a side for 15 min/day are 150 s/day a gram (common practice, no source); one in ten is of another kind."""
    prior = Response(ufloat(0.002, 0.0004), chance_wrong=0.3)
    sd = math.sqrt(math.log1p(0.2**2))  # of the logarithm of a log-normal of that relative deviation
    assert told_log_per_gram(prior) == pytest.approx((math.log(0.002), sd))
    x = np.log(np.array([0.0005, 0.002, 0.0035, 0.01]))
    usual = 0.9 * norm.pdf(x, math.log(150 / HALF_DAY_S), 0.5) + 0.1 * norm.pdf(
        x, math.log(150 / HALF_DAY_S), 1.0
    )
    told = norm.pdf(x, math.log(0.002), sd)
    density = 0.7 * told + 0.3 * usual
    got = log_prior_per_gram(x, prior)
    assert got - got[0] == pytest.approx(np.log(density) - math.log(density[0]), abs=1e-9)
    assert right_per_gram(x, prior) == pytest.approx(0.7 * told / density)


def test_nothing_is_known_beforehand_to_better_than_a_part_in_a_thousand():
    assert told_log_per_gram(Response(ufloat(0.003, 1e-9)))[1] == 1e-3


def test_an_unknown_regulator_does_minutes_a_day_over_its_travel():
    parts = effect_parts(Response(ufloat(0.0035, 0.001)), 4.0)
    assert parts.weight.tolist() == [0.35, 0.40, 0.25]
    assert parts.mean.tolist() == [0.0, 0.0, 0.0]
    assert parts.sd.tolist() == [20 / 4, 100 / 4, 400 / 4]  # half the travel does 20, 100 or 400 s/day
    assert set(parts.names) == {"unknown"}


def test_where_there_is_no_regulator_there_is_no_effect():
    parts = effect_parts(Response(ufloat(0.0035, 0.001)), None)
    assert (parts.weight.tolist(), parts.mean.tolist(), parts.sd.tolist(), parts.names) == (
        [1.0],
        [0.0],
        [0.0],
        ("none",),
    )


@pytest.mark.parametrize("half_travel", [4.0, None])
def test_a_guess_may_be_wrong_in_size_in_sign_or_altogether(half_travel):
    # -43200 s/day a unit of T^2: a guess of 30 +- 6 s/day
    prior = Response(ufloat(0.0035, 0.001), ufloat(-30 / HALF_DAY_S, 6 / HALF_DAY_S), unit_chance_wrong=0.2)
    parts = effect_parts(prior, half_travel)
    names = np.array(parts.names)
    assert parts.weight.sum() == pytest.approx(1.0)

    def share(name):
        return float(parts.weight[names == name].sum())

    assert share("guess") == pytest.approx(0.8)
    assert share("size wrong") == pytest.approx(0.2 * 0.45)
    assert share("sign wrong") == pytest.approx(0.2 * 0.45)
    assert share("unknown") == pytest.approx(0.2 * 0.10)
    assert (parts.mean[0], parts.sd[0]) == (pytest.approx(30.0), pytest.approx(6.0))
    size = names == "size wrong"
    # Every factor from a tenth to twelve is within two relative spreads of one of the parts.
    for factor in np.geomspace(0.1, 12.0, 40):
        assert np.min(np.abs(30 * factor - parts.mean[size]) / parts.sd[size]) < 2
    assert parts.sd[size] == pytest.approx(0.45 * parts.mean[size])
    assert parts.mean[size].tolist() == pytest.approx([4.5, 12.0, 72.0, 165.0, 360.0])
    sign = names == "sign wrong"
    assert parts.mean[sign].tolist() == pytest.approx([-18.0, -48.0])
    assert parts.sd[sign].tolist() == pytest.approx([9.0, 24.0])
    # Without a travel it is taken for five units either way.
    assert parts.sd[names == "unknown"].tolist() == pytest.approx(
        [x / (half_travel or 5.0) for x in (20, 100, 400)]
    )


def test_wander_of_which_nothing_is_known_is_half_a_t_distribution():
    """One degree of freedom, half of all clocks below a second a day."""
    weight = wander_prior([Trial(ufloat(3.0, 0.1))])
    expected = 2 * student.pdf(WANDER_GRID, 1) * WANDER_GRID
    assert weight == pytest.approx(expected / expected.sum())


def test_other_clocks_share_in_the_belief_by_how_many_they_are():
    alone = wander_prior([Trial(ufloat(3.0, 0.1))])
    one = wander_prior([Trial(ufloat(3.0, 0.1))], [CALM])
    # One calm clock beside the general belief: the sum of both, each with the weight of one clock.
    peak = 2 * one - alone
    assert peak.sum() == pytest.approx(1.0)
    # Thirty nights without a difference lie at the least wander; spread by a factor of two (0.7 in the logarithm).
    log = np.log(WANDER_GRID)
    assert np.all(np.diff(peak) < 1e-12)
    kernel = np.exp(-(((log - log[0]) / 0.7) ** 2) / 2)
    assert peak == pytest.approx(kernel / kernel.sum(), abs=2e-3)
    twelve = wander_prior([Trial(ufloat(3.0, 0.1))], [CALM] * 12)
    assert twelve == pytest.approx((alone + 12 * peak) / 13)
    assert wander_prior([Trial(ufloat(3.0, 0.1))], [CALM] * 40) == pytest.approx(
        twelve
    )  # more change nothing


def test_other_clocks_count_by_the_differences_of_nights_without_work():
    weighed = [Trial(ufloat(5.0 + 80 * i, 0.01), mass_g=float(i)) for i in range(9)]
    assert wander_prior([Trial(ufloat(3.0, 0.1))], [weighed]) == pytest.approx(
        wander_prior([Trial(ufloat(3.0, 0.1))])
    )
    pair = [Trial(ufloat(5.0, 0.3)), Trial(ufloat(9.0, 0.4), nights=2.0)]
    got = 2 * wander_prior([Trial(ufloat(3.0, 0.1))], [pair]) - wander_prior([Trial(ufloat(3.0, 0.1))])
    # A difference of 4 s/day with variance 0.25 + w^2 (1 + 1/2), half of it counted; with the t of the general belief.
    likelihood = norm.pdf(4.0, 0, np.sqrt(0.25 + 1.5 * WANDER_GRID**2)) ** 0.5
    own = likelihood * student.pdf(WANDER_GRID, 1) * WANDER_GRID
    log = np.log(WANDER_GRID)
    kernel = np.exp(-(((log[:, None] - log) / 0.7) ** 2) / 2)
    spread = (kernel / kernel.sum(axis=0)) @ (own / own.sum())
    assert got == pytest.approx(spread / spread.sum(), rel=1e-6)


def test_wander_within_a_recording_tells_of_it_in_six_of_ten():
    alone = wander_prior([Trial(ufloat(3.0, 0.1))])
    seen = Within(deviation_s_per_day=1.5, noise_s_per_day=0.2, tau_s=7200.0, freedom=3.0)
    got = wander_prior([Trial(ufloat(3.0, 0.1), within=seen)])
    # A wander that does not show within: half-t of 3 degrees of freedom, on an even grid of the logarithm.
    unseen = student.pdf(WANDER_GRID, 3) * WANDER_GRID
    informed = (got - 0.4 * unseen / unseen.sum()) / 0.6
    assert np.all(informed > -1e-12)
    # Wander of a 12 h time constant seen over 2 h averages shows 2 tau / 3 T of its variance; the ratio of within to between
    # nights is a factor of exp(0.8) either way.
    ratio = np.exp(0.8 * np.linspace(-2.5, 2.5, 11))
    share = 2 * 7200 / (3 * 43_200)
    likelihood = np.zeros(len(WANDER_GRID))
    for step, one in zip(np.linspace(-2.5, 2.5, 11), ratio, strict=True):
        variance = 0.2**2 + share * (WANDER_GRID / one) ** 2
        # chi-squared of 3 degrees of freedom of the Allan variance 1.5^2
        likelihood += norm.pdf(step) * variance**-1.5 * np.exp(-1.5 * 1.5**2 / variance)
    assert informed == pytest.approx(alone * likelihood / (alone * likelihood).sum(), rel=1e-6)
    no_freedom = Within(1.5, 0.2, 7200.0, 0.0)
    assert wander_prior([Trial(ufloat(3.0, 0.1), within=no_freedom)]) == pytest.approx(alone)


def test_nine_of_ten_guesses_of_a_regulator_are_right():
    """The rest is wrong in size or in sign, equally often, or tells nothing (no source)."""
    parts = effect_parts(Response(ufloat(0.0035, 0.001), per_unit_from_effect(20.0)), 5.0)
    share = {name: parts.weight[np.array(parts.names) == name].sum() for name in set(parts.names)}
    assert share == pytest.approx({"guess": 0.9, "size wrong": 0.045, "sign wrong": 0.045, "unknown": 0.01})
