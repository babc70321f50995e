"""Findings of the train: told with what shows them, and back from a kept document."""

from __future__ import annotations

import dataclasses
import json

import pytest
from uncertainties import ufloat

from torsionbeat.display.evidence import evidence_figure
from torsionbeat.history.findings import find
from torsionbeat.history.nights import reading_from_document
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import WheelFault
from torsionbeat.theory.train import Train

SOFT = WheelFault(30.0, 15, "tooth", ((7, "b"), (20, "a")), "drop_level_db", ufloat(-6.0, 0.3), 1e-9)
LONG = dataclasses.replace(SOFT, quantity="lift_passage_percent", size=ufloat(4.0, 0.1), false_alarm=2e-3)
WAVE = dataclasses.replace(
    SOFT, shape="sine", where=((8, "a"),), quantity="lift_passage_percent", size=ufloat(0.5, 0.01)
)


def night_with(make_night, *wheels, **clock):
    night = make_night(3, hours=2.0)
    return dataclasses.replace(night, wheels=wheels, clock=dataclasses.replace(night.clock, **clock))


def test_a_tooth_is_told_with_all_that_shows_it(make_night):
    (found,) = find(night_with(make_night, SOFT, LONG))
    assert (found.sign, found.sure) == ("bad tooth", "clear")
    assert "every 30 beats, once a turn of an escape wheel of 15 teeth" in found.what
    assert (
        found.evidence[0] == "loudness of the drop -6.00 ± 0.59 dB at beat 7 (b) and beat 20 (a) of the turn"
    )
    assert found.evidence[1].startswith("lift passage 4.00 ± 0.20 %")
    assert found.evidence[2] == "a healthy clock shows as much in fewer than 1 of 10 000 recordings"
    assert "mainspring" in found.caution


def test_one_quantity_alone_is_likely_and_its_chance_is_said(make_night):
    (found,) = find(night_with(make_night, LONG))
    assert found.sure == "likely"
    assert found.evidence[-1] == "a healthy clock shows as much in 1 of 500 recordings"


def test_a_wheel_out_of_true_has_its_own_finding(make_night):
    signs = [found.sign for found in find(night_with(make_night, WAVE, SOFT))]
    assert signs == ["bad tooth", "wheel out of true"]


@pytest.mark.parametrize("wheels", [(), None])
def test_a_healthy_night_or_one_not_searched_has_none(make_night, wheels):
    assert find(dataclasses.replace(make_night(3, hours=2.0), wheels=wheels)) == ()


def test_faults_come_back_from_a_kept_document(make_night):
    train = Train(15, ((60, 8),))
    kept = json.loads(json.dumps(reading_document(night_with(make_night, SOFT, train=train))))
    back = reading_from_document(kept)
    assert back.clock.train == train
    (fault,) = back.wheels
    assert fault.wheel == "the escape wheel"
    assert (fault.where, fault.quantity, fault.size.std_dev) == (SOFT.where, SOFT.quantity, 0.3)
    kept.pop("wheels")
    assert reading_from_document(kept).wheels is None


def test_the_evidence_has_a_panel_for_what_comes_back(make_night):
    with_fold = evidence_figure(night_with(make_night, SOFT))
    without = evidence_figure(night_with(make_night))
    assert len(with_fold.axes) == len(without.axes) + 1
