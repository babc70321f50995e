"""What an open log answers: what stands, in what order, and what was taken back only when asked for."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError

START = datetime(2026, 3, 1, 20, tzinfo=UTC)


def day(number):
    return START + timedelta(days=number)


@pytest.fixture
def log(tmp_path):
    """Give a log with the clocks Lamp and attic, nothing in their histories."""
    with open_log(tmp_path / "log.sqlite") as opened:
        opened.add_clock("Lamp", nominal_period_s=60.0)
        opened.add_clock("attic", nominal_period_s=15.0)
        yield opened


def test_each_kind_of_entry_stands_in_order_of_its_own_time(log):
    """Kept in another order than they happened in."""
    for number in (2, 0, 1):
        log.add_note("Lamp", f"note of {number}", written_at=day(number))
        log.add_work("Lamp", "level", f"work of {number}", done_at=day(number))
        log.add_handcheck("Lamp", ufloat(number, 1), 24, [], checked_at=day(number))
        log.add_freeswing("Lamp", {}, q=ufloat(100 + number, 1), done_at=day(number))
    assert [row.text for row in log.notes("Lamp")] == ["note of 0", "note of 1", "note of 2"]
    assert [row.what for row in log.works("Lamp")] == ["work of 0", "work of 1", "work of 2"]
    assert [row.rate_s_per_day for row in log.handchecks("Lamp")] == [0, 1, 2]
    assert [row.q for row in log.freeswings("Lamp")] == [100, 101, 102]
    for kind in (log.notes, log.works, log.handchecks, log.freeswings):
        assert kind("attic") == []


def test_entries_of_one_moment_stand_in_the_order_in_which_they_were_kept(log, reading):
    for number in range(3):
        log.add_note("Lamp", f"{number}", written_at=START)
        log.add_work("Lamp", "level", f"{number}", done_at=START)
        log.add_reading("Lamp", reading(float(number)), taken_at=START)
    assert [row.text for row in log.notes("Lamp")] == ["0", "1", "2"]
    assert [row.what for row in log.works("Lamp")] == ["0", "1", "2"]
    assert [row.rate_s_per_day for row in log.readings("Lamp")] == [0.0, 1.0, 2.0]


@pytest.mark.parametrize("kind", ["note", "work", "hand check", "free swing"])
def test_what_was_taken_back_is_given_only_when_asked_for(log, kind):
    add = {
        "note": lambda: log.add_note("Lamp", "seen", written_at=START),
        "work": lambda: log.add_work("Lamp", "level", "done", done_at=START),
        "hand check": lambda: log.add_handcheck("Lamp", ufloat(1, 1), 24, []),
        "free swing": lambda: log.add_freeswing("Lamp", {}),
    }[kind]
    ask = {
        "note": log.notes, "work": log.works, "hand check": log.handchecks, "free swing": log.freeswings
    }[kind]  # fmt: skip
    first, second = add(), add()
    log.retract("Lamp", kind, first.id, "wrong clock")
    assert [row.id for row in ask("Lamp")] == [second.id]
    assert [row.id for row in ask("Lamp", retracted=True)] == [first.id, second.id]


def test_readings_overtaken_and_taken_back_are_two_questions(log, reading):
    first = log.add_reading("Lamp", reading(1.0), taken_at=day(0))
    second = log.add_reading("Lamp", reading(2.0), supersedes_id=first.id, reason="another lift")
    third = log.add_reading("Lamp", reading(3.0), taken_at=day(1))
    log.retract("Lamp", "reading", third.id, "another clock")

    def numbers(**asked):
        return [row.id for row in log.readings("Lamp", **asked)]

    assert numbers() == [second.id]
    assert numbers(superseded=True) == [first.id, second.id]
    assert numbers(retracted=True) == [second.id, third.id]
    assert numbers(superseded=True, retracted=True) == [first.id, second.id, third.id]
    assert second.taken_at == day(0)  # of the same recording: when that was made


def test_a_trial_stands_while_its_work_and_its_readings_do(log, reading):
    before = log.add_reading("Lamp", reading(1.0), taken_at=day(0))
    work = log.add_work("Lamp", "weights", "1 g", {"added_g": 1.0}, done_at=day(1))
    after = log.add_reading("Lamp", reading(2.0), taken_at=day(2))
    log.add_trial("Lamp", work.id, after.id, reading_before_id=before.id)
    log.add_trial("Lamp", work.id, after.id)
    assert len(log.trials("Lamp")) == 2
    log.retract("Lamp", "reading", before.id, "x")
    assert [row.reading_before_id for row in log.trials("Lamp")] == [None]
    log.retract("Lamp", "reading", after.id, "x")
    assert log.trials("Lamp") == []
    log.restore("Lamp", "reading", before.id)
    log.restore("Lamp", "reading", after.id)
    log.retract("Lamp", "work", work.id, "x")
    assert log.trials("Lamp") == []
    log.restore("Lamp", "work", work.id)
    (one, other) = log.trials("Lamp")
    log.retract("Lamp", "trial", one.id, "x")
    assert [row.id for row in log.trials("Lamp")] == [other.id]


def test_the_last_reading_of_each_clock_is_the_last_that_stands(log, reading):
    log.add_reading("Lamp", reading(5.0), taken_at=day(5))
    log.add_reading("Lamp", reading(1.0), taken_at=day(1))  # kept later, made earlier
    back = log.add_reading("Lamp", reading(9.0), taken_at=day(9))
    log.retract("Lamp", "reading", back.id, "x")
    log.add_reading("attic", reading(7.0), taken_at=day(0), recording_id="night")
    log.add_reading("attic", reading(8.0), taken_at=day(0), recording_id="night")
    log.add_clock("Pier")
    found = log.last_readings()
    lamp, attic, pier = (log.clock(name).id for name in ("Lamp", "attic", "Pier"))
    assert {number: (count, row.rate_s_per_day) for number, (count, row) in found.items()} == {
        lamp: (2, 5.0),
        attic: (1, 8.0),
    }
    assert pier not in found


def test_a_clock_taken_back_is_listed_only_when_asked_for_and_names_stand_without_capitals(log):
    log.add_clock("Beacon")
    assert [one.name for one in log.clocks()] == ["attic", "Beacon", "Lamp"]
    log.retract_clock("Beacon", "sold")
    assert [one.name for one in log.clocks()] == ["attic", "Lamp"]
    assert [one.name for one in log.clocks(retracted=True)] == ["attic", "Beacon", "Lamp"]


def test_a_document_is_its_own_clock_s(log, reading):
    mine = log.add_reading("Lamp", reading(1.0))
    assert log.reading_document("Lamp", mine.id)["rate_s_per_day"]["value"] == 1.0
    with pytest.raises(InputError, match=f"'attic' has no reading {mine.id}; it has none yet"):
        log.reading_document("attic", mine.id)


def test_the_trail_says_what_was_done_in_order(log):
    note = log.add_note("Lamp", "seen")
    log.amend("Lamp", "note", note.id, {"text": "heard"}, "a slip")
    log.retract("Lamp", "note", note.id, "wrong clock")
    log.restore("Lamp", "note", note.id, "it was right")
    assert [(row.action, row.row_id, row.reason) for row in log.changes("Lamp")] == [
        ("amend", note.id, "a slip"),
        ("undo", note.id, "wrong clock"),
        ("restore", note.id, "it was right"),
    ]
    assert (log.changes("Lamp")[0].before, log.changes("Lamp")[0].after) == (
        {"text": "seen"},
        {"text": "heard"},
    )
    assert log.changes("attic") == []
