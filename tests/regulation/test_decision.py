"""What is decided, on clocks whose rate and answer are known to one normal distribution: each choice worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.learning.design import Branch
from torsionbeat.learning.learnt import Change, Learnt
from torsionbeat.learning.mixture import Mixture
from torsionbeat.learning.response import Regulator, Response
from torsionbeat.regulation.decision import decide, nights_needed
from torsionbeat.regulation.stock import Piece, Stock

G = 150 / 43_200
"""A gram loses 150 s/day."""


def clock(rate, sd, *, effect=20.0, effect_sd=0.5, wander=0.5):
    """A clock that stands at a rate known to sd (s/day), of which a unit of the regulator gains ``effect``."""
    one = np.ones(1)
    mixture = Mixture(
        weight=one,
        state=one * rate,
        state_variance=one * sd**2,
        effect=one * effect,
        effect_variance=one * max(effect_sd, 1e-6) ** 2,
        covariance=one * 0,
        per_gram=one * G,
        log_g_sd=one * 0.05,
        wander=one * wander,
        walks=np.array([False]),
        effect_names=np.array(["guess"]),
        mass_g=0.0,
        branches={Branch("nothing", 0): 1.0},
        fixed=(),
        log_evidence=0.0,
        points=1,
    )
    return Learnt(mixture, Response(ufloat(G, G / 10)), True, 3)


def regulator(setting=0.0, low=-5.0, high=5.0, step=0.05):
    return Regulator("turns", low, high, setting, step)


def test_a_clock_that_is_in_time_nine_times_in_ten_is_left_alone():
    """1.2816 deviations of a normal below the tolerance leave a tenth above it: just inside and just outside."""
    for off, kind in ((1.0 - 1.2816 * 0.1 - 0.002, "leave"), (1.0 - 1.2816 * 0.1 + 0.002, "adjust")):
        action = decide(clock(off, 0.1), 1.0, regulator=regulator())
        assert action.kind == kind
        assert action.chance_within == pytest.approx(
            norm.cdf((1 - off) / 0.1) - norm.cdf((-1 - off) / 0.1), abs=1e-6
        )
    assert decide(clock(0.0, 0.5), 1.0).kind == "leave"


def test_a_rate_that_is_not_known_to_be_off_by_its_doubt_waits_for_another_night():
    assert decide(clock(2.9, 3.0), 1.0, regulator=regulator()).kind == "night"
    assert decide(clock(-2.9, 3.0), 1.0, regulator=regulator()).kind == "night"
    assert decide(clock(12.0, 3.0), 1.0, regulator=regulator()).kind == "adjust"


def test_nothing_to_change_is_said():
    with pytest.raises(InputError, match="neither a regulator nor a weight to change"):
        decide(clock(60.0, 1.0), 1.0)


def test_a_known_regulator_brings_the_mean_to_zero_by_its_step():
    """10.1 s/day fast at 20 s/day a unit: half a unit less, in steps of a twentieth."""
    action = decide(clock(10.1, 0.5), 1.0, regulator=regulator())
    assert (action.kind, action.weights) == ("adjust", None)
    assert action.change.move == pytest.approx(-0.5)
    # A setting is good to half a step, rectangular; stopping and letting go may change 0.2 s/day.
    assert action.change.setting_doubt == pytest.approx(0.05 / 2 / math.sqrt(3))
    assert action.change.handling_s_per_day == 0.2
    assert decide(clock(-10.1, 0.5), 1.0, regulator=regulator()).change.move == pytest.approx(0.5)
    assert decide(clock(10.1, 0.5, effect=-20.0), 1.0, regulator=regulator()).change.move == pytest.approx(
        0.5
    )


def test_the_regulator_is_kept_a_tenth_of_half_its_travel_off_its_ends():
    """200 s/day would take ten units; from 0 it goes to 4.5 of 5."""
    move = decide(clock(-200.0, 0.5), 1.0, regulator=regulator()).change.move
    assert move == pytest.approx(4.5)
    assert decide(clock(200.0, 0.5), 1.0, regulator=regulator()).change.move == pytest.approx(-4.5)
    # One that stands beyond is not driven further out, nor back for nothing.
    assert decide(clock(-200.0, 0.5), 1.0, regulator=regulator(4.8), stock=Stock()).change.move <= 0


def test_many_seconds_take_weights_and_few_take_the_regulator():
    """A regulator of ten units, 20 s/day each: what is within its inner part it does alone; 600 s/day are 4 g."""
    far = decide(clock(600.0, 1.0), 1.0, regulator=regulator(), stock=Stock())
    assert far.kind == "adjust"
    assert far.weights.total_g == pytest.approx(600 / 150, rel=0.05)
    near = decide(clock(12.0, 1.0), 1.0, regulator=regulator(), stock=Stock())
    assert near.weights is None
    assert near.change.move == pytest.approx(-0.6)


def test_weights_alone_bring_it_to_time_and_their_doubt_goes_along():
    action = decide(clock(300.0, 1.0), 1.0, stock=Stock(scale_g=0.01))
    # 86400 ln(1 + r) against 43200 ln(1 + g m): m = (exp(300 / 43200) - 1) / G, half of it on each side to a hundredth.
    each = round(math.expm1(300 / 43_200) / G / 2, 2)
    assert action.weights.a_side_g == pytest.approx(each)
    assert action.change == Change(2 * each, 0.0, pytest.approx(0.01 * math.sqrt(2 / 3)), 0.0, 0.2)


def test_what_cannot_be_put_on_or_taken_off_is_said_where_nothing_else_helps():
    with pytest.raises(InputError, match="would have to come off"):
        decide(clock(-300.0, 1.0), 1.0, stock=Stock(), removable_g=0.5)
    helped = decide(clock(-50.0, 1.0), 1.0, stock=Stock(), removable_g=0.1, regulator=regulator())
    assert helped.weights is None
    assert helped.change.move == pytest.approx(2.5)


def test_no_weight_at_hand_that_is_light_enough_helps_nothing():
    action = decide(clock(30.0, 1.0), 1.0, stock=Stock((Piece(20.0),)))
    assert action.kind == "nothing-helps"
    # A crumb below what usual scales show is not cut: 2 s/day are 0.0067 g a side.
    assert decide(clock(2.0, 0.1), 0.5, stock=Stock()).kind == "nothing-helps"
    assert decide(clock(4.0, 0.1), 0.5, stock=Stock()).kind == "adjust"  # 0.013 g a side


def test_an_unknown_regulator_is_tried_by_a_small_step_that_is_more_likely_to_help():
    """Its effect may be anything: a tenth of half its travel, three wanders of 20 s/day if that is more, a quarter at most."""
    for wander, share in ((0.5, 0.1), (1.0, 0.15), (5.0, 0.25)):
        action = decide(
            clock(60.0, 1.0, effect=5.0, effect_sd=40.0, wander=wander), 1.0, regulator=regulator()
        )
        assert action.kind == "trial-step"
        assert action.change.move == pytest.approx(-share * 5.0)  # fast, and more is thought to gain: less
        assert (action.change.add_g, action.change.handling_s_per_day) == (0.0, 0.2)
    slow = decide(clock(-60.0, 1.0, effect=5.0, effect_sd=40.0), 1.0, regulator=regulator())
    assert slow.change.move == pytest.approx(0.5)
    # Where a unit is roughly known, no more is moved than tells: 1.5 s/day of wander threefold, less than half a unit.
    near = decide(clock(3.0, 1.2, effect=10.0, effect_sd=60.0, wander=1.5), 1.0, regulator=regulator())
    assert (near.kind, near.change.move) == ("trial-step", pytest.approx(-0.45, abs=0.051))
    # At its end there is room on one side only.
    at_end = decide(clock(60.0, 1.0, effect=5.0, effect_sd=40.0), 1.0, regulator=regulator(-4.9))
    assert at_end.change.move == pytest.approx(0.5)


@pytest.mark.parametrize(("sd", "tolerance", "wander"), [(2.0, 1.0, 1.5), (0.9, 1.0, 0.8), (5.0, 2.0, 4.0)])
def test_nights_needed_are_those_whose_mean_is_known_to_nine_in_ten(sd, tolerance, wander):
    """1.645 standard uncertainties are the tolerance; precisions of nights add up."""
    got = nights_needed(clock(9.0, sd, wander=wander), tolerance)
    wanted = tolerance / 1.645

    def after(nights):
        return (1 / sd**2 + nights / wander**2) ** -0.5

    assert after(got) <= wanted < after(got - 1)


def test_nights_needed_at_either_end():
    assert nights_needed(clock(9.0, 0.6), 1.0) == 1  # known already
    assert nights_needed(clock(9.0, 50.0, wander=4.0), 1.0) == math.ceil(16 * 1.645**2 - 16 / 2500)
    assert nights_needed(clock(9.0, 50.0, wander=4.8), 1.0) is None  # 63 nights are no advice


def test_a_known_effect_lets_weights_leave_the_rest_to_the_regulator():
    """640 s/day by pieces of a gram: what they leave, the regulator takes, where it is known; on a guess, all but two
    tolerances of it, from three tolerances on."""
    stock = Stock((Piece(1.0),), tolerance_percent=0.5)
    known = decide(clock(640.0, 1.0, effect_sd=1.0), 1.0, regulator=regulator(), stock=stock)
    left = clock(640.0, 1.0).long_run(Change(known.weights.total_g)).mean[0]
    assert known.change.move == pytest.approx(-left / 20, abs=0.05)
    unsure = decide(clock(640.0, 1.0, effect_sd=9.0), 1.0, regulator=regulator(), stock=stock)
    left = clock(640.0, 1.0).long_run(Change(unsure.weights.total_g)).mean[0]
    assert unsure.change.move == pytest.approx(-(left - 2) / 20, abs=0.05)
    unsure = decide(clock(640.0, 1.0, effect_sd=9.0), 15.0, regulator=regulator(), stock=stock)
    assert (unsure.weights is not None, unsure.change.move) == (
        True,
        0.0,
    )  # 44 s/day, less than three tolerances
