"""The next adjustment: its order, the regulator's middle, what is left alone, and what the change does "
"besides."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.learning.learn import learn
from torsionbeat.learning.response import Regulator, Response, per_gram_usual, per_unit_from_effect
from torsionbeat.learning.trials import Trial
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.beatsetting import AIR_DRIVEN_LIMITS
from torsionbeat.regulation.correction import BELLOWS, LOCK, correct
from torsionbeat.regulation.order import tasks
from torsionbeat.regulation.present import Present, from_rate
from torsionbeat.regulation.stock import Piece, Stock
from torsionbeat.sound.remarks import remark_codes

STOCK = Stock(tuple(map(Piece, (0.05, 0.1, 0.2, 0.5, 1.0, 2.0))))
SURE = Response(ufloat(0.0035, 0.00003), per_unit_from_effect(20, 1))


def advise(rate, prior=SURE, **options):
    reading = ufloat(rate, 0.1)
    options = {"stock": STOCK, "regulator": Regulator("turns", -5, 5, 0, 0.05)} | options
    present = options.pop("present", None) or from_rate(reading)
    return correct(learn([Trial(reading)], prior), present, **options)


@pytest.mark.parametrize("rate", [720.0, -720.0, 150.0, -95.0])
def test_weights_first_outside_the_regulators_reach(rate):
    advice = advise(rate)
    # One gram in all is 151 s/day, so 720 s/day ask for 4.8 g; the sign of what is added is that of the rate.
    assert advice.weights is not None
    assert math.copysign(1, advice.weights.total_g) == math.copysign(1, rate)
    assert advice.weights.total_g == pytest.approx(rate / 151, abs=0.15)
    left = advice.expected_rate_s_per_day
    assert abs(left.nominal_value) < 1.96 * left.std_dev + 0.6  # half a step of the regulator, 20 s by 0.05


@pytest.mark.parametrize("rate", [12.0, -40.0])
def test_the_regulator_alone_within_its_reach(rate):
    advice = advise(rate)
    assert advice.weights is None
    assert advice.regulator_move == pytest.approx(-rate / 20, abs=0.026)
    assert advice.regulator_setting == advice.regulator_move


def test_weights_take_what_the_regulator_has_no_room_for():
    advice = advise(40.0, regulator=Regulator("turns", -5, 5, -4.5, 0.05))
    # From -4.5 turns, two more down would leave the travel.
    assert advice.weights is not None
    assert advice.regulator_setting >= -4.5
    left = advice.expected_rate_s_per_day
    assert abs(left.nominal_value) < 1.96 * left.std_dev


def test_a_regulator_hardly_known_is_not_trusted_where_weights_are():
    doubtful = Response(ufloat(0.0035, 0.00003), per_unit_from_effect(20, 10))
    assert advise(55.0, doubtful).weights is not None
    assert advise(55.0).weights is None


def test_a_move_smaller_than_the_doubt_of_the_weights_waits():
    rough = Response(ufloat(0.0035, 0.0012), per_unit_from_effect(20, 1))
    advice = advise(720.0, rough)
    assert advice.weights is not None
    assert advice.regulator_move == 0


CALM = [tuple(Trial(ufloat(5.0, 0.01), handling_s_per_day=0.0) for _ in range(30))] * 12
"""Other clocks that never differ from night to night."""


def test_within_the_tolerance_it_is_left_alone():
    night = [Trial(ufloat(0.2, 0.05))]
    advice = correct(learn(night * 6, SURE, others=CALM), from_rate(ufloat(0.2, 0.05)), stock=STOCK)
    assert advice.kind == "leave"
    assert advice.chance_within > 0.9
    assert advice.changes_nothing
    assert advice.cautions == ()
    # One night alone does not say how far nights differ: it is not called done yet.
    assert correct(learn(night, SURE), from_rate(ufloat(0.2, 0.05)), stock=STOCK).kind == "night"


def test_nights_that_agree_by_luck_are_not_yet_done():
    rates = (0.5, -0.4, 0.6, -0.3)
    few, enough = (learn([Trial(ufloat(rate, 0.05)) for rate in rates[:n]], SURE) for n in (3, 4))
    assert (
        few.long_run().within(1.0) > 0.9
    )  # done, were it not that three nights say little of how far nights differ
    assert few.long_run_if_unsteady().within(1.0) < few.long_run().within(1.0)
    kinds = [
        correct(one, from_rate(ufloat(0.5, 0.05)), stock=STOCK, tolerance_s_per_day=1.0).kind
        for one in (few, enough)
    ]
    assert kinds == ["night", "leave"]


def test_a_rate_that_cannot_be_told_from_right_asks_for_another_night():
    reading = ufloat(3.0, 2.5)
    advice = correct(learn([Trial(reading)] * 1, SURE), from_rate(reading), stock=STOCK)
    assert advice.changes_nothing
    assert advice.kind == "night"


def test_a_change_smaller_than_what_is_known_is_no_advice():
    reading = ufloat(-0.57, 0.5 / 1.96)
    advice = correct(
        learn([Trial(reading)], SURE), from_rate(reading), stock=Stock(), tolerance_s_per_day=0.5
    )
    assert advice.changes_nothing


def test_weights_that_no_scales_show_are_not_cut():
    rows = [Trial(ufloat(1.0, 0.02))] * 10
    advice = correct(learn(rows, SURE, others=CALM), from_rate(ufloat(1.0, 0.02)), stock=Stock())
    # 1 s/day is 0.0066 g, 0.003 g a side: usual scales show 0.01.
    assert advice.kind == "nothing-helps"


def test_a_regulator_that_nobody_knows_is_tried_by_a_small_step():
    unknown = Response(ufloat(0.0035, 0.0012))
    learnt = learn([Trial(ufloat(20.0, 0.1))] * 2, unknown, half_travel=5.0)
    regulator = Regulator("turns", 0, 10, 5, 0.05)
    advice = correct(learnt, from_rate(ufloat(20, 0.1)), regulator=regulator)
    assert advice.kind == "trial-step"
    assert 0.05 <= abs(advice.regulator_move) <= 1.25  # a tenth to a quarter of half the travel
    at_end = correct(learnt, from_rate(ufloat(20, 0.1)), regulator=Regulator("turns", 0, 10, 10, 0.05))
    assert at_end.regulator_move < 0


def moved_in_vain(*places):
    """A clock 2 s a day off whose regulator does nothing, read at each of its settings."""
    rows = [Trial(ufloat(2 + 0.1 * (-1) ** i, 0.05), setting=place) for i, place in enumerate(places)]
    return rows, Regulator("turns", -5, 5, places[-1], 0.02)


def test_a_regulator_that_does_nothing_is_not_tried_for_ever():
    weak = Response(ufloat(0.0035, 0.00003), per_unit_from_effect(20, 6))
    kinds = []
    for count in range(2, 6):
        rows, regulator = moved_in_vain(*(-0.5 * i for i in range(count)))
        learnt = learn(rows, weak, half_travel=5.0)
        advice = correct(
            learnt, from_rate(rows[-1].rate_s_per_day), regulator=regulator, tolerance_s_per_day=1.0
        )
        kinds.append(advice.kind)
        told = [one for one in advice.remarks if remark_codes([one]) == ["regulator-hardly-works"]]
        assert bool(told) is learnt.regulator_hardly_works
    assert learnt.regulator_hardly_works
    assert kinds[-1] in ("night", "nothing-helps")
    assert "trial-step" not in kinds[-2:]


def test_a_trial_step_grows_where_it_can_do_no_harm():
    rows, regulator = moved_in_vain(0.0, -0.5, -1.0, -1.6)
    learnt = learn(rows, Response(ufloat(0.0035, 0.00003)), half_travel=5.0)
    step = correct(
        learnt, from_rate(rows[-1].rate_s_per_day), regulator=regulator, tolerance_s_per_day=0.5
    ).regulator_move
    assert abs(step) > 1.0  # the untried one is tried by a tenth of half its travel, 0.5
    assert abs(step) * learnt.effect_at_most <= 2.5  # no more than it is off


@pytest.mark.parametrize(("share", "kind"), [(0.5, "night"), (1.0, "adjust")])
def test_nothing_is_changed_by_a_reading_that_may_be_the_odd_one(share, kind):
    # Grams noted for one side only: the last rate then does not fit, and neither it nor the note can be told wrong.
    rates, grams = (640.0, 190.0, 40.0), (4.3, 1.434)
    rows = [Trial(ufloat(rates[0], 0.1))]
    for rate, added, noted in zip(rates[1:], grams, (1.0, share), strict=True):
        rows.append(Trial(ufloat(rate, 0.1), mass_g=rows[-1].mass_g + added * noted, mass_doubt_g=0.02))
    learnt = learn(rows, Response(per_gram_usual(), per_unit_from_effect(20, 6)), half_travel=5.0)
    regulator = Regulator("turns", -5, 5, 0, 0.02)
    advice = correct(
        learnt, from_rate(rows[-1].rate_s_per_day), stock=STOCK, regulator=regulator, tolerance_s_per_day=1.0
    )
    assert (learnt.last_does_not_fit >= 0.25) is (kind == "night")
    assert advice.kind == kind


def test_a_last_rate_far_from_all_is_acted_on_only_when_the_next_night_says_the_same():
    """A reading of another clock, or a note of what was not done: 750 s/day off what two trials lead to expect."""
    course = [
        Trial(ufloat(640.0, 0.1)),
        Trial(ufloat(190.0, 0.1), mass_g=3.0, mass_doubt_g=0.02),
        Trial(ufloat(790.0, 0.1), mass_g=4.0, mass_doubt_g=0.01),
    ]
    course.append(replace(course[-1], mass_doubt_g=0.0))
    kinds = []
    for nights in (3, 4):
        rows = course[:nights]
        learnt = learn(rows, Response(per_gram_usual(), per_unit_from_effect(20, 6)), half_travel=5.0)
        advice = correct(
            learnt,
            from_rate(rows[-1].rate_s_per_day),
            stock=STOCK,
            regulator=Regulator("turns", -5, 5, 0, 0.02),
            tolerance_s_per_day=1.0,
        )
        kinds.append(advice.kind)
    assert kinds == ["night", "adjust"]


def test_a_clock_of_the_wander_of_its_nights_is_not_chased():
    rng = np.random.default_rng(2)
    rows = [Trial(ufloat(x, 0.1)) for x in rng.normal(0.3, 3.0, 8)]
    regulator = Regulator("turns", -5, 5, 0, 0.05)
    advice = correct(
        learn(rows, SURE, half_travel=5.0), from_rate(rows[-1].rate_s_per_day), regulator=regulator
    )
    assert advice.kind == "night"
    assert advice.nights is None or advice.nights > 8


def test_the_regulator_alone_says_where_it_does_not_reach():
    advice = advise(160.0, stock=None)
    # A tenth of half the travel stays free at either end.
    assert advice.regulator_setting == -4.5
    assert advice.remarks[-1].code == "regulator-out-of-reach"
    assert "the clock is still gaining" in advice.remarks[-1]
    assert "1.1 g in all more" in advice.remarks[-1]


def test_near_the_end_of_its_travel_is_said():
    advice = advise(85.0, stock=None)
    assert advice.remarks[-1].code == "regulator-near-end"


def test_what_is_too_light_to_help_is_not_put_on():
    rows = [Trial(ufloat(5.0, 0.1))] * 6
    advice = correct(learn(rows, SURE, others=CALM), from_rate(ufloat(5.0, 0.1)), stock=Stock((Piece(1.0),)))
    assert advice.changes_nothing
    assert advice.kind == "nothing-helps"


def test_as_near_as_it_can_be_set():
    advice = advise(8.0, stock=None, regulator=Regulator("turns", -5, 5, 0, 1.0))
    assert advice.changes_nothing
    assert advice.kind == "nothing-helps"


def test_without_weights_and_regulator_it_is_refused():
    with pytest.raises(InputError, match="neither a regulator nor a weight"):
        advise(30.0, stock=None, regulator=None)


def test_arc_knock_settling_and_cautions():
    present = Present(
        ufloat(720, 0.1),
        Clock(nominal_period_s=60.0, **AIR_DRIVEN_LIMITS),
        arc_deg=ufloat(530, 1),
        offset_deg=ufloat(0.0, 0.1),
        timebase_source="stated",
    )
    advice = advise(720.0, present=present, q=490, roller_radius_mm=3.0, air_driven=True)
    # The arc grows with the root of the period: 720 s/day slower is 0.83 %, so 0.42 % of 530 deg.
    assert advice.arc_after_deg.nominal_value == pytest.approx(530 * (1 + 720 / 86400) ** 0.5, abs=0.1)
    lost = advice.knock_now.margin_deg.nominal_value - advice.knock_after.margin_deg.nominal_value
    assert lost == pytest.approx((advice.arc_after_deg.nominal_value - 530) / 2)
    assert advice.knock_after.clearance_mm.nominal_value == pytest.approx(
        math.radians(advice.knock_after.margin_deg.nominal_value) * 3
    )
    assert advice.settle_s == pytest.approx(490 * 60 / (2 * math.pi) * math.log(50))
    assert advice.cautions[0] == BELLOWS
    assert LOCK in advice.cautions


def test_the_beat_goes_before():
    present = Present(
        ufloat(720, 0.1),
        Clock(nominal_period_s=15.0, lift_deg=20.0),
        arc_deg=ufloat(270, 1),
        beat_error_ms=ufloat(177.2, 0.5),
        timebase_source="stated",
    )
    advice = advise(720.0, present=present)
    assert advice.beat.needed
    assert advice.beat.turn_deg.nominal_value == pytest.approx(5.0, abs=0.02)
    assert [(task.place, task.kind) for task in tasks(present, advice)] == [
        ("first", "set-beat"),
        ("not yet", "change-weights"),
    ]


def test_outlying_trials_are_said():
    prior = Response(ufloat(0.0035, 0.001))
    learnt = learn([Trial(ufloat(600, 0.1)), Trial(ufloat(900, 0.1), mass_g=5)], prior)
    advice = correct(learnt, from_rate(ufloat(900, 0.1)), stock=STOCK)
    assert advice.remarks[0].code == "odd-step"
    assert "next to nothing was learnt from that step" in advice.remarks[0]


def test_weighing_is_spoken_of_where_the_weights_are_most_of_the_doubt():
    rows = [
        Trial(ufloat(86_400 * ((1 + 720 / 86_400) / math.sqrt(1 + 0.0035 * m) - 1), 0.05), mass_g=m)
        for m in (-8.0, -4.0, 0.0)
    ]
    learnt = learn(rows, SURE, others=CALM)
    present = from_rate(ufloat(720, 0.05))
    told = correct(learnt, present, stock=Stock(STOCK.pieces, tolerance_percent=10))
    (remark,) = [one for one in told.remarks if one.code == "weigh-the-weights"]
    before = 1.96 * told.expected_rate_s_per_day.std_dev
    weighed = correct(learnt, present, stock=Stock(STOCK.pieces, scale_g=0.01))
    assert f"instead of {before:.2g}" in remark
    assert weighed.expected_rate_s_per_day.std_dev < 0.7 * told.expected_rate_s_per_day.std_dev
    assert not any(one.code == "weigh-the-weights" for one in weighed.remarks)


def test_several_small_weights_say_why():
    known_badly, weighed = Response(ufloat(0.0035, 0.0018)), Stock(STOCK.pieces, scale_g=0.01)
    said = [one for one in advise(720.0, known_badly).remarks if one.startswith("Small weights")]
    counts = [
        sum(count for _, count in advise(720.0, known_badly, stock=stock).weights.pieces)
        for stock in (STOCK, weighed)
    ]
    assert counts[0] > counts[1]
    assert len(said) == 1
    assert said[0].endswith(f"{counts[1]} a side would do.")
    assert not any(
        one.startswith("Small weights") for one in advise(720.0, known_badly, stock=weighed).remarks
    )


def test_weights_that_do_not_reach_say_what_would_be_right():
    few = Stock((Piece(0.5, None, 3),))
    told = advise(720.0, stock=few, regulator=None)
    assert told.weights.a_side_g == 0.5
    # Growth of T^2 that takes 720 s/day away, 0.0035 of it a gram, half of them a side.
    right = (1 + 720 / 86_400) ** 2 - 1
    (said,) = [one for one in told.remarks if one.code == "weights-no-nearer"]
    # The prior's median, not its mean, and a grid: a percent.
    assert float(said.split(": ")[1].split(" g")[0]) == pytest.approx(right / 0.0035 / 2, rel=0.01)
    assert not any("no nearer" in one for one in advise(720.0).remarks)


def test_with_weights_an_untried_regulator_is_moved_only_for_much():
    """Weights of 0.5 g leave what a move would take; while the effect is a guess, it leaves two tolerances."""
    stock = Stock((Piece(0.5),), scale_g=0.001)
    guess = Response(ufloat(0.0035, 0.000004), per_unit_from_effect(20, 6))
    rate = 302.4 + 20.0  # two grams in all, and one turn
    first = advise(rate, guess, stock=stock)
    assert first.weights.total_g == 2
    left = rate - 2 * 151.2 * (1 - 0.0035)  # the second gram does a little less than the first
    assert first.regulator_move == pytest.approx(-(left - 2 * 0.5) / 20, abs=0.06)
    little = advise(rate - 19.5, guess, stock=stock)
    assert (little.weights.total_g, little.regulator_move) == (2, 0)
    rows = [Trial(ufloat(rate + 100, 0.1)), Trial(ufloat(rate, 0.1), setting=-5.0, setting_doubt=0.01)]
    known = learn(rows, guess, half_travel=20.0, others=CALM)
    then = correct(
        known,
        from_rate(rows[-1].rate_s_per_day),
        stock=stock,
        regulator=Regulator("turns", -20, 20, -5, 0.05),
    )
    assert then.weights.total_g == 2
    # One chance in 25 that the source is wrong pulls the mean by two seconds, a tenth of a turn; a step is 0.05.
    assert then.regulator_move == pytest.approx(-left / 20, abs=0.15)
