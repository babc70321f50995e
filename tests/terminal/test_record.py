"""A clock's record and its entries in words: what is known is said once, what is not is left out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.jobs.clock_history import HistoryRequest, ListRequest, clock_history, list_clocks
from torsionbeat.terminal.record import (
    clock_sentences,
    clocks_sentences,
    clocks_table,
    counted,
    entry_document,
    entry_words,
    history_table,
    reading_words,
    record,
    record_table,
    where_it_stands,
)

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)


@pytest.fixture
def life(tmp_path):
    path = str(tmp_path / "log.sqlite")
    with open_log(path) as log:
        log.add_clock(
            "Lamp", kind="400-day", nominal_period_s=15.0, lift_deg=20.0, lift_tolerance_deg=0.5, arc_low_deg=200.0,
            arc_high_deg=300.0, knock_arc_deg=500.0, maker="nobody", regulator_unit="turns", regulator_low=-5.0,
            regulator_high=5.0, regulator_setting=0.5, notes="hangs straight",
        )  # fmt: skip
        log.add_clock("Shelf")
        document = {
            "schema": 1,
            "timebase": {"source": "host clock", "offset_ppm": 0.0, "standard_uncertainty_ppm": 0.5},
            "rate_s_per_day": {"value": -3.5, "standard_uncertainty": 0.2},
            "arc_deg": {"value": 431.2, "standard_uncertainty": 0.8},
        }
        log.add_reading("Lamp", document, taken_at=BEGIN, temperature_c=21.5)
        log.add_work("Lamp", "weights", "discs", {"added_g": 3.0}, done_at=BEGIN + timedelta(days=1))
        log.add_note("Lamp", "spoken to", written_at=BEGIN + timedelta(days=2))
        log.retract("Lamp", "note", 1, "another clock")
        log.add_handcheck("Lamp", ufloat(2.7, 0.4), 168.0, [], checked_at=BEGIN + timedelta(days=3))
        log.add_freeswing("Lamp", {}, law="dry", q=ufloat(310.2, 12.0), done_at=BEGIN + timedelta(days=4))
    return path


@pytest.fixture
def history(life):
    return clock_history(HistoryRequest("Lamp", log=life))


def test_what_is_known_of_a_clock_is_said_and_what_is_not_is_asked_for(life, history):
    said = " ".join(clock_sentences(history.clock))
    for words in (
        "Lamp is a 400-day clock", "Nominal period 15 s (out and back).", "Lift 20 deg, within 0.5 deg.",
        "Healthy arc (amplitude end to end) from 200 to 300 deg.", "It knocks at 500 deg.", "Notes: hangs straight",
    ):  # fmt: skip
        assert words in said
    bare = " ".join(clock_sentences(clock_history(HistoryRequest("Shelf", log=life)).clock))
    assert "Its nominal period is not known: give it with clock change --period." in bare
    assert "Lift" not in bare
    assert "Healthy" not in bare


def cells(table):
    return [[str(cell) for cell in column.cells] for column in table.columns]


def test_the_table_holds_what_the_sentences_leave_out(life, history):
    names, values = cells(record_table(history.clock))
    assert "nobody" in values
    assert any("0.5 turns" in value for value in values)
    assert not any("hangs straight" in value for value in values)
    assert len(names) == len(set(names))
    assert record_table(clock_history(HistoryRequest("Shelf", log=life)).clock) is None
    assert "0.5 turns" in where_it_stands(history.clock)
    assert where_it_stands(clock_history(HistoryRequest("Shelf", log=life)).clock) == ""


def test_each_entry_says_what_it_found(history):
    said = {entry.kind: entry_words(entry) for entry in history.entries}
    assert (
        said["reading"]
        == "loses 3.5 s a day, between 3.1 and 3.9; arc 431 deg (timebase host clock); at 21.5 °C"
    )
    assert said["work"] == "discs (added_g 3)"
    assert said["note"] == "spoken to"
    assert said["hand check"].startswith("gains 2.7 s a day")
    assert said["hand check"].endswith("over 168 h")
    assert said["free swing"] == "Q 310, damped by dry rubbing"
    (reading,) = history.of_kind("reading")
    assert reading_words(reading).endswith("arc (amplitude end to end) 431 deg. Timebase: host clock.")


def test_what_was_taken_back_stands_struck_through_with_its_reason(life, history):
    when, what, said = cells(history_table(history))
    (note,) = [words for kind, words in zip(what, said, strict=True) if kind.startswith("note")]
    assert note == "[taken back: another clock] spoken to"
    assert when == sorted(when)
    assert "work 1, weights" in what
    assert history_table(clock_history(HistoryRequest("Shelf", log=life))) is None


def test_documents_hold_json_s_own_kinds(history):
    documents = {entry.kind: entry_document(entry) for entry in history.entries}
    assert documents["work"]["details"] == {"added_g": 3.0}
    assert documents["note"]["retracted_because"] == "another clock"
    assert documents["reading"]["details"] == {}
    assert datetime.fromisoformat(documents["reading"]["at"]) == BEGIN
    assert record(history.clock)["lift_deg"] == 20.0


def test_the_list_counts_clocks_and_shows_the_last_rate(life):
    found = list_clocks(ListRequest(life))
    said = clocks_sentences(found)
    assert said[0].endswith("holds 2 clocks.")
    assert "± is the half-width of the 95 % interval." in said
    name, kind, period, readings, _, rate = cells(clocks_table(found.clocks))
    rows = dict(zip(name, zip(kind, period, readings, rate, strict=True), strict=True))
    # 1.96 of 0.2 s a day
    assert rows["Lamp"] == ("400-day", "15", "1", "-3.5 ± 0.4")
    assert rows["Shelf"][2:] == ("0", "")


def test_rows_are_counted_in_words():
    assert (
        counted({"works": 2, "notes": 1, "hand_checks": 3, "free_swings": 0})
        == "2 works, 1 note, 3 hand checks"
    )
    assert counted({}) == ""
