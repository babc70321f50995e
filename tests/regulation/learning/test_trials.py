"""Trials: the exact line, the trade's facts, spring changes, outliers, and intervals that hold the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.regulation.learning.trials import Trial, learn
from torsionbeat.regulation.response import (
    Response,
    per_gram_from_weights,
    per_gram_usual,
    per_unit_from_effect,
)
from torsionbeat.theory.rate import rate_s_per_day
from torsionbeat.theory.weights import fit_weight_line

DAY_S = 86_400.0


def rate_with(per_gram, mass_g, start_s_per_day, stiffness=1.0):
    """Rate of a clock whose T^2 is a straight line in the mass."""
    square = (1 + per_gram * mass_g) / stiffness / (1 + start_s_per_day / DAY_S) ** 2
    return rate_s_per_day(math.sqrt(square), 1.0)


def test_three_grams_a_side_for_fifteen_minutes_fix_the_inertia():
    # Common practice, no source: about 3 g a side slow such a clock by about 15 min/day; then 17 min/day fast
    # after a new spring asks for about 3.4 g a side. About 3.2 must come out within the learnt interval.
    prior = Response(per_gram_usual())
    about = 0.5 / math.sqrt(3) * math.sqrt(2)  # "about 3 g" on each of two sides: within half a gram
    minute = 60 / math.sqrt(3)
    rows = [
        Trial(ufloat(900, minute), spring=0),
        Trial(ufloat(0, minute), mass_g=6, mass_doubt_g=about, spring=0),
        Trial(ufloat(1020, minute), mass_g=6, spring=1),
    ]
    a_side = learn(rows, prior).grams_to_s_per_day(0) / 2
    assert a_side.nominal_value == pytest.approx(3.4, abs=0.1)
    assert abs(3.2 - a_side.nominal_value) < 1.96 * a_side.std_dev
    assert a_side.std_dev < 0.5  # the trial taught something: the rule of thumb alone leaves 1.7 g


def test_the_same_from_a_change_that_is_only_remembered():
    prior = Response(per_gram_from_weights(6, -900))
    a_side = learn([Trial(ufloat(1020, 30))], prior).grams_to_s_per_day(0) / 2
    assert a_side.nominal_value == pytest.approx(3.4, abs=0.1)
    assert abs(3.2 - a_side.nominal_value) < 1.96 * a_side.std_dev


def test_with_a_wide_prior_and_exact_weights_it_is_the_straight_line_of_t_squared():
    mass, u_period = [0.0, 4.0, 9.0], 1e-5
    period = [
        14.9 * math.sqrt(1 + 0.0017 * m) + off for m, off in zip(mass, (1e-5, -1e-5, 5e-6), strict=True)
    ]
    rates = [DAY_S * (15 / ufloat(one, u_period) - 1) for one in period]
    rows = [Trial(rate, m, handling_s_per_day=0) for rate, m in zip(rates, mass, strict=True)]
    learnt = learn(rows, Response(ufloat(0.0017, 0.0010)))
    line = fit_weight_line(mass, period, [u_period] * 3)
    add = line.mass_for_period_g(15.0) - mass[-1]
    # The prior still pulls by its own weight: (u of the data / u of the prior)^2, below a millionth.
    assert learnt.grams_to_s_per_day(0).nominal_value == pytest.approx(
        add.nominal_value, abs=0.1 * add.std_dev
    )
    assert learnt.response.s_per_day_per_gram.nominal_value == pytest.approx(
        line.rate_per_g_s_per_day(mass[-1]).nominal_value, rel=0.01
    )


def test_the_first_reading_alone_leaves_the_prior_as_it_was():
    prior = Response(ufloat(0.0035, 0.0007), per_unit_from_effect(20, 5))
    learnt = learn([Trial(ufloat(-300, 1))], prior)
    assert learnt.rate_s_per_day.nominal_value == pytest.approx(-300, abs=1e-6)
    assert learnt.rate_s_per_day.std_dev == pytest.approx(1, rel=1e-6)
    assert learnt.response.per_gram.nominal_value == pytest.approx(0.0035)
    assert learnt.response.per_unit.std_dev == pytest.approx(prior.per_unit.std_dev, rel=1e-6)


def test_what_brings_it_to_time_is_expected_to_do_so():
    learnt = learn([Trial(ufloat(700, 1))], Response(ufloat(0.004, 0.001), per_unit_from_effect(20, 5)))
    add = learnt.grams_to_s_per_day(0, move=2).nominal_value
    assert learnt.expected_rate_s_per_day(add, 2).nominal_value == pytest.approx(0, abs=1e-6)
    move = learnt.move_to_s_per_day(5, add_g=3).nominal_value
    assert learnt.expected_rate_s_per_day(3, move).nominal_value == pytest.approx(5, abs=1e-6)
    still = learnt.expected_rate_s_per_day(add)
    grams = learnt.grams_to_s_per_day(0)
    slope = abs(learnt.response.s_per_day_per_gram.nominal_value)
    assert grams.std_dev == pytest.approx(
        learnt.expected_rate_s_per_day(grams.nominal_value).std_dev / slope, rel=0.03
    )  # slope at the start against slope at the end: grams * per_gram = 2 %
    assert still.std_dev > 50


def test_after_a_new_spring_the_ratio_stays_and_the_old_level_goes():
    per_gram, stiffer = 0.003, 1.02
    rows = [
        Trial(ufloat(rate_with(per_gram, 0, 800), 0.5)),
        Trial(ufloat(rate_with(per_gram, 5, 800), 0.5), mass_g=5),
        Trial(ufloat(rate_with(per_gram, 5, 800, stiffer), 0.5), mass_g=5, spring=1),
    ]
    learnt = learn(rows, Response(ufloat(0.0035, 0.0015)))
    left = rate_with(per_gram, 5, 800, stiffer)
    assert learnt.rate_s_per_day.nominal_value == pytest.approx(left, abs=0.01)
    add = learnt.grams_to_s_per_day(0).nominal_value
    assert rate_with(per_gram, 5 + add, 800, stiffer) == pytest.approx(0, abs=2)
    # T^2 per gram has shrunk with the stiffness, so a gram is worth more seconds: by the root of 2 %.
    before = learn(rows[:2], Response(ufloat(0.0035, 0.0015)))
    assert before.response.per_gram.nominal_value == pytest.approx(
        learnt.response.per_gram.nominal_value, rel=1e-6
    )
    step = learnt.expected_rate_s_per_day(1.0) - learnt.rate_s_per_day
    step_before = before.expected_rate_s_per_day(1.0) - before.rate_s_per_day
    assert step.nominal_value / step_before.nominal_value == pytest.approx(math.sqrt(stiffer), rel=1e-4)


def test_the_crystal_of_one_recorder_errs_alike_in_all_readings():
    prior = Response(ufloat(0.0035, 0.0015))
    shared = {"timebase": "unknown", "timebase_s_per_day": 2.5}
    rows = [
        Trial(ufloat(900, 2.51), **shared),
        Trial(ufloat(180, 2.51), mass_g=6, handling_s_per_day=0, **shared),
    ]
    learnt = learn(rows, prior)
    # The step is known to the readings' own 0.3 s/day (root of 2 * (2.51^2 - 2.5^2)), the rate only to 2.5.
    assert 6 * learnt.response.s_per_day_per_gram.std_dev == pytest.approx(0.32, abs=0.05)
    assert learnt.rate_s_per_day.std_dev == pytest.approx(2.5, abs=0.02)
    apart = learn([Trial(one.rate_s_per_day, one.mass_g, handling_s_per_day=0) for one in rows], prior)
    assert 6 * apart.response.s_per_day_per_gram.std_dev > 3


def clock(rng, trials=5):
    """Trials of a clock drawn from the prior, and its true rate after one more gram and half a unit."""
    prior = Response(ufloat(0.0035, 0.0012), per_unit_from_effect(20, 5))
    per_gram = 0.0035 * math.exp(rng.normal(0, math.sqrt(math.log1p((0.0012 / 0.0035) ** 2))))
    per_unit = rng.normal(prior.per_unit.nominal_value, prior.per_unit.std_dev)
    level, mass, setting = rng.normal(0, 0.02), 0.0, 0.0
    told = [0.0, 0.0]
    rows = []

    def rate():
        square = math.exp(level) * (1 + per_gram * mass) * (1 + per_unit * setting)
        return DAY_S * (square**-0.5 - 1)

    for i in range(trials):
        add, move = (rng.normal(0, 3), rng.normal(0, 1)) if i else (0.0, 0.0)
        told = [told[0] + add, told[1] + move]
        mass, setting = (
            mass + add + rng.normal(0, 0.02) * (i > 0),
            setting + move + rng.normal(0, 0.01) * (i > 0),
        )
        level += 2 / DAY_S * rng.normal(0, 0.2) * (i > 0)
        rows.append(
            Trial(
                ufloat(rate() + rng.normal(0, 0.3), 0.3),
                *told,
                mass_doubt_g=0.02 * (i > 0),
                setting_doubt=0.01 * (i > 0),
            )
        )
    mass, setting = mass + 4, setting + 0.5
    return prior, rows, rate()


@pytest.mark.parametrize("trials", [1, 2, 5])
def test_intervals_hold_the_truth(trials):
    rng = np.random.default_rng(100 + trials)
    held = 0
    for _ in range(300):
        prior, rows, truth = clock(rng, trials)
        expected = learn(rows, prior).expected_rate_s_per_day(4.0, 0.5)
        held += abs(truth - expected.nominal_value) <= 1.96 * expected.std_dev
    # 95 of 100; three standard errors of 300 draws are 4.
    assert 90 <= held / 3 <= 99


def test_a_bad_reading_is_named_and_left_out():
    prior, rows, truth = clock(np.random.default_rng(5), 6)
    worse = list(rows)
    worse[3] = Trial(
        rows[3].rate_s_per_day + 40, rows[3].mass_g, rows[3].setting, label="the reading of Tuesday"
    )
    learnt = learn(worse, prior)
    assert [(one.trial, one.what) for one in learnt.outliers] == [(3, "reading")]
    assert "the reading of Tuesday does not fit the others and was left out" in learnt.outliers[0].sentence
    expected = learnt.expected_rate_s_per_day(4.0, 0.5)
    assert abs(truth - expected.nominal_value) <= 3 * expected.std_dev
    assert not learn(rows, prior).outliers


def test_weights_that_were_not_what_they_were_said_to_be_are_named():
    prior = Response(ufloat(0.0035, 0.0012))
    masses = [0.0, 3.0, 6.0, 8.0, 9.0]
    really = [0.0, 3.0, 4.0, 6.0, 7.0]  # the third change left out 2 g of its 3
    rows = [
        Trial(ufloat(rate_with(0.0033, true, 800), 0.3), said, mass_doubt_g=0.02)
        for said, true in zip(masses, really, strict=True)
    ]
    learnt = learn(rows, prior)
    assert [(one.trial, one.what) for one in learnt.outliers] == [(2, "step")]
    assert "weights changed by +3 g in all" in learnt.outliers[0].sentence
    # Three sound steps of 8 g less 2 g in all, each to 0.02 g: 0.5 % of the answer, taken fourfold.
    assert math.exp(learnt.log_per_gram) == pytest.approx(0.0033, rel=0.02)


def test_a_last_step_the_wrong_way_is_named_and_the_reading_stands():
    learnt = learn([Trial(ufloat(600, 1)), Trial(ufloat(1300, 1), mass_g=5)], Response(ufloat(0.0035, 0.001)))
    assert learnt.outliers[0].what == "step"
    assert learnt.rate_s_per_day.nominal_value == pytest.approx(1300, abs=0.1)
    assert learnt.response.per_gram.nominal_value == pytest.approx(0.0035, rel=0.05)


def test_no_false_alarm_in_clean_trials():
    rng = np.random.default_rng(9)
    named = sum(bool(learn(rows, prior).outliers) for prior, rows, _ in (clock(rng, 5) for _ in range(100)))
    assert named <= 3  # once in 5000 for each of 7 steps and readings


def test_refusals():
    with pytest.raises(InputError, match="0 trials were given; 1 to 200"):
        learn([], Response(ufloat(0.0035, 0.001)))
    with pytest.raises(InputError, match="rate is 20000 s/day"):
        Trial(ufloat(20_000, 1))
    learnt = learn([Trial(ufloat(0, 1))], Response(ufloat(0.0035, 0.001)))
    with pytest.raises(InputError, match="more than this balance can lose"):
        learnt.expected_rate_s_per_day(-280)
    with pytest.raises(InputError, match="no regulator is known"):
        learnt.move_to_s_per_day()
