"""The order of the trade: running, in beat, arc, rate; what comes first holds the rate's adjustment back."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.learning.learn import learn
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial
from torsionbeat.reading.figures import Clock
from torsionbeat.regulation.correction import correct
from torsionbeat.regulation.order import tasks
from torsionbeat.regulation.present import Present
from torsionbeat.regulation.stock import Piece, Stock

RATE = ufloat(300.0, 0.1)
TIME_S = np.arange(0, 3600, 7.5)
STEADY_DEG = 280 + 0.2 * np.random.default_rng(1).standard_normal(TIME_S.size)


def kinds(**figures):
    clock = figures.pop("clock", Clock(nominal_period_s=15.0, lift_deg=20.0))
    present = Present(RATE, clock, ufloat(15.0, 1e-5), **figures)
    learnt = learn([Trial(RATE)], Response(ufloat(0.0035, 0.0003)))
    advice = correct(learnt, present, stock=Stock((Piece(0.1), Piece(1.0))))
    return [(task.place, task.kind) for task in tasks(present, advice)]


def course(arc):
    return {"beat_time_s": TIME_S, "beat_number": np.arange(TIME_S.size), "arc_swing_deg": arc}


def test_a_sound_clock_is_adjusted_at_once():
    steady = {**course(STEADY_DEG), "arc_deg": ufloat(280, 0.2), "heard_share": 1.0}
    assert kinds(**steady) == [("first", "change-weights")]


def test_a_clock_hardly_heard_is_heard_again_first():
    assert kinds(heard_share=0.4) == [("first", "hear-better"), ("not yet", "change-weights")]


def test_out_of_beat_goes_first_even_without_an_arc():
    assert kinds(beat_error_ms=ufloat(64.0, 1.0))[0] == ("first", "set-beat")
    assert kinds(beat_error_ms=ufloat(212.0, 1.0))[-1] == ("not yet", "change-weights")
    assert kinds(beat_error_ms=ufloat(2.0, 1.0)) == [("first", "change-weights")]


def test_a_lost_drive_goes_before_the_beat():
    lost = np.where(TIME_S < 1500, 280.0, 280.0 * np.exp(-(TIME_S - 1500) / 4000)) + STEADY_DEG - 280
    found = kinds(**course(lost), arc_deg=ufloat(250, 1), beat_error_ms=ufloat(177.0, 1.0))
    assert [kind for _, kind in found[:2]] == ["find-drive", "set-beat"]
    assert found[-1] == ("not yet", "change-weights")


def test_an_arc_on_its_way_is_let_settle():
    rising = 280 - 60 * np.exp(-TIME_S / 2500) + STEADY_DEG - 280
    assert kinds(**course(rising), arc_deg=ufloat(265, 1))[0] == ("first", "let-settle")


@pytest.mark.parametrize(("arc", "kind"), [(300.0, "raise-arc"), (580.0, "lower-arc"), (640.0, "stop-knock")])
def test_an_arc_outside_its_limits(arc, kind):
    limits = Clock(nominal_period_s=15.0, lift_deg=20.0, arc_low_deg=360, arc_high_deg=540, knock_arc_deg=600)
    found = kinds(clock=limits, arc_deg=ufloat(arc, 1.0))
    assert found[0] == ("first", kind)
    assert found[-1][0] == "not yet"
