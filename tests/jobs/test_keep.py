"""What is kept can be put right, and what is told twice is counted once."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.clock_history import HistoryRequest, clock_history
from torsionbeat.jobs.keep import (
    AmendRequest,
    ClockRequest,
    EntryName,
    HandCheckRequest,
    NoteRequest,
    TurnRequest,
    WorkRequest,
    add_clock,
    amend_entry,
    change_clock,
    keep_hand_check,
    keep_note,
    keep_work,
    restore_entry,
    undo_entry,
)

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
HOUR = timedelta(hours=1)


def reading(rate_s_per_day, heard=80):
    return {
        "schema": 1,
        "recording": {"duration_s": 1200.0},
        "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
        "rate_s_per_day": {"value": rate_s_per_day, "standard_uncertainty": 0.25},
        "beats": {"expected": 80, "heard": heard},
    }


@pytest.fixture
def log(tmp_path):
    """Give the path of a log with the clock Lamp, its regulator at 5 of 0 to 10 turns, 20 g on its balance."""
    path = str(tmp_path / "log.sqlite")
    fields = {
        "nominal_period_s": 60.0,
        "regulator_low": 0.0,
        "regulator_high": 10.0,
        "regulator_setting": 5.0,
        "weight_total_g": 20.0,
    }
    add_clock(ClockRequest("Lamp", fields, path))
    return path


def work(log, kind, what="done", at=None, **details):
    return keep_work(WorkRequest("Lamp", kind, what, details, at, log))


def standing(log, kind):
    return [one.what for one in clock_history(HistoryRequest("Lamp", log=log)).of_kind(kind)]


def setting(log):
    return clock_history(HistoryRequest("Lamp", log=log)).clock.fields["regulator_setting"]


# Taking back, bringing back, amending


def test_what_is_taken_back_stays_to_be_seen_and_counts_no_more(log):
    kept = keep_note(NoteRequest("Lamp", "the wrong clock", START, log))
    name = EntryName("note", kept.entry.number)
    undo_entry(TurnRequest("Lamp", name, "meant for the other", log))
    history = clock_history(HistoryRequest("Lamp", log=log))
    (shown,) = [one for one in history.entries if one.kind == "note"]
    assert (shown.what, shown.retracted_because, shown.stands) == (
        "the wrong clock",
        "meant for the other",
        False,
    )
    assert standing(log, "note") == []
    assert [
        one.kind for one in clock_history(HistoryRequest("Lamp", all_entries=False, log=log)).entries
    ] == []
    with pytest.raises(InputError, match=r"was taken back already .meant for the other"):
        undo_entry(TurnRequest("Lamp", name, "again", log))
    restore_entry(TurnRequest("Lamp", name, "it was this one", log))
    assert standing(log, "note") == ["the wrong clock"]
    with pytest.raises(InputError, match=f"note {name.number} of 'Lamp' was not taken back"):
        restore_entry(TurnRequest("Lamp", name, "", log))
    with open_log(log) as opened:
        trail = [(row.action, row.table_name, row.row_id, row.reason) for row in opened.changes("Lamp")]
    assert trail == [
        ("undo", "notes", name.number, "meant for the other"),
        ("restore", "notes", name.number, "it was this one"),
    ]


def test_every_kind_of_entry_is_taken_out_of_every_answer(log):
    with open_log(log) as opened:
        opened.add_reading("Lamp", reading(100.0), taken_at=START)
        done = opened.add_work("Lamp", "weights", "3 g", {"added_g": 3.0}, done_at=START + HOUR)
        after = opened.add_reading("Lamp", reading(4.0), taken_at=START + 2 * HOUR)
        opened.add_trial("Lamp", done.id, after.id, expected_rate_s_per_day=ufloat(0, 5))
        swing = opened.add_freeswing("Lamp", {"points": []}, q=ufloat(400, 10), done_at=START)
        check = opened.add_handcheck("Lamp", ufloat(4, 1), 24.0, [], checked_at=START + 30 * HOUR)
        for kind, row, left in (
            ("reading", after, opened.readings),
            ("free swing", swing, opened.freeswings),
            ("hand check", check, opened.handchecks),
            ("work", done, opened.works),
        ):
            opened.retract("Lamp", kind, row.id, "a slip")
            assert row.id not in [one.id for one in left("Lamp")]
            assert row.id in [one.id for one in left("Lamp", retracted=True)]
            assert opened.trials("Lamp") == []
        opened.restore("Lamp", "work", done.id)
        assert opened.trials("Lamp") == []  # its reading is still out
        opened.restore("Lamp", "reading", after.id)
        assert [trial.work_id for trial in opened.trials("Lamp")] == [done.id]
        opened.retract("Lamp", "work", done.id, "never done")
        assert opened.trials("Lamp") == []


def test_an_amended_entry_keeps_what_stood_there_in_the_trail(log):
    kept = work(log, "weights", "3 g a side", START, added_g=3.0)
    name = EntryName("work", kept.entry.number)
    changed = amend_entry(AmendRequest("Lamp", name, {"details": {"added_g": 6.0}}, "both sides", log))
    assert (changed.entry.details["added_g"], changed.entry.what) == (6.0, "3 g a side")
    assert changed.clock.fields["weight_total_g"] == 26.0
    with open_log(log) as opened:
        (row,) = opened.changes("Lamp")
    assert (row.before, row.after, row.reason) == (
        {"details": {"added_g": 3.0}},
        {"details": {"added_g": 6.0}},
        "both sides",
    )
    moved = amend_entry(AmendRequest("Lamp", name, {"done_at": START + HOUR, "kind": "other"}, "", log))
    assert (moved.entry.at, moved.entry.work) == (START + HOUR, "other")


@pytest.mark.parametrize(
    ("kind", "changes", "message"),
    [
        (
            "work",
            {"details": {"added_g": 9000.0}},
            "added_g is 9000.0; it must be a number from -500 to 500 g",
        ),
        ("work", {"kind": "magic"}, "kind is 'magic'; it must be one of spring"),
        ("work", {"what": " "}, "the new text is empty"),
        ("work", {"done_at": datetime(1066, 10, 14, tzinfo=UTC)}, "must lie between 1800 and 2200"),
        ("work", {}, "nothing was to be changed in work 1"),
        ("hand check", {"rate_s_per_day": 0.0}, "of a hand check can be changed: checked_at. Take it back"),
        ("note", {"text": "x"}, "'Lamp' has no note 1; it has none yet"),
        ("song", {"text": "x"}, "an entry is called 'song'; use one of note, work"),
    ],
)
def test_what_cannot_be_amended_is_refused_and_nothing_changes(log, kind, changes, message):
    work(log, "weights", "3 g", START, added_g=3.0)
    keep_hand_check(HandCheckRequest("Lamp", ufloat(2, 1), 24.0, (), at=START, log=log))
    with open_log(log) as opened:
        before = opened.export_clock("Lamp")
    with pytest.raises(InputError, match=message):
        amend_entry(AmendRequest("Lamp", EntryName(kind, 1), changes, "", log))
    with open_log(log) as opened:
        assert opened.export_clock("Lamp") == before


def test_a_clock_is_taken_back_and_brought_back_with_all_it_has(log):
    keep_note(NoteRequest("Lamp", "wound", START, log))
    undo_entry(TurnRequest("Lamp", EntryName("clock"), "entered by mistake", log))
    with open_log(log) as opened:
        assert opened.clocks() == []
    with pytest.raises(
        InputError, match=r"was taken back \(entered by mistake\); bring it back with: .* restore Lamp"
    ):
        keep_note(NoteRequest("Lamp", "x", log=log))
    with pytest.raises(InputError, match="a clock named 'Lamp' was taken back; bring it back"):
        add_clock(ClockRequest("lamp", log=log))
    restore_entry(TurnRequest("Lamp", EntryName("clock"), "", log))
    assert standing(log, "note") == ["wound"]


# A work told twice


def test_a_work_told_again_with_its_amount_takes_the_place_of_the_one_without(log):
    first = work(log, "weights", "Weights on", START)
    assert [one.code for one in first.remarks] == ["work-without-amount"]
    second = work(log, "weights", "weights  ON", START + 5 * HOUR, added_g=6.8)
    assert [one.code for one in second.remarks] == ["work-completed"]
    assert standing(log, "work") == ["weights  ON"]
    assert second.clock.fields["weight_total_g"] == pytest.approx(26.8)  # 20 + 6.8, once


def test_told_again_without_a_moment_it_keeps_the_moment_of_the_first(log):
    when = datetime.now(UTC) - timedelta(minutes=30)
    work(log, "regulator", "turned it", when)
    again = work(log, "regulator", "half a turn back", None, moved=-0.5)
    assert again.entry.at == when
    assert setting(log) == 4.5


def test_a_work_after_a_reading_is_another_work(log):
    work(log, "weights", "weights on", START)
    with open_log(log) as opened:
        opened.add_reading("Lamp", reading(4.0), taken_at=START + HOUR)
    second = work(log, "weights", "weights on", START + 2 * HOUR, added_g=6.8)
    assert [one.code for one in second.remarks] == ["work-lacks-amount"]
    assert len(standing(log, "work")) == 2


def test_other_words_later_are_another_work_and_said_so(log):
    work(log, "weights", "put some on", START)
    second = work(log, "weights", "two discs", START + 3 * HOUR, added_g=6.8)
    (told,) = second.remarks
    assert told.code == "work-lacks-amount"
    assert 'clock amend "Lamp" work 1 --detail added_g=' in told
    assert 'clock undo "Lamp" work 1' in told


def test_the_same_to_the_letter_is_not_kept_twice(log):
    first = work(log, "weights", "3 g a side", START, added_g=6.0)
    again = work(log, "weights", "3 g  a side", START, added_g=6.0)
    assert (again.again, again.entry.number) == (True, first.entry.number)
    assert setting(log) == 5.0
    assert len(standing(log, "work")) == 1


def test_much_the_same_with_nothing_heard_between_is_kept_and_said(log):
    work(log, "weights", "3 g a side", START, added_g=6.0)
    again = work(log, "weights", "3 g a side", START + HOUR, added_g=6.0)
    assert [one.code for one in again.remarks] == ["work-doubled"]
    assert again.clock.fields["weight_total_g"] == 32.0
    undo_entry(TurnRequest("Lamp", EntryName("work", again.entry.number), "kept twice", log))
    assert clock_history(HistoryRequest("Lamp", log=log)).clock.fields["weight_total_g"] == 26.0
    other = work(log, "weights", "3 g a side", START + 2 * HOUR, added_g=2.0)
    assert other.remarks == ()


def test_a_move_of_the_regulator_told_again_is_known_again(log):
    """Its setting was worked out when it was kept: what was typed is compared, not that."""
    first = work(log, "regulator", "a turn to S", START, moved=-1.0)
    assert dict(first.entry.details)["setting"] == 4.0
    again = work(log, "regulator", "a turn to S", START, moved=-1.0)
    assert (again.again, again.clock.fields["regulator_setting"]) == (True, 4.0)
    later = work(log, "regulator", "a turn to S", START + HOUR, moved=-1.0)
    assert [one.code for one in later.remarks] == ["work-doubled"]


@pytest.mark.parametrize("at", [START, None])
def test_two_commands_at_once_keep_one_work_or_say_that_there_are_two(log, at):
    """Each command looks before it keeps: between the two another may have kept the same."""
    both, found = threading.Barrier(2, timeout=30), []

    def one():
        both.wait()
        found.append(work(log, "weights", "3 g a side", at, added_g=6.0))

    for _ in range(4):
        found.clear()
        threads = [threading.Thread(target=one) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        numbers = {kept.entry.number for kept in found}
        if at is not None:
            assert len(numbers) == 1
        else:
            assert any(remark.code == "work-doubled" for kept in found for remark in kept.remarks)
        for number in numbers:
            undo_entry(TurnRequest("Lamp", EntryName("work", number), "next round", log))


# The regulator's setting follows the works


def test_moves_and_settings_move_the_record_in_the_order_in_which_they_were_done(log):
    assert work(log, "regulator", "a", START, moved=-0.5).clock.fields["regulator_setting"] == 4.5
    assert work(log, "regulator", "b", START + HOUR, setting=3.0).clock.fields["regulator_setting"] == 3.0
    late = work(log, "regulator", "c", START + HOUR / 2, moved=1.0)  # noted late: the scale was read after it
    assert late.clock.fields["regulator_setting"] == 3.0
    assert dict(late.entry.details) == {"moved": 1.0, "setting": 5.5, "derived": "setting"}  # 5 - 0.5 + 1
    with open_log(log) as opened:
        works = {one.what: one.details for one in opened.works("Lamp")}
    assert works["b"] == {"setting": 3.0, "moved": -2.5, "derived": "moved"}  # from 5.5 since c is known


def test_a_move_taken_back_is_taken_out_of_all_that_followed_from_it(log):
    first = work(log, "regulator", "a", START, moved=-0.5)
    work(log, "regulator", "b", START + HOUR, moved=-1.0)
    assert setting(log) == 3.5
    undo_entry(TurnRequest("Lamp", EntryName("work", first.entry.number), "never done", log))
    assert setting(log) == 4.0
    with open_log(log) as opened:
        (left,) = opened.works("Lamp")
    assert left.details["setting"] == 4.0
    restore_entry(TurnRequest("Lamp", EntryName("work", first.entry.number), "", log))
    assert setting(log) == 3.5


def test_what_is_stated_by_hand_goes_before_the_works_until_then(log):
    work(log, "regulator", "a", START, moved=-0.5)
    change_clock(ClockRequest("Lamp", {"regulator_setting": 7.0}, log))
    assert setting(log) == 7.0
    assert work(log, "regulator", "b", START + HOUR, moved=1.0).clock.fields["regulator_setting"] == 8.0


def test_a_regulator_of_unknown_setting_learns_it_from_the_first_that_is_told(log):
    change_clock(ClockRequest("Lamp", {"regulator_setting": None}, log))
    assert work(log, "regulator", "a", START, moved=1.0).clock.fields["regulator_setting"] is None
    assert work(log, "regulator", "b", START + HOUR, setting=6.0).clock.fields["regulator_setting"] == 6.0


def test_a_move_beyond_the_travel_is_refused(log):
    with pytest.raises(InputError, match=r"would stand at 10\.5, outside its travel from 0 to 10"):
        work(log, "regulator", "a", START, moved=5.5)
    assert (setting(log), standing(log, "work")) == (5.0, [])


# Sent again


def test_the_same_write_sent_again_is_kept_once(log):
    first = keep_note(NoteRequest("Lamp", "wound", START, log, write_id="page-1"))
    again = keep_note(NoteRequest("Lamp", "wound", START, log, write_id="page-1"))
    assert again.entry == first.entry
    assert standing(log, "note") == ["wound"]
    keep_note(NoteRequest("Lamp", "wound", START, log, write_id="page-2"))
    assert standing(log, "note") == ["wound", "wound"]


def test_a_mistyped_log_is_not_made(tmp_path):
    with pytest.raises(
        InputError, match=r"there is no bench log .*nolog\.sqlite; check --log, or begin one there"
    ):
        keep_note(NoteRequest("Lamp", "x", log=str(tmp_path / "nolog.sqlite")))
    assert list(tmp_path.iterdir()) == []
