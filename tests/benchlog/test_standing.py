"""Which rows stand, worked out from rows alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.benchlog.standing import counted_once, overtaken, regulator_course, weights_on
from torsionbeat.benchlog.tables import ReadingRecord, WorkRecord

START = datetime(2026, 3, 1, 20, tzinfo=UTC)


def reading(number, supersedes=None, *, back=False, recording="", hours=0.0, heard=10):
    return ReadingRecord(
        id=number,
        supersedes_id=supersedes,
        retracted_at=START if back else None,
        recording_id=recording,
        taken_at=START + timedelta(hours=hours),
        duration_s=3600.0,
        beats_heard=heard,
    )


def work(number, kind, hours=0.0, *, back=False, **details):
    return WorkRecord(
        id=number,
        kind=kind,
        done_at=START + timedelta(hours=hours),
        details=details,
        retracted_at=START if back else None,
    )


@pytest.mark.parametrize(
    ("rows", "gone"),
    [
        ([reading(1), reading(2, 1), reading(3, 2)], {1: 3, 2: 3}),
        ([reading(1), reading(2, 1, back=True), reading(3, 2)], {1: 3, 2: 3}),
        ([reading(1), reading(2, 1), reading(3, 2, back=True)], {1: 2}),
        ([reading(1), reading(2, 1, back=True), reading(3, 2, back=True)], {}),
        ([reading(1, recording="x"), reading(2, recording="x"), reading(3, recording="y")], {1: 2}),
        ([reading(1, recording="x"), reading(2, recording="x"), reading(3, recording="x")], {1: 3, 2: 3}),
        ([reading(1, recording="x"), reading(2, recording="x", back=True)], {}),
        ([reading(1), reading(2)], {}),  # of what recording nobody knows
        ([reading(1, 2), reading(2, 1)], {1: 2}),  # a ring, as a fault might leave it: the later stands
    ],
)
def test_what_stands_in_whose_place(rows, gone):
    assert overtaken(rows) == gone


def test_of_readings_at_once_the_one_that_heard_most_counts():
    rows = [
        reading(1, heard=5),
        reading(2, hours=0.5, heard=9),
        reading(3, hours=1.49, heard=7),
        reading(4, hours=1.5),
    ]
    assert [row.id for row in counted_once(rows)] == [2, 4]
    rows[3].beats_heard = 3  # it begins as the second ends, whichever of them comes first
    assert [row.id for row in counted_once(rows)] == [2, 4]


def test_the_regulator_follows_what_was_stated_and_the_works_since():
    stated = {"regulator_setting": {"value": 5.0, "after_works": 1}}
    works = [
        work(1, "regulator", 9, moved=9.0),  # before it was stated, whenever it was done
        work(2, "regulator", 2, moved=-1.0),
        work(3, "regulator", 1, moved=0.5),
        work(4, "regulator", 3, back=True, setting=8.0),
        work(5, "weights", 4, moved=3.0),
    ]
    value, details = regulator_course(stated, works)
    assert value == 4.5
    assert details[3] == {"moved": 0.5, "setting": 5.5, "derived": "setting"}
    assert details[2] == {"moved": -1.0, "setting": 4.5, "derived": "setting"}
    assert details.keys() == {2, 3}


def test_what_was_worked_out_is_worked_out_anew_and_what_was_typed_is_not():
    stated = {"regulator_setting": {"value": 5.0, "after_works": 0}}
    typed = work(
        1, "regulator", moved=1.0, setting=7.0
    )  # both typed, and they differ: the scale was misread once
    assert regulator_course(stated, [typed]) == (7.0, {})
    worked_out = work(1, "regulator", moved=1.0, setting=9.0, derived="setting")
    assert regulator_course(stated, [worked_out]) == (
        6.0,
        {1: {"moved": 1.0, "setting": 6.0, "derived": "setting"}},
    )
    assert regulator_course(None, [work(1, "regulator", moved=1.0)]) == (None, {})
    assert (
        regulator_course(None, [work(1, "regulator", setting=3.0), work(2, "regulator", 1, moved=1.0)])[0]
        == 4.0
    )


def test_weights_add_up_and_never_below_nothing():
    stated = {"weight_total_g": {"value": 2.0, "after_works": 0}}
    works = [
        work(1, "weights", added_g=3.0),
        work(2, "weights", 1, added_g=-9.0),
        work(3, "weights", 2, added_g=1.0),
    ]
    assert weights_on(stated, works[:1]) == 5.0
    assert weights_on(stated, works) == 1.0
    assert weights_on(stated, [work(1, "weights", added_g="much"), work(2, "regulator", added_g=3.0)]) == 2.0
    assert weights_on(None, works) is None


def test_a_reading_that_was_taken_back_hands_nothing_on(tmp_path):
    document = {
        "schema": 1,
        "rate_s_per_day": {"value": 2.0, "standard_uncertainty": 0.2},
    }
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_clock("Attic")
        wrong = log.add_reading("Attic", document, recording_id="night", taken_at=START)
        assert log.add_reading("Attic", document, recording_id="night").taken_at == START
        for row in log.readings("Attic", superseded=True):
            log.retract("Attic", "reading", row.id, "of another year")
        new = log.add_reading("Attic", document, recording_id="night")
        assert (new.supersedes_id, new.taken_at > START + timedelta(days=1)) == (None, True)
        assert wrong.id not in [row.id for row in log.readings("Attic", superseded=True)]
