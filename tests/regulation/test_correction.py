"""The next adjustment: its order, the regulator's middle, what is left alone, and what the change does "
"besides."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.beatsetting import AIR_DRIVEN_LIMITS
from torsionbeat.regulation.correction import BELLOWS, LOCK, correct
from torsionbeat.regulation.learning.trials import Trial, learn
from torsionbeat.regulation.present import Present, from_rate
from torsionbeat.regulation.response import Regulator, Response, per_unit_from_effect
from torsionbeat.regulation.stock import Piece, Stock

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


def test_weights_bring_the_regulator_back_to_its_middle():
    advice = advise(40.0, regulator=Regulator("turns", -5, 5, -4.5, 0.05))
    # From -4.5 turns, two more down would leave the travel; weights take it and the regulator comes back.
    assert advice.weights is not None
    assert abs(advice.regulator_setting) < 0.6


def test_a_regulator_hardly_known_is_not_trusted_where_weights_are():
    doubtful = Response(ufloat(0.0035, 0.00003), per_unit_from_effect(20, 10))
    assert advise(55.0, doubtful).weights is not None
    assert advise(55.0).weights is None


def test_a_move_smaller_than_the_doubt_of_the_weights_waits():
    rough = Response(ufloat(0.0035, 0.0012), per_unit_from_effect(20, 1))
    advice = advise(720.0, rough)
    assert advice.weights is not None
    assert advice.regulator_move == 0


def test_within_the_tolerance_it_is_left_alone():
    advice = advise(0.3)
    assert advice.changes_nothing
    assert "leave it alone" in advice.remarks[0]
    assert advice.cautions == ()


def test_a_rate_that_cannot_be_told_from_right_is_left_alone():
    reading = ufloat(3.0, 2.5)
    advice = correct(learn([Trial(reading)], SURE), from_rate(reading), stock=STOCK)
    assert advice.changes_nothing
    assert "listen longer before changing anything" in advice.remarks[0]


def test_the_regulator_alone_says_where_it_does_not_reach():
    advice = advise(160.0, stock=None)
    assert advice.regulator_setting == -5
    assert "still gaining 60 s a day" in advice.remarks[0]
    assert "1.1 g in all more" in advice.remarks[0]


def test_near_the_end_of_its_travel_is_said():
    advice = advise(85.0, stock=None)
    assert "near the end of the regulator's travel" in advice.remarks[0]


def test_what_is_too_light_to_help_is_not_put_on():
    advice = advise(5.0, regulator=None, stock=Stock((Piece(1.0),)))
    assert advice.changes_nothing
    assert "would do more harm than good" in advice.remarks[0]


def test_as_near_as_it_can_be_set():
    advice = advise(0.8, regulator=Regulator("turns", -5, 5, 0, 1.0))
    assert advice.changes_nothing
    assert "as near as the regulator can be set" in advice.remarks[0]


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
    assert advice.arc_after_deg.nominal_value == pytest.approx(530 * (1 + 720 / 86400) ** 0.5, abs=0.01)
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
    assert any("Set the beat first" in remark for remark in advice.remarks)


def test_outlying_trials_are_said():
    prior = Response(ufloat(0.0035, 0.001))
    learnt = learn([Trial(ufloat(600, 0.1)), Trial(ufloat(900, 0.1), mass_g=5)], prior)
    advice = correct(learnt, from_rate(ufloat(900, 0.1)), stock=STOCK)
    assert "nothing was learnt from that step" in advice.remarks[0]


def test_weighing_is_spoken_of_where_the_weights_are_most_of_the_doubt():
    surest = Response(ufloat(0.0035, 1e-6), per_unit_from_effect(20, 1))
    told = advise(720.0, surest)
    (remark,) = [one for one in told.remarks if "--weighed 0.01" in one]
    before = 1.96 * told.expected_rate_s_per_day.std_dev
    weighed = Stock(STOCK.pieces, scale_g=0.01)
    after = 1.96 * advise(720.0, surest, stock=weighed).expected_rate_s_per_day.std_dev
    assert remark.endswith(f"within {after:.2g} s a day instead of {before:.2g}.")
    for other in (advise(720.0, surest, stock=weighed), advise(720.0, Response(ufloat(0.0035, 0.001)))):
        assert not any("Weighed to" in one and "instead of" in one for one in other.remarks)


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
    said = f"The weights at hand come no nearer: {right / 0.0035 / 2:.3g} g on each side would be right."
    assert said in told.remarks
    assert not any("no nearer" in one for one in advise(720.0).remarks)
