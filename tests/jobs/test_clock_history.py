"""A clock's history as a job gives it: every entry with its kind, whether it counts, and its figures with their doubt."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.clock_history import (
    HistoryRequest,
    ListRequest,
    clock_history,
    clocks_alone,
    history_document,
    list_clocks,
)

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)
DOCUMENT = {
    "schema": 1,
    "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
    "rate_s_per_day": {"value": 12.5, "standard_uncertainty": 0.25},
}


@pytest.fixture
def log(tmp_path):
    path = str(tmp_path / "log.sqlite")
    with open_log(path) as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
        opened.add_clock("Shelf")
        opened.add_reading("Lamp", DOCUMENT, taken_at=BEGIN + timedelta(days=2))
        opened.add_work("Lamp", "weights", "discs", {"added_g": 3.0}, done_at=BEGIN + timedelta(days=1))
        opened.add_note("Lamp", "first", written_at=BEGIN)
        opened.add_handcheck("Lamp", ufloat(2.7, 0.4), 168.0, [], checked_at=BEGIN + timedelta(days=3))
        opened.add_freeswing("Lamp", {}, law="air", q=ufloat(310.0, 12.0), done_at=BEGIN + timedelta(days=4))
        opened.retract("Lamp", "note", 1, "another clock")
    return path


def test_entries_are_in_order_of_time_with_their_figures(log):
    history = clock_history(HistoryRequest("lamp", log=log))
    assert [one.kind for one in history.entries] == ["note", "work", "reading", "hand check", "free swing"]
    note, work, reading, check, swing = history.entries
    assert (note.stands, note.retracted_because) == (False, "another clock")
    assert (work.stands, work.work, work.details["added_g"]) == (True, "weights", 3.0)
    rate = reading.figures["rate_s_per_day"]
    assert (rate.nominal_value, rate.std_dev) == (12.5, 0.25)
    assert "arc_deg" not in reading.figures  # what was not measured has no figure
    assert (check.figures["rate_s_per_day"].nominal_value, check.details["span_h"]) == (2.7, 168.0)
    assert swing.figures["q"].std_dev == 12.0


def test_of_a_kind_are_those_that_stand(log):
    history = clock_history(HistoryRequest("Lamp", log=log))
    assert history.of_kind("note") == ()
    assert [one.number for one in history.of_kind("work")] == [1]


def test_the_list_has_each_clock_with_its_last_reading_and_no_clock_taken_back(log):
    rows, _, where = list_clocks(ListRequest(log))
    assert where == log
    found = {row.clock.name: row for row in rows}
    assert (found["Lamp"].readings, found["Shelf"].readings, found["Shelf"].last) == (1, 0, None)
    assert found["Lamp"].last.at == BEGIN + timedelta(days=2)
    with open_log(log) as opened:
        opened.retract_clock("Shelf", "sold")
    assert [one.name for one in clocks_alone(log)] == ["Lamp"]


def test_the_document_is_of_one_clock_and_a_clock_that_is_not_there_is_a_sentence(log):
    assert history_document("Lamp", log)
    with pytest.raises(InputError, match="no clock is named 'Hall'"):
        clock_history(HistoryRequest("Hall", log=log))
    with pytest.raises(InputError, match="no clock is named 'Hall'"):
        history_document("Hall", log)
