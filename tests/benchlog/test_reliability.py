"""Faults, made to happen: what was reported as kept stays kept, and what was not is said so."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest

import torsionbeat
from torsionbeat.benchlog import open_log
from torsionbeat.errors import BenchLogError

ROOT = str(Path(torsionbeat.__file__).parents[1])


def start(script, *arguments, before=(), **options):
    """Start a script in a Python of its own, with its output to be read line by line."""
    return subprocess.Popen(
        [*before, sys.executable, "-c", textwrap.dedent(script), *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": ROOT},
        **options,
    )


def checksum(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


KEEPER = """
    import sys
    from torsionbeat.benchlog import open_log
    place, who, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
    with open_log(place) as log:
        if who not in [clock.name for clock in log.clocks()]:
            log.add_clock(who)
        for number in range(1, count + 1):
            log.add_note(who, f"{number} " + "x" * 3000)
            print("kept", number, flush=True)
"""


@pytest.mark.parametrize("wait", [1, 7, 23])
def test_a_kill_loses_nothing_that_was_reported_as_kept(log_place, wait):
    process = start(KEEPER, log_place, "Attic", 100_000)
    last = 0
    for _ in range(wait):
        last = int(process.stdout.readline().split()[1])
    process.send_signal(signal.SIGKILL)
    rest, _ = process.communicate(timeout=60)
    last = max([last, *(int(line.split()[1]) for line in rest.splitlines() if len(line.split()) == 2)])
    assert process.returncode == -signal.SIGKILL
    with open_log(log_place) as log:
        numbers = [int(note.text.split()[0]) for note in log.notes("Attic")]
        # one more may have been committed before it could be reported; never one less, never half a row
        assert numbers in (list(range(1, last + 1)), list(range(1, last + 2)))
        log.add_note("Attic", "and on it goes")


def test_a_kill_while_a_log_is_made_leaves_none_or_a_whole_one(tmp_path):
    for number in range(5):
        place = tmp_path / f"log{number}.sqlite"
        process = start(
            "import sys; import torsionbeat.benchlog as b; print(1, flush=True); b.open_log(sys.argv[1])",
            place,
        )
        process.stdout.readline()
        try:
            process.wait(timeout=0.02 * (number + 1))  # somewhere between opening the file and its last table
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
        process.communicate(timeout=60)
        with open_log(place) as log:
            log.add_clock("Attic")


CUT_OFF = """
    import os, signal, sqlite3, sys
    connection = sqlite3.connect(sys.argv[1], isolation_level=None)
    connection.execute("PRAGMA journal_mode = DELETE")  # as while a log is turned to its write-ahead log
    connection.execute("PRAGMA cache_size = 1")  # pages go to the file before the end of the write
    connection.execute("BEGIN IMMEDIATE")
    connection.execute("UPDATE notes SET text = 'half written'")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_write_cut_off_beside_its_journal_is_taken_back(tmp_path):
    path = tmp_path / "log.sqlite"
    with open_log(path) as log:
        log.add_clock("Attic")
        for number in range(50):
            log.add_note("Attic", f"{number} " + "x" * 3000)
    start(CUT_OFF, path).communicate(timeout=60)
    assert path.with_name("log.sqlite-journal").stat().st_size > 0
    assert b"half written" in path.read_bytes()
    with open_log(path) as log:
        assert [int(note.text.split()[0]) for note in log.notes("Attic")] == list(range(50))
        log.add_note("Attic", "and on it goes")


def test_two_processes_writing_at_once_both_succeed(log_place):
    open_log(log_place).close()
    count = 60
    processes = [start(KEEPER, log_place, who, count) for who in ("Attic", "Loft")]
    for process in processes:
        out, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
        assert out.split()[-1] == str(count)
    with open_log(log_place) as log:
        assert [len(log.notes(who)) for who in ("Attic", "Loft")] == [count, count]


def test_four_processes_making_the_same_log_at_once_all_succeed(log_place):
    processes = [start(KEEPER, log_place, who, 3) for who in ("a", "b", "c", "d")]
    for process in processes:
        _, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
    with open_log(log_place) as log:
        assert [clock.name for clock in log.clocks()] == ["a", "b", "c", "d"]


@pytest.fixture
def grown(tmp_path, reading):
    """Give a log file of some hundred pages."""
    path = tmp_path / "grown.sqlite"
    with open_log(path) as log:
        log.add_clock("Attic")
        swings = [{"time_s": n / 7, "side": "a", "period_s": 60.0, "arc_deg": 431.0} for n in range(400)]
        for _ in range(20):
            log.add_reading("Attic", reading(swings=swings))
    return path


@pytest.mark.parametrize("place", ["header", "schema", "middle", "cut short", "zeroed"])
def test_a_damaged_file_is_said_so_and_left_alone(grown, place):
    content = bytearray(grown.read_bytes())
    rng = np.random.default_rng(17)
    if place == "header":
        content[0:16] = rng.bytes(16)
    elif place == "schema":
        content[100:4096] = rng.bytes(3996)
    elif place == "middle":
        for page in range(40, 80):
            content[page * 4096 : (page + 1) * 4096] = rng.bytes(4096)
    elif place == "cut short":
        del content[len(content) // 2 + 100 :]
    else:
        content[4096:] = bytes(len(content) - 4096)
    grown.write_bytes(content)
    before = checksum(grown)
    with pytest.raises(
        BenchLogError, match=r"is damaged or is not a bench log \(.*It was left as it is\. Restore it"
    ):
        open_log(grown)
    assert checksum(grown) == before
    shutil.copy(grown, grown.with_name("copy.sqlite"))
    assert checksum(grown) == before


def test_damage_inside_a_text_is_said_so_when_it_is_read(grown):
    content = grown.read_bytes()
    grown.write_bytes(content.replace(b'"remarks"', b'"remark\xff"'))
    before = checksum(grown)
    with (
        open_log(grown) as log,
        pytest.raises(BenchLogError, match=r"cannot be read: .*Restore it from a backup"),
    ):
        log.readings("Attic")
    assert checksum(grown) == before


FULL_DISK = """
    import json, resource, sys
    from torsionbeat.benchlog import open_log
    from torsionbeat.errors import BenchLogError
    with open_log(sys.argv[1]) as log:
        log.add_clock("Attic")
        document = json.load(sys.stdin)
        log.add_reading("Attic", document)
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, resource.RLIM_INFINITY))
        document["swings"] = [{"time_s": 1.5}] * 40_000
        try:
            log.add_reading("Attic", document)
        except BenchLogError as error:
            print(error)
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        log.add_note("Attic", "room again")
"""


def test_a_write_the_disk_does_not_take_is_said_so(tmp_path, reading):
    import json

    path = tmp_path / "log.sqlite"
    process = start(FULL_DISK, path, stdin=subprocess.PIPE)
    out, err = process.communicate(json.dumps(reading()), timeout=60)
    assert process.returncode == 0, err
    assert out.startswith(f"the reading was not kept in the bench log {path}: the disk ")
    assert "try again, or pass --log PATH" in out
    with open_log(path) as log:
        assert len(log.readings("Attic")) == 1
        assert [note.text for note in log.notes("Attic")] == ["room again"]


def test_a_full_disk_is_said_so(tmp_path, reading):
    """A small file system of its own, filled to the last block."""
    mount = tmp_path / "small"
    mount.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(mount)]
    made = subprocess.run(command, capture_output=True, check=False) if shutil.which("mount") else None
    if made is None or made.returncode:
        pytest.skip("a small file system cannot be mounted here: only root may")
    try:
        with open_log(mount / "log.sqlite") as log:
            log.add_clock("Attic")
            log.add_reading("Attic", reading())
            with pytest.raises(
                BenchLogError, match=r"the reading was not kept in the bench log .*: the disk is full"
            ):
                log.add_reading("Attic", reading(swings=[{"time_s": 1.5}] * 60_000))
            assert len(log.readings("Attic")) == 1
        with open_log(mount / "log.sqlite") as log:
            assert len(log.readings("Attic")) == 1
    finally:
        subprocess.run(["umount", mount], check=True)


READ_ONLY = """
    import sys
    from torsionbeat.benchlog import open_log
    from torsionbeat.errors import BenchLogError
    with open_log(sys.argv[1]) as log:
        print([clock.name for clock in log.clocks()])
        try:
            log.add_note("Attic", "text")
        except BenchLogError as error:
            print(error)
    try:
        open_log(sys.argv[2])
    except BenchLogError as error:
        print(error)
"""


def test_a_write_protected_folder_can_be_read_and_says_what_it_cannot(tmp_path):
    folder = tmp_path / "protected"
    path = folder / "log.sqlite"
    with open_log(path) as log:
        log.add_clock("Attic")
    before = checksum(path)
    folder.chmod(0o555)
    # root may write anywhere, unless that power is taken from it
    without = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
    process = start(READ_ONLY, path, folder / "new.sqlite", before=without)
    out, err = process.communicate(timeout=60)
    folder.chmod(0o755)
    assert process.returncode == 0, err
    names, unkept, unopened = out.splitlines()
    assert names == "['Attic']"
    assert unkept.startswith(
        f"the note was not kept in the bench log {path}: the file or its folder is write-protected."
    )
    assert unopened.startswith(
        f"the bench log {folder}/new.sqlite cannot be opened: the file or its folder cannot be"
    )
    assert checksum(path) == before
    assert [entry.name for entry in folder.iterdir()] == ["log.sqlite"]


def test_a_locked_log_is_said_so(tmp_path, monkeypatch):
    path = tmp_path / "log.sqlite"
    monkeypatch.setattr("torsionbeat.benchlog.store.BUSY_S", 0.05)
    with open_log(path) as log:
        log.add_clock("Attic")
        other = sqlite3.connect(path)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BenchLogError, match=r"the note was not kept .*: another program keeps it locked"):
            log.add_note("Attic", "text")
        other.rollback()
        other.close()
        log.add_note("Attic", "text")
