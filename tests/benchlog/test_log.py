"""What is put into the log comes out of it, on SQLite and on PostgreSQL alike."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import text
from sqlalchemy.orm.exc import DetachedInstanceError
from uncertainties import ufloat

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock


def test_a_clock_comes_back_as_the_hearing_needs_it(log):
    log.add_clock(
        "Harbour lamp", nominal_period_s=60, lift_deg=20.5, lift_tolerance_deg=0.5, knock_arc_deg=600
    )
    assert log.clock("Harbour lamp").as_clock() == Clock(
        name="Harbour lamp", nominal_period_s=60.0, lift_deg=20.5, lift_tolerance_deg=0.5, knock_arc_deg=600.0
    )


def test_clocks_stand_in_order_of_their_names(log):
    for name in ("zeppelin", "Attic", "mantel"):
        log.add_clock(name)
    assert [clock.name for clock in log.clocks()] == ["Attic", "mantel", "zeppelin"]


@pytest.mark.parametrize("nowhere", [None, ""])
def test_a_reading_without_a_recording_names_no_folder(log, reading, nowhere):
    log.add_clock("Attic")
    log.add_reading("Attic", reading(2.4), nowhere)
    assert [found.recording_path for found in log.readings("Attic")] == [""]


def test_a_reading_comes_back_digit_for_digit(log, reading):
    log.add_clock("Attic")
    kept = log.add_reading("Attic", reading(2.4), "night.flac", "0F" * 32)
    (found,) = log.readings("Attic")
    assert found.id == kept.id
    assert found.document == reading(2.4)
    assert found.recording_sha256 == "0f" * 32
    assert found.recording_path.endswith("/night.flac")
    assert found.recording_path.startswith("/")
    assert (found.beats_expected, found.beats_heard, found.duration_s) == (80, 79, 2400.5)
    assert (found.timebase_source, found.timebase_offset_ppm, found.u_timebase_offset_ppm) == (
        "host clock",
        3.25,
        0.125,
    )
    rate = found.figure("rate_s_per_day")
    assert (rate.nominal_value, rate.std_dev) == (2.4, 0.25)
    assert found.figure("beat_error_ms").std_dev == 0.1 + 0.2
    assert found.figure("offset_deg") is None
    with pytest.raises(AttributeError, match="has no figure 'duration_s'"):
        found.figure("duration_s")


def test_documents_can_be_left_in_the_database(log, reading):
    log.add_clock("Attic")
    log.add_reading("Attic", reading(2.4))
    (found,) = log.readings("Attic", documents=False)
    assert found.figure("rate_s_per_day").nominal_value == 2.4
    with pytest.raises(DetachedInstanceError, match="document"):
        found.document.keys()


def test_what_is_no_number_is_kept_as_unknown(log, reading):
    log.add_clock("Attic")
    swings = [{"time_s": 1.0, "arc_deg": float("nan")}, {"time_s": float("inf"), "arc_deg": 400.0}]
    log.add_reading(
        "Attic", reading(swings=swings, arc_deg={"value": float("nan"), "standard_uncertainty": 1.0})
    )
    (found,) = log.readings("Attic")
    assert found.document["swings"] == [{"time_s": 1.0, "arc_deg": None}, {"time_s": None, "arc_deg": 400.0}]
    assert found.figure("arc_deg") is None


def test_moments_are_the_same_moments_whatever_their_zone(log):
    log.add_clock("Attic")
    summer = datetime(2026, 7, 1, 22, 30, 0, 123456, tzinfo=timezone(timedelta(hours=5, minutes=30)))
    log.add_note("Attic", "seen", written_at=summer)
    log.add_note("Attic", "seen on this computer's clock", written_at=datetime(2026, 8, 1, 12, 0))
    zoned, local = (note.written_at for note in log.notes("Attic"))
    assert zoned == summer
    assert zoned.tzinfo is UTC
    assert local == datetime(2026, 8, 1, 12, 0).astimezone()


def test_a_correction_is_a_new_row(full):
    standing = full.readings("Harbour lamp")
    every = full.readings("Harbour lamp", superseded=True)
    assert [row.rate_s_per_day for row in standing] == [1020.0, 4.9]
    assert [row.rate_s_per_day for row in every] == [1020.0, 4.5, 4.9]
    assert every[2].supersedes_id == every[1].id
    assert every[2].reason == "the recorder's crystal was 5 ppm off"


def test_every_table_comes_back(full):
    name = "Harbour lamp"
    spring, weights = full.works(name)
    assert (spring.kind, spring.what, spring.details) == (
        "spring",
        "New strip, 0.076 mm",
        {"strip_thickness_um": 76.0},
    )
    (trial,) = full.trials(name)
    assert trial.work_id == weights.id
    assert trial.reading_id == full.readings(name, superseded=True)[1].id
    assert (trial.expected_rate_s_per_day, trial.u_expected_rate_s_per_day) == (0.0, 30.0)
    (check,) = full.handchecks(name)
    assert (check.rate_s_per_day, check.u_rate_s_per_day, check.span_h) == (18 / 7, 0.3, 168.0)
    assert check.sightings[1]["hand_minus_true_s"] == 18.0
    (swing,) = full.freeswings(name)
    assert (swing.law, swing.q, swing.u_q, swing.settling_time_s) == ("air drag", 490.0, 12.0, 9360.0)
    assert swing.document["points"] == [[0, 400], [1800, 330]]
    (note,) = full.notes(name)
    assert note.text == "Bellows hold air.\nPalette clean, naïve wear on the fork."
    assert full.trials("Schoolroom") == []


def test_all_is_there_when_the_log_is_opened_again(log_place, full):
    before = full.export_clock("Harbour lamp")
    with open_log(log_place) as again:
        assert again.export_clock("Harbour lamp") == before


def test_a_change_is_noted_with_what_was_before(log):
    log.add_clock("Attic", nominal_period_s=60, lift_deg=20)
    changed = log.change_clock(
        "Attic", lift_deg=22.5, nominal_period_s=60, strip_material="bronze", name="Loft"
    )
    assert (changed.name, changed.lift_deg) == ("Loft", 22.5)
    (note,) = log.notes("Loft")
    assert note.text == (
        "Record changed: lift from 20 deg to 22.5 deg; strip material from nothing to 'bronze'; "
        "name from 'Attic' to 'Loft'."
    )
    log.change_clock("Loft", lift_deg=22.5)
    assert len(log.notes("Loft")) == 1  # nothing changed, nothing noted
    assert log.change_clock("Loft", lift_deg=None).lift_deg is None


def test_an_unknown_name_is_answered_with_the_near_ones(log):
    with pytest.raises(InputError, match="holds none yet; add it with: torsionbeat clock add NAME"):
        log.clock("Atic")
    for name in ("Attic", "Attic two", "Schoolroom"):
        log.add_clock(name)
    with pytest.raises(
        InputError, match=r"no clock is named 'atic' .*; near names: Attic, Attic two; torsionbeat"
    ):
        log.clock("atic")
    with pytest.raises(InputError, match="no name is near it; torsionbeat clock list shows all"):
        log.add_note("Zzz", "text")


def test_a_clock_is_found_whatever_its_capitals(log):
    kept = log.add_clock("Gate House")
    log.add_note("gate house", "Bellows hold air.")
    assert log.clock("GATE HOUSE").id == kept.id
    assert [note.text for note in log.notes("gATE hOUSE")] == ["Bellows hold air."]
    log.retract_clock("gate house", "a slip")
    with pytest.raises(InputError, match="'Gate House' was taken back"):
        log.clock("gate house")


def test_of_two_names_alike_in_an_old_log_the_exact_one_is_found(log):
    for name in ("Attic", "Barn"):
        log.add_clock(name)
    with log.reading_from() as session:  # as the upgrade leaves two names that were taken before the rule
        session.execute(text("UPDATE clocks SET name = 'ATTIC', name_key = 'attic (2)' WHERE name = 'Barn'"))
        session.commit()
    assert [log.clock(name).name for name in ("Attic", "ATTIC")] == ["Attic", "ATTIC"]
    with pytest.raises(InputError, match=r"no clock is named 'attic' .*near names: (Attic|ATTIC)"):
        log.clock("attic")


def test_a_name_is_given_once(log):
    log.add_clock("Attic")
    with pytest.raises(InputError, match="named 'Attic' already; choose another name than 'ATTIC'"):
        log.add_clock("ATTIC")
    log.add_clock("Loft")
    with pytest.raises(InputError, match="named 'Attic' already"):
        log.change_clock("Loft", name="attic")
    assert log.change_clock("Attic", name="ATTIC").name == "ATTIC"  # its own name in other letters


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"nominal_period_s": 0}, "nominal period is 0; it must lie between 0.1 and 600 s"),
        ({"nominal_period_s": float("nan")}, "nominal period is nan"),
        ({"lift_deg": 200}, "lift is 200; it must lie between 0.01 and 180 deg"),
        ({"lift_deg": "20"}, "lift is '20'; give a number of deg"),
        ({"hanging_mass_g": -3}, "hanging mass is -3"),
        ({"kind": "pendulum"}, "kind is 'pendulum'; use one of 400-day, air-driven, other"),
        ({"colour": "red"}, "no field 'colour'; it has kind, nominal_period_s"),
        (
            {"arc_low_deg": 500, "arc_high_deg": 400},
            "arc low is 500 and arc high is 400; the first must be",
        ),
        ({"notes": "a\0b"}, "notes holds a character that cannot be kept"),
        ({"notes": "x" * 20_001}, "notes has 20001 characters; at most 20000"),
    ],
)
def test_a_field_that_cannot_be_is_refused(tmp_path, fields, message):
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_clock("Loft")
        with pytest.raises(InputError, match=message):
            log.add_clock("Attic", **fields)
        with pytest.raises(InputError, match=message):
            log.change_clock("Loft", **fields)
        assert [clock.name for clock in log.clocks()] == ["Loft"]
        assert log.notes("Loft") == []


@pytest.mark.parametrize("name", ["", "  ", "x" * 81, "a\nb", "-a"])
def test_a_name_that_cannot_be_is_refused(tmp_path, name):
    with open_log(tmp_path / "log.sqlite") as log, pytest.raises(InputError, match="the clock's name"):
        log.add_clock(name)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"schema": 2}, "not a reading: its schema is 2"),
        ({"rate_s_per_day": 3.0}, "rate_s_per_day of the reading is 3.0; it must be null, or value and"),
        ({"rate_s_per_day": {"value": 3.0}}, "rate_s_per_day of the reading is"),
        ({"beats": {"heard": "many"}}, "beats, recording or timebase of the reading cannot be read"),
        ({"timebase": "unknown"}, "beats, recording or timebase of the reading cannot be read"),
        ({"extra": object()}, "the reading cannot be written as JSON"),
    ],
)
def test_a_document_that_is_no_reading_is_refused(tmp_path, reading, change, message):
    with open_log(tmp_path / "log.sqlite") as log:
        log.add_clock("Attic")
        with pytest.raises(InputError, match=message):
            log.add_reading("Attic", reading() | change)
        assert log.readings("Attic") == []


def test_what_cannot_be_in_the_history_is_refused(full, reading):
    with pytest.raises(InputError, match="kind of work is 'paint'; use one of spring, weights"):
        full.add_work("Harbour lamp", "paint", "red")
    with pytest.raises(InputError, match="what was done is empty"):
        full.add_work("Harbour lamp", "other", " ")
    with pytest.raises(InputError, match="the note is empty"):
        full.add_note("Harbour lamp", "\n")
    with pytest.raises(InputError, match="sha256 is 'abc'; it must be 64 hexadecimal"):
        full.add_reading("Harbour lamp", reading(), "a.flac", "abc")
    with pytest.raises(InputError, match="the reading is a list; it must be a JSON object"):
        full.add_reading("Harbour lamp", [1])
    with pytest.raises(InputError, match="the reason for correcting reading"):
        full.add_reading("Harbour lamp", reading(), supersedes_id=full.readings("Harbour lamp")[0].id)
    with pytest.raises(
        InputError, match="figure is nan with standard uncertainty 1; only measured numbers are kept"
    ):
        full.add_handcheck("Harbour lamp", ufloat(float("nan"), 1), 24, [])


def test_a_trial_joins_rows_of_its_own_clock(full):
    strange = full.works("Schoolroom")[0].id
    own = full.works("Harbour lamp")[0].id
    reading_id = full.readings("Harbour lamp")[0].id
    with pytest.raises(InputError, match=rf"'Harbour lamp' has no work {strange}; it has {own}, "):
        full.add_trial("Harbour lamp", strange, reading_id)
    with pytest.raises(InputError, match="has no reading 999; it has"):
        full.add_trial("Harbour lamp", own, reading_id, reading_before_id=999)
    assert len(full.trials("Harbour lamp")) == 1
