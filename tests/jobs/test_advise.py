"""The job of advice: what it takes the regulator for, what it holds of a clock, and that works after a reading stop it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.advise import AdviseRequest, _half_travel, _limits, _regulator, advise, judged
from torsionbeat.regulation.stock import Piece, Stock

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


def known(**fields):
    names = (
        "regulator_low", "regulator_high", "regulator_setting", "regulator_unit", "nominal_period_s", "lift_deg",
        "arc_low_deg", "arc_high_deg", "knock_arc_deg", "air_driven",
    )  # fmt: skip
    return SimpleNamespace(**(dict.fromkeys(names) | fields))


def test_a_travel_has_both_ends_or_none():
    assert _half_travel(known(), has_effect=False) is None
    assert _half_travel(known(regulator_low=-2.0, regulator_high=4.0), has_effect=True) == 3.0
    with pytest.raises(InputError, match="the regulator's effect is known but not its travel"):
        _half_travel(known(regulator_low=-2.0), has_effect=True)
    with pytest.raises(InputError, match="one end of the regulator's travel is known; give both"):
        _half_travel(known(regulator_high=4.0), has_effect=False)


def test_the_regulator_stands_where_the_notes_say_else_the_record_else_in_its_middle():
    ends = {"regulator_low": -2.0, "regulator_high": 4.0}

    def course(setting, *places):
        rows = [SimpleNamespace(setting=one) for one in places]
        return SimpleNamespace(setting=setting, rows=rows)

    def setting(noted, *places, **fields):
        found = _regulator(AdviseRequest(), known(**ends, **fields), course(noted, *places))
        return found.setting, found.is_known

    assert setting(3.0, regulator_setting=2.0) == (3.0, True)
    assert setting(None, regulator_setting=0.0) == (0.0, True)
    assert setting(None) == (1.0, False)
    assert setting(None, 0.5, 1.5, 2.0) == (2.5, False)  # supposed in the middle at first, and moved since
    assert setting(None, 0.0, 9.0) == (4.0, False)
    stepped = _regulator(AdviseRequest(regulator_step=0.5), known(**ends), course(None))
    assert (stepped.step, stepped.unit) == (0.5, "units")
    assert _regulator(AdviseRequest(), known(regulator_low=-2.0), course(None)) is None


def test_limits_of_an_air_driven_clock_are_usual_only_where_none_is_known():
    assert _limits(known(air_driven=True))["knock_arc_deg"] is not None
    own = _limits(known(air_driven=True, arc_low_deg=350.0))
    assert (own["arc_low_deg"], own["knock_arc_deg"]) == (350.0, None)
    assert _limits(known())["arc_low_deg"] is None


def test_a_rate_typed_by_hand_is_brought_to_time_by_the_change_that_is_remembered():
    """3 g a side slowed it by 900 s/day; 300 s/day of gain take a third, 1 g a side."""
    judgement = advise(
        AdviseRequest(rate_s_per_day=ufloat(300, 1), earlier=(3.0, -900.0), stock=Stock((Piece(0.05),)))
    )
    assert judgement.rate_s_per_day.nominal_value == pytest.approx(300, abs=1)
    assert judgement.correction.weights.a_side_g == pytest.approx(1.0, abs=0.1)
    slow = advise(
        AdviseRequest(rate_s_per_day=ufloat(-300, 1), earlier=(3.0, -900.0), stock=Stock((Piece(0.05),)))
    )
    assert slow.correction.weights.a_side_g == pytest.approx(-1.0, abs=0.1)


def test_nothing_that_gives_a_rate_is_a_sentence():
    with pytest.raises(InputError, match="rate"):
        advise(AdviseRequest())


@pytest.mark.parametrize(("work_day", "code"), [(1, "worked-on-since"), (-1, None)])
def test_a_work_after_the_last_reading_leaves_nothing_to_judge(tmp_path, work_day, code):
    path = str(tmp_path / "log.sqlite")
    document = {
        "schema": 1,
        "recording": {"name": "a.flac", "duration_s": 3600.0, "sample_rate_hz": 48000, "channels": 1},
        "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
        "clock": {"nominal_period_s": 60.0},
        "period_s": {"value": 59.97, "standard_uncertainty": 1e-5},
        "rate_s_per_day": {"value": 43.0, "standard_uncertainty": 0.2},
        "beats": {"expected": 120, "heard": 120},
        "swings": [],
    }
    with open_log(path) as log:
        log.add_clock("Lamp", nominal_period_s=60.0)
        log.add_reading("Lamp", document, taken_at=BEGIN)
        log.add_work("Lamp", "weights", "1 g", {"added_g": 1.0}, done_at=BEGIN + timedelta(days=work_day))
    judgement, why = judged("Lamp", path)
    assert (why.code if why is not None else None) == code
    assert (judgement is None) is (code is not None)
