"""The job of comparing two sides of a clock: days of its log, and what cannot be a side."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from uncertainties import ufloat

from torsionbeat.bench.known import KnownClock
from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.compare import CompareRequest, Days, _said, groups_of

BEGIN = datetime(2026, 3, 2, 20).astimezone()


def day(number, until=None):
    start = BEGIN.replace(hour=0) + timedelta(days=number)
    return Days(start, start + timedelta(days=(until if until is not None else number) - number + 1))


@pytest.fixture
def clock(tmp_path):
    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
        for number, rate in ((0, -900.0), (1, -899.0), (9, 3.0)):
            document = {
                "schema": 1,
                "recording": {
                    "name": f"{number}.flac",
                    "duration_s": 3600.0,
                    "sample_rate_hz": 48000,
                    "channels": 1,
                },
                "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
                "clock": {"nominal_period_s": 60.0},
                "period_s": {"value": 60 / (1 + rate / 86400), "standard_uncertainty": 1e-5},
                "rate_s_per_day": {"value": rate, "standard_uncertainty": 0.2},
                "beats": {"expected": 120, "heard": 120},
                "swings": [],
            }
            opened.add_reading("Lamp", document, taken_at=BEGIN + timedelta(days=number))
        for number, q in ((0.5, 250.0), (8, 310.0)):
            opened.add_freeswing(
                "Lamp", {}, law="air", q=ufloat(q, 5.0), done_at=BEGIN + timedelta(days=number)
            )
    return KnownClock("Lamp", log=log)


def test_days_hold_the_readings_from_their_first_moment_up_to_their_end(clock):
    before, after = groups_of(CompareRequest(day(0, 1), day(9), clock))
    assert [round(one.rate_s_per_day.nominal_value) for one in before.readings] == [-900, -899]
    assert [round(one.rate_s_per_day.nominal_value) for one in after.readings] == [3]
    # The end itself is without: a reading at just that moment belongs to the next day.
    start = BEGIN - timedelta(hours=1)
    edge = groups_of(CompareRequest(Days(start, BEGIN + timedelta(days=1)), day(9), clock))[0]
    assert len(edge.readings) == 1


def test_each_side_has_the_last_free_swing_of_its_own_time(clock):
    before, after = groups_of(CompareRequest(day(0, 1), day(9), clock))
    assert (before.free_swing_q.nominal_value, after.free_swing_q.nominal_value) == (250.0, 310.0)


def test_a_day_without_a_reading_is_answered_with_the_days_that_have_one(clock):
    with pytest.raises(
        InputError,
        match=r"no reading of 'Lamp' was taken on 2026-03-06; the log has readings of 2026-03-02, ",
    ):
        groups_of(CompareRequest(day(4), day(9), clock))


def test_days_need_a_clock_and_a_temperature_must_be_one():
    with pytest.raises(InputError, match="dates were given without --clock"):
        CompareRequest(day(0), Path("x.json"))
    CompareRequest(Path("a"), Path("b"), temperatures_c=(-40.0, 60.0))
    for bad in (-40.1, 60.1):
        with pytest.raises(InputError, match="it must lie between -40 and 60"):
            CompareRequest(Path("a"), Path("b"), temperatures_c=(None, bad))


def test_days_are_said_as_they_are_typed():
    assert _said(day(0)) == "2026-03-02"
    assert _said(day(0, 2)) == "2026-03-02..2026-03-04"
    odd = Days(BEGIN, BEGIN + timedelta(hours=3))
    assert _said(odd) == str(odd) == "2026-03-02 20:00 to 2026-03-02 23:00"
