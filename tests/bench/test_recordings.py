"""Which recording it is, and when it began."""

from __future__ import annotations

import hashlib
import json
import os
from datetime import UTC, datetime, timedelta

import numpy as np
import soundfile

from torsionbeat.bench.recordings import EARLIEST_OWN, birth_of, sha256_of
from torsionbeat.sound.block import Block
from torsionbeat.sound.keeper import Keeper
from torsionbeat.sound.timebase import ClockRow

START = datetime(2026, 3, 1, 20, tzinfo=UTC)


def sound_file(path, when=START, value=0.0):
    soundfile.write(path, np.full(1600, value), 16_000)
    os.utime(path, (when.timestamp(), when.timestamp()))
    return path


def test_a_file_is_told_by_its_bytes_and_dated_back_from_its_end(tmp_path):
    path = sound_file(tmp_path / "a.wav")
    birth = birth_of(path, 1800.0)
    assert birth.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert birth.identity == f"sha256:{birth.sha256}"
    assert birth.began == START - timedelta(seconds=1800)
    assert birth.dated_by == "the file's date"
    assert birth_of(sound_file(tmp_path / "b.wav"), 1800.0).identity == birth.identity
    assert birth_of(sound_file(tmp_path / "c.wav", value=0.5), 1800.0).identity != birth.identity


def test_a_file_of_a_recorder_whose_clock_was_never_set(tmp_path):
    path = sound_file(tmp_path / "a.wav", datetime(1980, 1, 1, tzinfo=UTC))
    assert birth_of(path, 1800.0).began == EARLIEST_OWN


def test_a_folder_is_told_by_all_its_files_in_order_of_their_names(tmp_path):
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / "b").write_bytes(b"2")
    (folder / "a").write_bytes(b"1")
    (folder / "within").mkdir()
    assert sha256_of(folder) == hashlib.sha256(b"12").hexdigest()
    long = tmp_path / "long"
    long.write_bytes(b"x" * ((1 << 20) + 5))
    assert sha256_of(long) == hashlib.sha256(long.read_bytes()).hexdigest()


def test_a_night_that_was_kept_is_told_by_its_journal(tmp_path):
    """Its first row is at frame 8000 of 16 kHz: it began half a second before."""
    folder = tmp_path / "night"
    with Keeper(folder, 16_000, 1) as keeper:
        keeper.hear(Block(0, np.zeros((16_000, 1), np.float32)))
        keeper.clock(ClockRow(0, 8000, 10**9, int(START.timestamp()) * 10**9))
    birth = birth_of(folder, 99.0)
    journal = folder / "journal.jsonl"
    assert birth.identity == f"journal:{json.loads(journal.read_text().splitlines()[0])['identity']}"
    assert (birth.sha256, birth.dated_by) == ("", "the journal")
    assert birth.began == START - timedelta(seconds=0.5)


def test_a_date_of_its_own_goes_before_the_file_s_but_not_tomorrow_s(tmp_path):
    import av

    def dated(name, said):
        path = tmp_path / name
        with av.open(str(path), "w") as container:
            container.metadata["creation_time"] = said
            stream = container.add_stream("aac", rate=16_000)
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            frame.sample_rate = 16_000
            for packet in [*stream.encode(frame), *stream.encode(None)]:
                container.mux(packet)
        os.utime(path, (START.timestamp(), START.timestamp()))
        return birth_of(path, 60.0)

    own = dated("a.m4a", "2026-02-14T06:30:00Z")
    assert (own.began, own.dated_by) == (datetime(2026, 2, 14, 6, 30, tzinfo=UTC), "the recording's own date")
    ahead = (datetime.now(UTC) + timedelta(days=3)).strftime("%Y-%m-%dT%H:%M:%SZ")
    assert dated("b.m4a", ahead).dated_by == "the file's date"
    assert dated("c.m4a", "1989-12-31T23:59:59Z").dated_by == "the file's date"
