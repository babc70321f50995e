"""What goes into a clock's history: checked, one row for each write, and a copy of it given back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError

BEGIN = datetime(2026, 3, 2, 20, tzinfo=UTC)
LAMP = "Lamp"
NOT_MEASURED = "figure is inf with standard uncertainty 1; only measured numbers are kept"


def moment(days):
    return BEGIN + timedelta(days=days)


@pytest.fixture
def lamp(log):
    """Give the log with a clock whose regulator goes from -5 to 5 and stands at 1."""
    log.add_clock(
        LAMP, nominal_period_s=60, regulator_unit="turns", regulator_low=-5, regulator_high=5, regulator_setting=1
    )  # fmt: skip
    log.add_clock("Shelf")
    return log


def just_now(when):
    return abs(datetime.now(UTC) - when) < timedelta(minutes=5)


# Notes


def test_a_note_is_kept_without_blanks_about_it_under_its_clock(lamp):
    row = lamp.add_note("lamp", "  hangs straight\n", written_at=moment(0))
    assert (row.text, row.written_at) == ("hangs straight", moment(0))
    assert [note.text for note in lamp.notes(LAMP)] == ["hangs straight"]
    assert lamp.notes("Shelf") == []
    assert just_now(lamp.add_note(LAMP, "later").written_at)


def test_a_write_told_twice_under_one_name_is_kept_once(lamp):
    first = lamp.add_note(LAMP, "hangs straight", write_id="one")
    again = lamp.add_note(LAMP, "hangs straight", write_id="one")
    assert again.id == first.id
    lamp.add_note(LAMP, "hangs straight", write_id="two")
    assert len(lamp.notes(LAMP)) == 2


def test_an_empty_note_and_nobody_s_note_are_refused(lamp):
    with pytest.raises(InputError, match="the note is empty; write what you saw"):
        lamp.add_note(LAMP, " \n")
    with pytest.raises(InputError, match="Lump"):
        lamp.add_note("Lump", "hangs straight")


# Works


def test_a_work_on_the_regulator_moves_it_in_the_record(lamp):
    lamp.add_work(LAMP, "regulator", "half a turn up", {"moved": 0.5}, done_at=moment(1))
    assert lamp.clock(LAMP).regulator_setting == 1.5
    lamp.add_work(LAMP, "regulator", "to the middle", {"setting": 0.0}, done_at=moment(2))
    assert lamp.clock(LAMP).regulator_setting == 0.0


def test_a_work_that_would_leave_the_travel_keeps_nothing(lamp):
    with pytest.raises(InputError, match="5"):
        lamp.add_work(LAMP, "regulator", "five turns up", {"moved": 5.0}, done_at=moment(1))
    assert lamp.works(LAMP) == []
    assert lamp.clock(LAMP).regulator_setting == 1.0


def test_a_work_told_anew_takes_the_first_one_back_with_the_reason(lamp):
    vague = lamp.add_work(LAMP, "weights", "discs", done_at=moment(1))
    told = lamp.add_work(LAMP, "weights", "discs", {"added_g": 3.0}, done_at=moment(1), completes_id=vague.id)
    assert [work.id for work in lamp.works(LAMP)] == [told.id]
    (first,) = (work for work in lamp.works(LAMP, retracted=True) if work.id == vague.id)
    assert first.retracted_because == f"told anew as work {told.id}"


def test_a_work_to_complete_that_is_not_there_keeps_nothing(lamp):
    with pytest.raises(InputError, match="has no work 77"):
        lamp.add_work(LAMP, "weights", "discs", {"added_g": 3.0}, completes_id=77)
    assert lamp.works(LAMP) == []


def test_once_gives_the_work_that_stands_for_the_same_moment_and_words(lamp):
    first = lamp.add_work(LAMP, "spring", "new strip", done_at=moment(1), once=True)
    assert lamp.add_work(LAMP, "spring", "New  strip", done_at=moment(1), once=True).id == first.id
    later = lamp.add_work(LAMP, "spring", "new strip", done_at=moment(2), once=True)
    other = lamp.add_work(LAMP, "spring", "new strip", done_at=moment(1))
    assert len({first.id, later.id, other.id}) == 3
    lamp.retract(LAMP, "work", first.id, "not done")
    lamp.retract(LAMP, "work", other.id, "not done")
    anew = lamp.add_work(LAMP, "spring", "new strip", done_at=moment(1), once=True)
    assert anew.id not in (first.id, other.id)


def test_a_work_of_no_kind_or_without_words_is_refused(lamp):
    with pytest.raises(InputError, match="kind of work is 'paint'; use one of spring, weights"):
        lamp.add_work(LAMP, "paint", "red")
    with pytest.raises(InputError, match="what was done is empty"):
        lamp.add_work(LAMP, "other", "\t")
    assert just_now(lamp.add_work(LAMP, "other", "dusted").done_at)


# Readings


def test_a_reading_of_the_same_recording_overtakes_the_one_before_and_keeps_its_date(lamp, reading):
    first = lamp.add_reading(LAMP, reading(2.0), "a.flac", "AB" * 32, taken_at=moment(0))
    assert first.recording_id == "sha256:" + "ab" * 32
    second = lamp.add_reading(LAMP, reading(3.0), "b.flac", "ab" * 32)
    assert (second.supersedes_id, second.reason) == (first.id, "the same recording, read again")
    assert second.taken_at == moment(0)
    assert [row.rate_s_per_day for row in lamp.readings(LAMP)] == [3.0]
    # The reading that stands is the one overtaken next, and not the first.
    assert lamp.add_reading(LAMP, reading(4.0), None, "ab" * 32).supersedes_id == second.id


def test_readings_of_other_recordings_or_of_none_or_of_another_clock_stand_beside_it(lamp, reading):
    lamp.add_reading(LAMP, reading(2.0), "a.flac", "ab" * 32, taken_at=moment(0))
    for clock, digest in ((LAMP, "cd" * 32), (LAMP, None), (LAMP, None), ("Shelf", "ab" * 32)):
        assert lamp.add_reading(clock, reading(3.0), None, digest, taken_at=moment(1)).supersedes_id is None
    assert len(lamp.readings(LAMP)) == 4


def test_an_identity_goes_before_the_digest(lamp, reading):
    first = lamp.add_reading(LAMP, reading(2.0), None, "ab" * 32, recording_id="folder-1", taken_at=moment(0))
    assert first.recording_id == "folder-1"
    assert (
        lamp.add_reading(LAMP, reading(3.0), None, "cd" * 32, recording_id="folder-1").supersedes_id
        == first.id
    )
    assert lamp.add_reading(LAMP, reading(4.0), None, "ab" * 32).supersedes_id is None


def test_a_reading_taken_back_is_not_overtaken(lamp, reading):
    first = lamp.add_reading(LAMP, reading(2.0), None, "ab" * 32, taken_at=moment(0))
    lamp.retract(LAMP, "reading", first.id, "another clock")
    again = lamp.add_reading(LAMP, reading(3.0), None, "ab" * 32)
    assert again.supersedes_id is None
    assert just_now(again.taken_at)


def test_a_correction_names_the_reading_and_the_reason(lamp, reading):
    first = lamp.add_reading(LAMP, reading(2.0), taken_at=moment(0))
    with pytest.raises(InputError, match=f"reason for correcting reading {first.id} is empty"):
        lamp.add_reading(LAMP, reading(3.0), supersedes_id=first.id)
    with pytest.raises(InputError, match="has no reading 99"):
        lamp.add_reading(LAMP, reading(3.0), supersedes_id=99, reason="crystal")
    second = lamp.add_reading(LAMP, reading(3.0), supersedes_id=first.id, reason=" crystal ")
    assert (second.supersedes_id, second.reason, second.taken_at) == (first.id, "crystal", moment(0))


def test_what_is_known_beside_a_reading_is_kept_with_it(lamp, reading):
    row = lamp.add_reading(
        LAMP, reading(2.0), "night.flac", taken_at=moment(0), dated_by="the journal", temperature_c=21.5,
        sides={"a": "towards the window"},
    )  # fmt: skip
    assert row.recording_path.startswith("/")
    assert row.recording_path.endswith("/night.flac")
    assert (row.dated_by, row.temperature_c, row.sides) == ("the journal", 21.5, {"a": "towards the window"})
    assert row.recording_id == ""
    assert just_now(row.kept_at)


@pytest.mark.parametrize("digest", ["abc", "g" * 64, "ab" * 33])
def test_a_digest_that_is_none_is_refused(lamp, reading, digest):
    with pytest.raises(InputError, match="64 hexadecimal digits"):
        lamp.add_reading(LAMP, reading(2.0), None, digest)
    assert lamp.readings(LAMP) == []


# Trials, hand checks, free swings


def test_a_trial_joins_a_work_and_the_readings_about_it(lamp, reading):
    before = lamp.add_reading(LAMP, reading(20.0), taken_at=moment(0))
    work = lamp.add_work(LAMP, "weights", "discs", {"added_g": 3.0}, done_at=moment(1))
    after = lamp.add_reading(LAMP, reading(2.0), taken_at=moment(2))
    lamp.add_trial(
        LAMP, work.id, after.id, reading_before_id=before.id, expected_rate_s_per_day=ufloat(1.5, 0.5), details={"n": 2}
    )  # fmt: skip
    (trial,) = lamp.trials(LAMP)
    assert (trial.work_id, trial.reading_id, trial.reading_before_id) == (work.id, after.id, before.id)
    assert (trial.expected_rate_s_per_day, trial.u_expected_rate_s_per_day) == (1.5, 0.5)
    assert trial.details == {"n": 2}
    bare = lamp.add_trial(LAMP, work.id, after.id)
    assert (bare.expected_rate_s_per_day, bare.reading_before_id) == (None, None)
    with pytest.raises(InputError, match="has no reading 99"):
        lamp.add_trial(LAMP, work.id, after.id, reading_before_id=99)


def test_a_hand_check_keeps_its_sightings_and_remarks(lamp):
    seen = [{"at": "2026-03-02T20:00:00+00:00", "hand_minus_true_s": 0.0}]
    row = lamp.add_handcheck(
        LAMP, ufloat(2.5, 0.5), 168, seen, remarks=["from the left ", "by lamplight"], checked_at=moment(7)
    )
    assert (row.rate_s_per_day, row.u_rate_s_per_day, row.span_h) == (2.5, 0.5, 168.0)
    assert row.sightings == seen
    assert row.remarks == "from the left\nby lamplight"
    assert row.checked_at == moment(7)
    assert just_now(lamp.add_handcheck(LAMP, ufloat(1.0, 0.5), 24.0, []).checked_at)


def test_a_free_swing_keeps_its_law_and_q(lamp):
    row = lamp.add_freeswing(
        LAMP, {"period_s": 60.0}, law=" air ", q=ufloat(490, 12), settling_time_s=9360.0, done_at=moment(0)
    )
    assert (row.law, row.q, row.u_q, row.settling_time_s) == ("air", 490.0, 12.0, 9360.0)
    assert row.document == {"period_s": 60.0}
    assert lamp.add_freeswing(LAMP, {}).q is None


def test_only_measured_numbers_are_kept(lamp):
    endless = ufloat(float("inf"), 1.0)
    with pytest.raises(InputError, match=NOT_MEASURED):
        lamp.add_handcheck(LAMP, endless, 24, [])
    with pytest.raises(InputError, match=NOT_MEASURED):
        lamp.add_freeswing(LAMP, {}, q=endless)
    with pytest.raises(InputError, match="figure is 2 with standard uncertainty inf"):
        lamp.add_freeswing(LAMP, {}, q=ufloat(2.0, float("inf")))
    assert lamp.handchecks(LAMP) == []
    assert lamp.freeswings(LAMP) == []


def test_a_row_given_back_is_a_copy_that_outlives_the_log(lamp):
    row = lamp.add_note(LAMP, "hangs straight")
    lamp.close()
    assert row.text == "hangs straight"
