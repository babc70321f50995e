"""Putting a log right: what may be, what is refused, and what the record of the clock says afterwards."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def log(tmp_path):
    """Give a log with the clock Lamp: regulator at 5 of 0 to 10, 20 g on its balance."""
    with open_log(tmp_path / "log.sqlite") as opened:
        opened.add_clock(
            "Lamp",
            regulator_low=0,
            regulator_high=10,
            regulator_setting=5,
            weight_total_g=20,
            nominal_period_s=60,
        )
        yield opened


def stands(log):
    record = log.clock("Lamp")
    return record.regulator_setting, record.weight_total_g


def test_taking_back_and_bringing_back_each_once(log):
    note = log.add_note("Lamp", "seen")
    with pytest.raises(InputError, match="was not taken back"):
        log.restore("Lamp", "note", note.id)
    gone = log.retract("Lamp", "note", note.id, " another clock ")
    assert gone.retracted_because == "another clock"
    assert abs(gone.retracted_at - datetime.now(UTC)) < timedelta(minutes=1)
    with pytest.raises(InputError, match=r"was taken back already \(another clock\)"):
        log.retract("Lamp", "note", note.id, "again")
    with pytest.raises(InputError, match="bring it back first"):
        log.amend("Lamp", "note", note.id, {"text": "x"})
    back = log.restore("Lamp", "note", note.id)
    assert (back.retracted_at, back.retracted_because) == (None, "")


def test_a_number_is_of_its_kind_and_its_clock(log):
    log.add_clock("attic")
    note = log.add_note("attic", "seen")
    for number in (0, -1, 2**31, 99, note.id):
        with pytest.raises(InputError, match=f"'Lamp' has no note {number}; it has none yet"):
            log.retract("Lamp", "note", number, "x")
    own = [log.add_note("Lamp", f"{number}").id for number in range(14)]
    with pytest.raises(InputError, match=f"it has {', '.join(map(str, own[2:]))}:"):  # the last twelve
        log.retract("Lamp", "note", note.id, "x")
    with pytest.raises(InputError, match="an entry is called 'dream'"):
        log.retract("Lamp", "dream", 1, "x")


def test_regulator_and_weights_follow_what_is_taken_back_and_amended(log):
    moved = log.add_work("Lamp", "regulator", "a", {"moved": 2.0}, done_at=START)
    added = log.add_work("Lamp", "weights", "b", {"added_g": 3.0}, done_at=START + HOUR)
    assert stands(log) == (7.0, 23.0)
    log.amend("Lamp", "work", moved.id, {"details": {"moved": -1.5}}, "misread")
    log.amend("Lamp", "work", added.id, {"details": {"added_g": -4.0}}, "taken off")
    assert stands(log) == (3.5, 16.0)
    log.retract("Lamp", "work", moved.id, "not done")
    assert stands(log) == (5.0, 16.0)
    log.restore("Lamp", "work", moved.id)
    log.retract("Lamp", "work", added.id, "not done")
    assert stands(log) == (3.5, 20.0)


@pytest.mark.parametrize(("moved", "allowed"), [(5.0, True), (5.01, False), (-5.0, True), (-5.01, False)])
def test_the_regulator_stays_within_its_travel_ends_included(log, moved, allowed):
    if allowed:
        log.add_work("Lamp", "regulator", "to the end", {"moved": moved})
        assert stands(log)[0] == 5.0 + moved
        return
    with pytest.raises(InputError, match="outside its travel from 0 to 10"):
        log.add_work("Lamp", "regulator", "beyond", {"moved": moved})
    assert stands(log)[0] == 5.0
    assert log.works("Lamp") == []


@pytest.mark.parametrize(
    ("ends", "moved", "said"),
    [((0.0, None), -6.0, "from 0;"), ((None, 10.0), 6.0, "to 10;"), ((None, None), 600.0, "")],
)
def test_a_travel_of_one_known_end(tmp_path, ends, moved, said):
    with open_log(tmp_path / "other.sqlite") as log:
        log.add_clock("Lamp", regulator_low=ends[0], regulator_high=ends[1], regulator_setting=5)
        if not said:
            log.add_work("Lamp", "regulator", "far", {"moved": moved})
            assert stands(log)[0] == 605.0
            return
        with pytest.raises(InputError, match=f"outside its travel {said}"):
            log.add_work("Lamp", "regulator", "beyond", {"moved": moved})


def test_a_move_is_not_amended_to_beyond_the_travel(log):
    row = log.add_work("Lamp", "regulator", "up", {"moved": 4.0}, done_at=START)
    with pytest.raises(InputError, match="would stand at 11, outside its travel"):
        log.amend("Lamp", "work", row.id, {"details": {"moved": 6.0}})
    assert stands(log)[0] == 9.0
    assert log.changes("Lamp") == []


def test_a_regulator_found_outside_its_travel_does_not_lock_the_log(log):
    """It was taken back into a place that cannot be: other works are kept all the same."""
    log.add_work("Lamp", "regulator", "up", {"moved": 4.0}, done_at=START)
    log.add_work("Lamp", "regulator", "down", {"moved": -8.0}, done_at=START + HOUR)
    log.retract("Lamp", "work", 1, "not done")  # 5 - 8
    assert stands(log)[0] == -3.0
    log.add_work("Lamp", "weights", "1 g", {"added_g": 1.0}, done_at=START + 2 * HOUR)
    assert stands(log) == (-3.0, 21.0)


def test_a_detail_is_laid_over_taken_out_and_the_rest_stays(log):
    row = log.add_work("Lamp", "weights", "b", {"added_g": 3.0, "doubt_g": 0.1}, done_at=START)
    amended = log.amend("Lamp", "work", row.id, {"details": {"doubt_g": None, "added_g": 2.0}})
    assert amended.details == {"added_g": 2.0}
    assert log.amend("Lamp", "work", row.id, {"details": {"who": "me"}}).details == {
        "added_g": 2.0,
        "who": "me",
    }
    log.amend("Lamp", "work", row.id, {"details": {"who": None}})
    assert log.changes("Lamp")[0].before == {"details": {"added_g": 3.0, "doubt_g": 0.1}}
    assert log.changes("Lamp")[0].after == {"details": {"added_g": 2.0}}


def test_what_is_the_same_already_leaves_no_line_in_the_trail(log):
    row = log.add_note("Lamp", "seen", written_at=START)
    log.amend("Lamp", "note", row.id, {"text": "seen"})
    assert log.changes("Lamp") == []
    log.amend("Lamp", "note", row.id, {"text": "seen", "written_at": START + HOUR})
    (line,) = log.changes("Lamp")
    assert line.before == {"written_at": START.isoformat()}
    assert line.after == {"written_at": (START + HOUR).isoformat()}


@pytest.mark.parametrize("text", ["", "   "])
def test_a_text_is_not_emptied(log, text):
    note = log.add_note("Lamp", "seen")
    work = log.add_work("Lamp", "level", "levelled")
    for kind, number, field in (("note", note.id, "text"), ("work", work.id, "what")):
        with pytest.raises(InputError, match="the new text is empty"):
            log.amend("Lamp", kind, number, {field: text})


def test_what_was_measured_is_not_amended(log, reading):
    row = log.add_reading("Lamp", reading(2.0))
    with pytest.raises(InputError, match="rate_s_per_day was to be changed in reading"):
        log.amend("Lamp", "reading", row.id, {"rate_s_per_day": 1.0})
    with pytest.raises(InputError, match="nothing was to be changed"):
        log.amend("Lamp", "reading", row.id, {})


def test_what_is_stated_anew_counts_from_there_whatever_was_done_before(log):
    log.add_work("Lamp", "regulator", "a", {"moved": 1.0})
    log.add_work("Lamp", "weights", "b", {"added_g": 5.0})
    log.change_clock("Lamp", regulator_setting=2.0)
    assert stands(log) == (2.0, 25.0)
    log.add_work("Lamp", "regulator", "c", {"moved": 1.0})
    log.add_work("Lamp", "weights", "d", {"added_g": 5.0})
    assert stands(log) == (3.0, 30.0)
    assert log.clock("Lamp").stated["regulator_setting"] == {"value": 2.0, "after_works": 2}
    assert log.clock("Lamp").stated["weight_total_g"] == {"value": 20.0, "after_works": 0}


def test_a_change_of_the_record_is_noted_with_what_stood_before(log):
    log.change_clock("Lamp", nominal_period_s=15.0, maker="Hill")
    (note,) = log.notes("Lamp")
    assert note.text == "Record changed: nominal period from 60 s to 15 s; maker from nothing to 'Hill'."
    (line,) = log.changes("Lamp")
    assert (line.action, line.before, line.after) == (
        "change",
        {"nominal_period_s": 60.0, "maker": ""},
        {"nominal_period_s": 15.0, "maker": "Hill"},
    )
    log.change_clock("Lamp", nominal_period_s=15.0)
    assert len(log.notes("Lamp")) == 1  # nothing was changed


def test_a_clock_is_taken_back_once_and_brought_back_once(log):
    with pytest.raises(InputError, match="was not taken back"):
        log.restore_clock("Lamp")
    log.retract_clock("Lamp", "sold")
    with pytest.raises(InputError, match="was taken back"):
        log.clock("Lamp")
    with pytest.raises(InputError, match="was taken back already"):
        log.retract_clock("Lamp", "sold")
    back = log.restore_clock("Lamp", "bought again")
    assert (back.retracted_at, back.retracted_because) == (None, "")
    assert [(row.action, row.reason, row.row_id) for row in log.changes("Lamp")] == [
        ("undo", "sold", None),
        ("restore", "bought again", None),
    ]
