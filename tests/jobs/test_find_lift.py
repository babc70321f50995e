"""The lift from counted arcs: recovered from the twin's truth, with the counts' own doubt."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.bench.known import KnownClock
from torsionbeat.cli import main
from torsionbeat.errors import InputError
from torsionbeat.jobs.find_lift import (
    CountedArc,
    FindLiftRequest,
    find_lift,
    lift_of_counts,
    lift_of_free_swing,
)
from torsionbeat.jobs.keep import ClockRequest, add_clock
from torsionbeat.reading.figures import Clock
from torsionbeat.theory.decay import arc_at_deg
from torsionbeat.theory.swing import arc_and_offset_deg, lift_from_arc_deg, lift_passage_s


def test_lift_and_arc_are_each_others_inverse():
    for passage_s, error_ms in ((0.9, 0.0), (0.4, 150.0), (1.3, -700.0)):
        arc, _ = arc_and_offset_deg(passage_s, error_ms, 60.0, 23.0)
        assert lift_from_arc_deg(passage_s, error_ms, 60.0, arc) == pytest.approx(23.0, rel=1e-12)


def test_the_lift_is_that_of_the_twin_whatever_was_guessed(make_night):
    """Lift 20, 1.8 deg out of beat, arc 430: counted right it comes back; the guess of the reading plays no part."""
    for guess in (12.0, 20.0, 35.0):
        reading = make_night(3, hours=1.0, clock=Clock("", 60.0, guess, 0.5))
        lift, each, remarks = lift_of_counts(reading, (CountedArc(430.0, 4.3),))
        assert lift.nominal_value == pytest.approx(
            20.0, abs=0.1
        )  # the drive wanders by 1 %: arcs by half of that
        assert lift.std_dev == pytest.approx(20.0 * 0.01 / np.sqrt(3), rel=0.1)
        assert (each[0].nominal_value, each[0].std_dev) == pytest.approx((lift.nominal_value, lift.std_dev))
        assert remarks == ()


def test_counts_are_weighed_by_their_doubts(make_night):
    reading = make_night(3, hours=1.0)
    lift, each, _ = lift_of_counts(reading, (CountedArc(430.0, 4.0), CountedArc(440.0, 20.0, at_s=1800.0)))
    assert each[1].std_dev > 4 * each[0].std_dev
    assert abs(lift.nominal_value - each[0].nominal_value) < 0.05
    assert lift.std_dev < each[0].std_dev


def test_counts_that_contradict_each_other_are_told_and_widen_the_interval(make_night):
    reading = make_night(3, hours=1.0)
    lift, _, (remark,) = lift_of_counts(reading, (CountedArc(430.0, 3.0), CountedArc(500.0, 3.0)))
    assert remark.code == "counts-contradict"
    assert lift.std_dev > 5 * 20.0 * 3.0 / 430.0 / np.sqrt(6)


def test_a_count_where_no_contact_is_heard_is_refused(make_night):
    reading = make_night(3, hours=1.0)
    with pytest.raises(InputError, match="0 beats with contact and drop are heard near 9000 s"):
        lift_of_counts(reading, (CountedArc(430.0, at_s=9000.0),))
    with pytest.raises(InputError, match="no arc was counted"):
        lift_of_counts(reading, ())
    with pytest.raises(InputError, match="counted arc is 5 deg"):
        CountedArc(5.0)


def swinging_down(make_night):
    """Give a reading whose arc falls from 430 deg as in air, its lift guessed wrong, and the arc at a moment."""
    night = make_night(3, hours=1.0, clock=Clock("", 60.0, 12.0))
    swings = night.swings
    arc = arc_at_deg(swings.time_s, 430.0, 0.5 / 3600, 0.0)
    passage = lift_passage_s(arc, 60.0, 20.0, 1.8)
    return replace(night, swings=replace(swings, lift_passage_s=passage)), lambda at_s: float(
        arc_at_deg(at_s, 430.0, 0.5 / 3600, 0.0)
    )


def test_counts_of_a_free_swing_are_fitted_with_its_decay(make_night):
    reading, arc_at = swinging_down(make_night)
    counted = tuple(
        CountedArc(arc_at(at) + off, 9.0, at) for at, off in ((400.0, 6.0), (1500.0, -6.0), (3000.0, 2.0))
    )
    lift, each, remarks = lift_of_free_swing(reading, counted)
    assert lift.nominal_value == pytest.approx(20.0, abs=2 * lift.std_dev)
    assert lift.std_dev < 0.7 * min(one.std_dev for one in each)
    assert remarks == ()
    wrong = (*counted, CountedArc(arc_at(2000.0) + 60, 9.0, 2000.0))
    wider, _, (remark,) = lift_of_free_swing(reading, wrong)
    assert remark.code == "counts-contradict"
    assert wider.std_dev > 2 * lift.std_dev
    with pytest.raises(InputError, match="counted at its own moment"):
        lift_of_free_swing(reading, (CountedArc(430.0),))


def test_without_a_beat_error_the_middle_of_the_lift_is_taken_to_be_that_of_the_swing(make_night):
    reading, arc_at = swinging_down(make_night)
    counted = (CountedArc(arc_at(600.0), 3.0, 600.0), CountedArc(arc_at(2400.0), 3.0, 2400.0))
    unknown, _, _ = lift_of_free_swing(replace(reading, beat_error_ms=None), counted)
    none, _, _ = lift_of_free_swing(replace(reading, beat_error_ms=ufloat(0.0, 0.1)), counted)
    assert unknown.nominal_value == pytest.approx(none.nominal_value, rel=1e-9)
    assert unknown.nominal_value == pytest.approx(
        20.0, abs=0.2
    )  # 1.8 deg out of beat moves it by a hundredth of that


@pytest.mark.filterwarnings("error")
def test_a_free_swing_heard_by_its_drops_alone_is_refused_in_words(make_night):
    reading, arc_at = swinging_down(make_night)
    deaf = replace(
        reading, swings=replace(reading.swings, lift_passage_s=np.full(len(reading.swings), np.nan))
    )
    with pytest.raises(InputError, match="there are 1 and 0"):
        lift_of_free_swing(deaf, (CountedArc(arc_at(600.0), 3.0, 600.0),))


def test_from_the_command_into_the_clock_s_record(tmp_path, capsys):
    log = str(tmp_path / "log.sqlite")
    add_clock(ClockRequest("Gate house", {"nominal_period_s": 60.0}, log))
    sample = "samples/north-window-60s.flac"
    from pathlib import Path

    path = str(Path(__file__).parents[2] / sample)
    assert main(["lift", path, "431 within 5", "--clock", "Gate house", "--keep", "--log", log]) == 0
    said = " ".join(capsys.readouterr().out.split())
    figures = re.match(r"The lift is ([\d.]+) deg, between ([\d.]+) and ([\d.]+)\.", said)
    lift, low, high = map(float, figures.groups())
    # the sample was made with 20 deg; "within 5" of 431 is a half-width of 0.23 deg of lift, 95 %: 1.96 / sqrt(3) of it
    assert lift == pytest.approx(20.0, abs=0.05)
    assert (lift - low, high - lift) == pytest.approx((0.26, 0.26), abs=0.02)
    assert "Kept for Gate house." in said
    kept = KnownClock("Gate house", log=log).clock()
    assert (kept.lift_deg, kept.lift_tolerance_deg) == (
        pytest.approx(20.0, abs=0.05),
        pytest.approx(0.23, abs=0.02),
    )
    assert main(["lift", path, "about 430", "--period", "60"]) == 2
    assert 'write it as "430", "430 within 5" or "390 at 12min"' in capsys.readouterr().err
    with pytest.raises(InputError, match="for no clock"):
        find_lift(FindLiftRequest(Path(path), (CountedArc(430.0),), keep=True))
