"""The right clock, the recording's own date, and each night once."""

from __future__ import annotations

import os
import shutil
import threading
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import soundfile

from torsionbeat.bench.recordings import birth_of
from torsionbeat.benchlog import open_log
from torsionbeat.jobs.keep import ClockRequest, WorkRequest, add_clock, keep_work
from torsionbeat.jobs.keep_reading import ReadingRequest, keep_reading
from torsionbeat.sound.block import Block
from torsionbeat.sound.keeper import Keeper
from torsionbeat.sound.timebase import ClockRow

START = datetime(2026, 3, 1, 20, tzinfo=UTC)


def document(rate_s_per_day=100.0, *, error_ms=20.0, arc=430.0, heard=80, louder_db=10.0, nominal_s=60.0):
    def figure(value, sigma):
        return {"value": value, "standard_uncertainty": sigma}

    return {
        "schema": 1,
        "recording": {"duration_s": 1200.0},
        "timebase": {"source": "unknown", "offset_ppm": 0.0, "standard_uncertainty_ppm": 28.9},
        "period_s": figure(nominal_s / (1 + rate_s_per_day / 86_400), 1e-4),
        "rate_s_per_day": figure(rate_s_per_day, 0.25),
        "beat_error_ms": figure(error_ms, 1.0),
        "arc_deg": figure(arc, 1.0),
        "beats": {"expected": 80, "heard": heard},
        "swings": [{"time_s": 1.0, "contact_db": 20.0, "drop_db": 20.0 + louder_db}],
    }


@pytest.fixture
def log(tmp_path):
    """Give the path of a log with the 60 s clock Lamp."""
    path = str(tmp_path / "log.sqlite")
    add_clock(ClockRequest("Lamp", {"nominal_period_s": 60.0}, path))
    return path


@pytest.fixture
def night(tmp_path):
    """Give a sound file that is 20 minutes long for all that its date says."""
    path = tmp_path / "night.flac"
    soundfile.write(path, np.zeros(16_000), 16_000)
    return path


def keep(log, found=None, recording=None, began=None, **more):
    return keep_reading(ReadingRequest("Lamp", found or document(), recording, began, log=log, **more))


def rates(log, **more):
    with open_log(log) as opened:
        return [row.rate_s_per_day for row in opened.readings("Lamp", **more)]


# One night once


def test_a_file_read_again_takes_its_own_place_wherever_it_lies(log, night, tmp_path):
    keep(log, document(100.0), night, START)
    moved = tmp_path / "elsewhere.flac"
    shutil.copy(night, moved)
    again = keep(log, document(101.0), moved)
    assert again.replaces is not None
    assert rates(log) == [101.0]
    assert rates(log, superseded=True) == [100.0, 101.0]
    soundfile.write(night, np.full(16_000, 0.1), 16_000)  # another recording under the old name
    assert keep(log, document(99.0), night, START + timedelta(days=1)).replaces is None
    assert rates(log) == [101.0, 99.0]


def test_when_the_later_reading_is_taken_back_the_earlier_stands_again(log, night):
    keep(log, document(100.0), night, START)
    second = keep(log, document(101.0), night)
    third = keep(log, document(102.0), night)
    with open_log(log) as opened:
        opened.retract("Lamp", "reading", second.entry.number, "wrong lift")
        assert [row.rate_s_per_day for row in opened.readings("Lamp")] == [102.0]
        opened.retract("Lamp", "reading", third.entry.number, "wrong lift too")
        assert [row.rate_s_per_day for row in opened.readings("Lamp")] == [100.0]
        opened.restore("Lamp", "reading", second.entry.number)
        assert [row.rate_s_per_day for row in opened.readings("Lamp")] == [101.0]


def a_night(folder, *, begun=START):
    """Keep two seconds of a night as listen does; gives its folder."""
    with Keeper(folder, 16_000, 1) as keeper:
        ns = int(begun.timestamp() * 1e9)
        for second in range(2):
            start = 16_000 * second
            samples = np.zeros((16_000, 1), np.float32)
            row = ClockRow(0, start, 10**9 * second, ns + 10**9 * second)
            keeper.hear(Block(start, samples))
            keeper.clock(row)
    return folder


def test_a_night_has_an_identity_from_its_birth(log, tmp_path):
    folder = a_night(tmp_path / "night")
    identity = birth_of(folder, 2.0).identity
    assert identity.startswith("journal:")
    first = keep(log, document(100.0), folder)
    assert abs(first.entry.at - START) < timedelta(seconds=1)
    assert first.dated_by == "the journal"
    (folder / "reading.json").write_text("{}")  # what a folder holds besides changes nothing
    shutil.move(folder, tmp_path / "archive")
    again = keep(log, document(101.0), tmp_path / "archive", keep_anyway=True)
    assert again.replaces == first.entry.number
    said = START - timedelta(days=30)  # the computer's clock was wrong that night
    keep(log, document(101.0), tmp_path / "archive", said, keep_anyway=True)
    assert keep(log, document(101.0), tmp_path / "archive", keep_anyway=True).entry.at == said
    assert birth_of(a_night(tmp_path / "other"), 2.0).identity != identity


def test_three_kept_at_once_are_one_night(log, night):
    def one(rate):
        keep(log, document(rate), night, START)

    threads = [threading.Thread(target=one, args=(100.0 + number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(rates(log)) == 1
    assert len(rates(log, superseded=True)) == 3
    with open_log(log) as opened:
        rows = opened.readings("Lamp", superseded=True)
    before = {row.id: row.supersedes_id for row in rows}
    assert sorted(before) == [1, 2, 3]
    assert (before[1], before[2], before[3]) == (
        None,
        1,
        2,
    )  # each found the one before it: no transaction overlapped


def test_a_stretch_heard_twice_is_said_and_counts_once(log, night, tmp_path):
    keep(log, document(100.0, heard=70), night, START)
    other = tmp_path / "other.flac"
    soundfile.write(other, np.full(16_000, 0.1), 16_000)
    second = keep(log, document(100.5), other, START + timedelta(minutes=19))
    assert [one.code for one in second.remarks] == ["overlaps-reading"]
    third = tmp_path / "third.flac"
    soundfile.write(third, np.full(16_000, 0.2), 16_000)
    assert keep(log, document(100.2), third, START + timedelta(minutes=39, seconds=1)).remarks == ()
    from torsionbeat.bench.bench_course import readings_heard

    with open_log(log) as opened:
        heard = readings_heard(opened, "Lamp")
    assert [one.rate_s_per_day.nominal_value for one in heard] == [100.5, 100.2]


# The date is the recording's


def test_read_again_it_keeps_the_date_it_had(log, night):
    keep(log, document(), night, START)
    os.utime(night)  # the file was touched since
    again = keep(log, document(), night)
    assert (again.entry.at, again.dated_by, again.remarks) == (START, "your word", ())
    new = keep(log, document(), night, START + timedelta(days=3))
    assert [one.code for one in new.remarks] == ["reading-redated"]
    assert keep(log, document(), night).entry.at == START + timedelta(days=3)


def test_a_file_without_a_word_is_dated_by_its_end(log, night):
    os.utime(night, (START.timestamp(), START.timestamp()))
    kept = keep(log, document(), night)
    assert kept.entry.at == START - timedelta(seconds=1200)
    assert kept.dated_by == "the file's date"


def test_a_file_that_says_when_it_was_recorded_is_dated_by_that(log, tmp_path):
    path = tmp_path / "memo.flac"
    with soundfile.SoundFile(path, "w", 16_000, 1) as file:
        file.date = "2026-02-14T22:15:00Z"
        file.write(np.zeros(16_000))
    kept = keep(log, document(), path)
    assert kept.entry.at == datetime(2026, 2, 14, 22, 15, tzinfo=UTC)
    assert kept.dated_by == "the recording's own date"


@pytest.mark.parametrize("date", ["1970-01-01T00:00:00Z", "2026-02-14", "2999-01-01T00:00:00Z", "evening"])
def test_a_date_that_cannot_be_or_has_no_hour_is_passed_over(log, tmp_path, date):
    path = tmp_path / "memo.flac"
    with soundfile.SoundFile(path, "w", 16_000, 1) as file:
        file.date = date
        file.write(np.zeros(16_000))
    assert keep(log, document(), path).dated_by == "the file's date"


# The right clock


@pytest.mark.parametrize(
    ("found", "code"),
    [
        (document(3856.0), "period-contradicts-record"),
        (document(0.0, nominal_s=30.0), "period-contradicts-record"),
        (document(heard=32), "most-beats-missing"),
        (document(error_ms=-6247.0), "beat-error-impossible"),
    ],
)
def test_what_contradicts_the_clock_is_not_kept_unless_asked(log, found, code):
    kept = keep(log, found)
    assert (kept.entry, [one.code for one in kept.odd]) == (None, [code])
    assert "keep it with --keep-anyway" in str(kept.refusal)
    assert rates(log) == []
    kept = keep(log, found, keep_anyway=True)
    assert (kept.refusal, [one.code for one in kept.odd]) == (None, [code])
    assert len(rates(log)) == 1


def test_a_reading_unlike_the_one_before_is_asked_about(log):
    keep(log, document(100.0), None, START)
    other = document(-420.0, error_ms=300.0, arc=500.0)
    kept = keep(log, other, None, START + timedelta(days=1))
    assert kept.entry is None
    assert {one.code for one in kept.odd} == {"rate-unlike-before", "beat-unlike-before", "arc-unlike-before"}
    keep_work(WorkRequest("Lamp", "cleaning", "overhaul", {}, START + timedelta(hours=9), log))
    assert keep(log, other, None, START + timedelta(days=1)).entry is not None


def test_a_clock_that_loses_its_arc_is_kept(log):
    keep(log, document(100.0), None, START)
    assert keep(log, document(96.0, arc=250.0), None, START + timedelta(days=1)).entry is not None
