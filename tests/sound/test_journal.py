"""The journal line by line: what each entry becomes, what cannot be, and what the rows are worth."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest

from torsionbeat.sound.hostclock import HostState
from torsionbeat.sound.journal import Journal, JournalRecord, read_journal

BEGUN = {
    "what": "begun",
    "format": 1,
    "sample_rate_hz": 16_000,
    "channels": 1,
    "keeps": "sound",
    "synchronised": True,
}
MOST_FRAMES, MOST_COUNT = 1 << 45, 1 << 63


def read(tmp_path, *entries, whole=True):
    path = tmp_path / "journal.jsonl"
    path.write_text("\n".join(map(json.dumps, entries)) + ("\n" if whole else ""))
    return read_journal(path)


def clock(second, *, frame=None, utc_ns=10**18, **more):
    return {
        "what": "clock", "stretch": 0, "frame": 16_000 * second if frame is None else frame,
        "monotonic_ns": 10**9 * second, "utc_ns": utc_ns + 10**9 * second,
    } | more  # fmt: skip


def test_every_entry_is_read_back(tmp_path):
    record = read(
        tmp_path,
        BEGUN | {"identity": "night-1", "recorder": "Desk microphone"},
        clock(1, raw_ns=5),
        {"what": "host clock", "frame": 1, "synchronised": True, "maxerror_s": 0.02, "esterror_s": 0.001,
         "offset_s": -0.003, "frequency_ppm": 12.5},
        {"what": "doubled", "frame": 1, "frames": 300},
        {"what": "doubled", "frame": 1, "frames": 200},
        {"what": "sound", "file": "sound-0001.flac", "file_frame": 0, "start_frame": 0},
        {"what": "sound", "file": "sound-0001.flac", "file_frame": 900, "start_frame": 1000},
        {"what": "closed", "file": "sound-0001.flac", "frames": 4000},
        {"what": "gap", "start_frame": 900, "stop_frame": 1000, "why": "away"},
        {"what": "overflow", "frame": 950},
        {"what": "overflow", "frame": 960},
        {"what": "clock set", "frame": 2000, "step_s": -1.5},
        {"what": "network time", "frame": 2100, "synchronised": False},
        {"what": "reference", "frame": 2200, "offset_ppm": 3.5, "standard_uncertainty_ppm": 0.25},
        {"what": "stopped", "frame": 2300, "why": "the disk is full"},
        {"what": "ended", "frame": 2400},
    )  # fmt: skip
    assert (record.begun["identity"], record.identity, record.recorder) == (
        "night-1",
        "night-1",
        "Desk microphone",
    )
    assert record.rows == [(0, 16_000, 10**9, 10**18 + 10**9, 5)]
    assert record.host_states == [HostState(True, 0.02, 0.001, -0.003, 12.5)]
    assert record.doubled_frames == 300  # "in all": the count only grows
    assert record.sound == {"sound-0001.flac": [(0, 0), (900, 1000)]}
    assert record.closed == {"sound-0001.flac": 4000}
    assert record.gaps == [(900, 1000, "away")]
    assert record.overflows == 2
    assert record.clock_steps == [(2000, -1.5)]
    assert record.synchronised == {True, False}
    assert (record.reference.source, record.reference.offset_ppm) == ("reference ticks", 3.5)
    assert record.reference.standard_uncertainty_ppm == 0.25
    assert (record.stopped, record.ended_frame) == ("the disk is full", 2400)
    assert (record.last_frame, record.lines_lost) == (16_000, 0)


def test_the_last_frame_is_the_farthest_that_any_line_names(tmp_path):
    assert (
        read(tmp_path, BEGUN, {"what": "gap", "start_frame": 5, "stop_frame": 9, "why": "x"}).last_frame == 9
    )
    assert (
        read(tmp_path, BEGUN, {"what": "overflow", "frame": 7}, {"what": "overflow", "frame": 3}).last_frame
        == 7
    )


@pytest.mark.parametrize(
    ("entry", "kept"),
    [
        (BEGUN | {"sample_rate_hz": 8_000}, True),
        (BEGUN | {"sample_rate_hz": 7_999}, False),
        (BEGUN | {"sample_rate_hz": 384_000}, True),
        (BEGUN | {"sample_rate_hz": 384_001}, False),
        (BEGUN | {"channels": 8}, True),
        (BEGUN | {"channels": 9}, False),
        (BEGUN | {"channels": 0}, False),
        (BEGUN | {"keeps": "beats"}, True),
        (BEGUN | {"keeps": "figures"}, True),
        (BEGUN | {"keeps": "all"}, False),
        (BEGUN | {"synchronised": None}, True),
        (BEGUN | {"synchronised": 1}, False),
        (clock(1, stretch=-1), False),
        (clock(1, stretch=MOST_COUNT), True),
        (clock(1, frame=MOST_FRAMES), True),
        (clock(1, frame=MOST_FRAMES + 1), False),
        (clock(1, frame=-1), False),
        (clock(1, frame=0), True),
        (clock(1, monotonic_ns=MOST_COUNT - 1), True),
        (clock(1, monotonic_ns=MOST_COUNT), False),
        (clock(1, raw_ns=-1), False),
        (clock(1, raw_ns=MOST_COUNT), False),
        ({"what": "gap", "start_frame": 0, "stop_frame": MOST_FRAMES, "why": ""}, True),
        ({"what": "gap", "start_frame": 0, "stop_frame": MOST_FRAMES + 1, "why": ""}, False),
        ({"what": "clock set", "frame": 1, "step_s": float("nan")}, False),
        ({"what": "something new", "frame": 1}, True),
    ],
)
def test_what_a_line_may_say(tmp_path, entry, kept):
    assert read(tmp_path, entry).lines_lost == (0 if kept else 1)


def test_a_clock_of_day_that_cannot_be_counted_is_left_out_and_the_row_stays(tmp_path):
    record = read(tmp_path, clock(1, utc_ns=-(10**12)), clock(2, utc_ns=MOST_COUNT), clock(3, utc_ns=10**18))
    assert [row[3] for row in record.rows] == [0, 0, 10**18 + 3 * 10**9]
    # one second is 16 000 frames: frame 0 was three seconds before the first row that knows its hour
    assert record.begun_utc_ns(16_000.0) == 10**18
    assert record.begun_utc_ns(32_000.0) == 10**18 + 1_500_000_000
    assert JournalRecord().begun_utc_ns(16_000.0) is None
    assert JournalRecord(rows=[(0, 1, 1, 0, 0)]).begun_utc_ns(16_000.0) is None


def test_rows_that_no_recording_can_have_are_left_out(tmp_path):
    """Forwards in both, and at most four times the pace and ten seconds more."""
    second = 16_000
    good = [clock(number) for number in (10, 11, 12, 13)]
    record = read(tmp_path, BEGUN, *good[:2], clock(12, frame=11 * second), *good[2:])
    assert record.clock_rows()[:, 1].tolist() == [10 * second, 11 * second, 12 * second, 13 * second]
    backwards = {**clock(12), "monotonic_ns": 11 * 10**9}
    assert len(read(tmp_path, BEGUN, *good[:2], backwards, good[3]).clock_rows()) == 3
    allowed = 11 * second + 14 * second  # after one second
    assert len(read(tmp_path, BEGUN, *good[:2], clock(12, frame=allowed)).clock_rows()) == 3
    assert len(read(tmp_path, BEGUN, *good[:2], clock(12, frame=allowed + 1)).clock_rows()) == 2
    # a first row that nothing can follow is the damaged one
    assert read(tmp_path, BEGUN, clock(9, frame=10**9), *good).clock_rows()[0, 1] == 10 * second
    assert JournalRecord().clock_rows().shape == (0, 5)
    assert len(read(tmp_path, BEGUN, clock(10)).clock_rows()) == 0  # one row alone says nothing


@pytest.mark.parametrize(
    ("said", "synchronised"), [([True], True), ([True, False], False), ([None], None), ([True, None], None)]
)
def test_a_clock_is_synchronised_that_always_was(tmp_path, said, synchronised):
    rows = [clock(number) for number in range(1, 130)]
    later = [{"what": "network time", "frame": 1, "synchronised": one} for one in said[1:]]
    record = read(tmp_path, BEGUN | {"synchronised": said[0]}, *rows, *later)
    assert record.timebase(16_000.0).synchronised is synchronised


def test_a_reference_clock_goes_before_the_computer_s(tmp_path):
    rows = [clock(number) for number in range(1, 130)]
    assert read(tmp_path, BEGUN, *rows).timebase(16_000.0).source == "host clock"
    told = {"what": "reference", "offset_ppm": -2.0, "standard_uncertainty_ppm": 0.5}
    assert read(tmp_path, BEGUN, *rows, told).timebase(16_000.0).offset_ppm == -2.0


def test_who_it_is_where_no_identity_was_given(tmp_path):
    record = read(tmp_path, BEGUN, clock(1, raw_ns=77))
    assert record.identity == f"0-16000-{10**9}-{10**18 + 10**9}"  # as before there was a raw clock
    assert read(tmp_path, BEGUN).identity == ""
    assert JournalRecord().recorder == ""


def test_a_line_that_was_cut_short_costs_itself_and_the_next_is_read(tmp_path):
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b'{"what":"over' + b"\n\n  \n" + json.dumps({"what": "overflow", "frame": 1}).encode())
    record = read_journal(path)
    assert (record.overflows, record.lines_lost) == (1, 1)
    assert read_journal(tmp_path / "none").lines_lost == 0


def test_what_is_written_is_there_at_once_and_only_added_to(tmp_path):
    path = tmp_path / "journal.jsonl"
    journal = Journal(path)
    journal.add("overflow", frame=5)
    assert path.read_bytes() == b'{"what":"overflow","frame":5}\n'
    journal.secure()
    journal.add("ended", frame=6)
    journal.close()
    journal.close()
    assert path.read_text().splitlines()[1] == '{"what":"ended","frame":6}'
    with pytest.raises(FileExistsError, match="exists"):
        Journal(path)
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o600


def test_after_a_line_that_the_disk_took_in_part_the_next_begins_anew(tmp_path, monkeypatch):
    path = tmp_path / "journal.jsonl"
    journal, write = Journal(path), os.write
    monkeypatch.setattr(os, "write", lambda handle, line: write(handle, line[:6]))
    with pytest.raises(OSError, match="could not be written whole"):
        journal.add("overflow", frame=5)
    monkeypatch.setattr(os, "write", write)
    journal.add("overflow", frame=6)
    journal.add("overflow", frame=7)
    journal.close()
    record = read_journal(path)
    assert (record.overflows, record.lines_lost, record.last_frame) == (2, 1, 7)
    assert path.read_bytes().count(b"\n") == 3  # no empty line once it is whole again


def test_rows_are_of_whole_numbers(tmp_path):
    rows = read(tmp_path, BEGUN, *(clock(number) for number in range(1, 5))).clock_rows()
    assert rows.dtype == np.int64
    assert rows.shape == (4, 5)
