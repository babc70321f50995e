"""Opening a log: where it lies, which schema it has, and what is left alone."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, text

import torsionbeat
import torsionbeat.benchlog.store as store
from torsionbeat.benchlog import open_log
from torsionbeat.benchlog.tables import SCHEMA, SCHEMAS, VERSION_TABLE, Base
from torsionbeat.errors import BenchLogError, InputError

OLD = Path(__file__).with_name("schema_0001.sql")


def sqlite_of(dump, path):
    """Make the database file that a dump is of, with the write-ahead log every log of ours has."""
    connection = sqlite3.connect(path)
    connection.executescript(dump.read_text(encoding="utf-8"))
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()


def checksum(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_place_asked_for_goes_first(tmp_path, monkeypatch):
    monkeypatch.setenv("TORSIONBEAT_LOG", str(tmp_path / "variable.sqlite"))
    assert store.spoken(store.locate(tmp_path / "asked.sqlite")) == str(tmp_path / "asked.sqlite")
    assert store.spoken(store.locate()) == str(tmp_path / "variable.sqlite")


def test_without_a_word_the_log_is_in_the_user_data_folder(tmp_path, monkeypatch):
    monkeypatch.delenv("TORSIONBEAT_LOG", raising=False)
    monkeypatch.setattr("platformdirs.user_data_path", lambda name, appauthor: tmp_path / name)
    with open_log() as log:
        log.add_clock("Attic")
        assert log.where == str(tmp_path / "torsionbeat" / "benchlog.sqlite")
    assert (tmp_path / "torsionbeat" / "benchlog.sqlite").is_file()


def test_urls():
    assert store.locate("postgresql://u:p@h/d").drivername == "postgresql+psycopg"
    assert store.spoken(store.locate("postgresql+psycopg://u:secret@h/d")) == "postgresql+psycopg://u:***@h/d"
    for wrong in ("mysql://h/d", "postgresql+psycopg://h", "sqlite://", "://"):
        with pytest.raises(InputError, match=r"give a path, or postgresql\+psycopg://"):
            store.locate(wrong)


def test_a_folder_is_no_log(tmp_path):
    with pytest.raises(InputError, match="is a folder; give the path of a file in it"):
        open_log(tmp_path)


def test_a_name_with_odd_characters_is_a_file_like_another(tmp_path):
    path = tmp_path / "bench ?#%41&ö" / "log%.sqlite"
    with open_log(path) as log:
        log.add_clock("Attic")
    with open_log(path) as log:
        assert [clock.name for clock in log.clocks()] == ["Attic"]
    assert path.is_file()


def test_every_commit_is_on_the_disk_and_references_hold(tmp_path):
    with open_log(tmp_path / "log.sqlite") as log, log.reading_from() as session:
        pragmas = {
            name: session.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 20_000}


def test_the_tables_are_what_the_migrations_make(log):
    with log.reading_from() as session:
        context = MigrationContext.configure(
            session.connection(), opts={"version_table": VERSION_TABLE, "compare_type": True}
        )
        assert compare_metadata(context, Base.metadata) == []


def test_the_revisions_known_are_those_shipped():
    scripts = ScriptDirectory(str(Path(store.__file__).parent / "migrations"))
    assert tuple(script.revision for script in reversed(list(scripts.walk_revisions()))) == SCHEMAS
    assert scripts.get_current_head() == SCHEMA


def test_a_log_of_the_first_schema_opens_with_all_it_holds(tmp_path):
    path = tmp_path / "old.sqlite"
    sqlite_of(OLD, path)
    with open_log(path) as log:
        first, second = log.readings("Harbour lamp")
        # the timebase was in the documents alone; the numbers are those of the dump
        assert (first.timebase_source, first.timebase_offset_ppm, first.u_timebase_offset_ppm) == (
            "unknown", 0.0, 28.867513459481287,
        )  # fmt: skip
        assert (second.timebase_source, second.timebase_offset_ppm, second.u_timebase_offset_ppm) == (
            "host clock", 3.25, 0.125,
        )  # fmt: skip
        assert (first.supersedes_id, first.reason) == (None, "")
        assert (second.rate_s_per_day, second.u_rate_s_per_day) == (4.5, 0.3)
        assert second.taken_at.isoformat() == "2026-02-06T20:00:00.000007+00:00"
        (trial,) = log.trials("Harbour lamp")
        assert (trial.reading_before_id, trial.reading_id) == (first.id, second.id)
        assert log.notes("Harbour lamp")[0].text == "Bellows hold air.\nPalette clean, naïve wear on fork."
        assert [clock.name for clock in log.clocks()] == ["Harbour lamp", "Schoolroom"]
        corrected = log.add_reading(
            "Harbour lamp",
            first.document,
            supersedes_id=first.id,
            reason="wrong lift",
            taken_at=first.taken_at,
        )
        assert [row.id for row in log.readings("Harbour lamp")] == [corrected.id, second.id]
    with open_log(path) as log:
        assert len(log.readings("Harbour lamp", superseded=True)) == 3


def test_an_upgraded_log_has_the_tables_of_a_new_one(tmp_path):
    path = tmp_path / "old.sqlite"
    sqlite_of(OLD, path)
    with open_log(path) as log, log.reading_from() as session:
        context = MigrationContext.configure(session.connection(), opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, Base.metadata) == []
        assert session.execute(text("PRAGMA foreign_key_check")).fetchall() == []
        assert session.execute(text("PRAGMA integrity_check")).scalar() == "ok"


def test_an_old_log_on_a_server_is_upgraded_too(postgres_url):
    store._upgrade(store.locate(postgres_url), "0001")
    engine = create_engine(postgres_url)
    clock = (
        "INSERT INTO clocks (name, added_at, kind, lift_tolerance_deg, side_a_name, side_b_name, "
        "strip_material, regulator_unit, notes) VALUES ('Attic', now(), 'other', 0, '', '', '', '', '')"
    )
    reading = (
        "INSERT INTO readings (clock_id, taken_at, kept_at, recording_path, recording_sha256, document) "
        """VALUES (1, now(), now(), '', '', '{"timebase": {"source": "stated", "offset_ppm": 7.5}}')"""
    )
    with engine.begin() as connection:
        connection.exec_driver_sql(clock)
        connection.exec_driver_sql(reading)
    engine.dispose()
    with open_log(postgres_url) as log:
        (found,) = log.readings("Attic")
    assert (found.timebase_source, found.timebase_offset_ppm, found.u_timebase_offset_ppm) == (
        "stated",
        7.5,
        None,
    )


def test_an_export_of_the_first_schema_is_taken_in(full):
    document = full.export_clock("Harbour lamp")
    document["log_schema"] = "0001"
    for row in document["readings"]:
        for name in (
            "supersedes_id",
            "reason",
            "timebase_source",
            "timebase_offset_ppm",
            "u_timebase_offset_ppm",
        ):
            del row[name]
    full.import_clock(document, "Copy")
    assert [row.timebase_source for row in full.readings("Copy")] == ["host clock"] * 3


def test_an_upgrade_that_fails_leaves_the_old_log(tmp_path):
    path = tmp_path / "old.sqlite"
    sqlite_of(OLD, path)
    connection = sqlite3.connect(path)
    connection.execute(
        "UPDATE trials SET reading_id = 99"
    )  # refers to nothing: sqlite3 does not ask by itself
    connection.commit()
    before = list(connection.iterdump())
    connection.close()
    with pytest.raises(BenchLogError, match=r"1 rows that refer to nothing .* It was left at its old schema"):
        open_log(path)
    connection = sqlite3.connect(path)
    assert list(connection.iterdump()) == before
    connection.close()


def test_a_log_of_a_newer_schema_is_left_alone(tmp_path):
    path = tmp_path / "log.sqlite"
    open_log(path).close()
    connection = sqlite3.connect(path)
    connection.execute(f"UPDATE {VERSION_TABLE} SET version_num = '0099'")
    connection.commit()
    connection.close()
    before = checksum(path)
    with pytest.raises(
        BenchLogError, match=r"written by a newer torsionbeat \(its schema is '0099'.*Update torsionbeat"
    ):
        open_log(path)
    assert checksum(path) == before


def test_a_newer_schema_on_a_server_is_left_alone(postgres_url):
    open_log(postgres_url).close()
    engine = create_engine(postgres_url)
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '0099'"))
    engine.dispose()
    with pytest.raises(BenchLogError, match="written by a newer torsionbeat"):
        open_log(postgres_url)


def test_a_server_that_does_not_answer(tmp_path):
    with pytest.raises(BenchLogError, match=r"cannot be opened: .*Is the server running\?") as caught:
        open_log(f"postgresql+psycopg://bench:secret@/bench?host={tmp_path}")
    assert "secret" not in str(caught.value)


def test_another_program_s_database_is_left_alone(tmp_path):
    path = tmp_path / "recipes.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.close()
    before = checksum(path)
    with pytest.raises(BenchLogError, match=r"is a database but not a bench log. It was left as it is"):
        open_log(path)
    assert checksum(path) == before


def test_a_file_of_another_kind_is_left_alone(tmp_path):
    path = tmp_path / "night.flac"
    path.write_bytes(b"fLaC" + bytes(range(256)) * 64)
    before = checksum(path)
    with pytest.raises(BenchLogError, match=r"is damaged or is not a bench log .* It was left as it is"):
        open_log(path)
    assert checksum(path) == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["night.flac"]


# Places where no log can be


def test_a_pipe_is_no_log_and_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="is a pipe or a device; give the path of a file"):
        open_log(tmp_path / "pipe")


def test_a_path_of_5000_characters_is_refused_in_few(tmp_path):
    with pytest.raises(BenchLogError, match="cannot be opened: File name too long") as caught:
        open_log(tmp_path / ("x" * 5000))
    assert len(str(caught.value)) < 400


def test_a_folder_that_may_not_be_entered_is_said_so(tmp_path):
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o000)
    script = (
        "import sys; from torsionbeat.benchlog import open_log\n"
        "from torsionbeat.errors import BenchLogError\n"
        "try:\n    open_log(sys.argv[1])\nexcept BenchLogError as error:\n    print(error)"
    )
    without = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [*without, sys.executable, "-c", script, str(folder / "log.sqlite")],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(Path(torsionbeat.__file__).parents[1])},
    )
    folder.chmod(0o755)
    assert (done.returncode, done.stderr) == (0, "")
    assert "cannot be opened: Permission denied. Pass --log PATH for another" in done.stdout


def test_a_server_s_database_without_an_encoding_keeps_what_is_written(postgres_server):
    url = postgres_server("SQL_ASCII")
    with open_log(url) as log:
        log.add_clock("Uhr im Flur ö")
        log.add_note("Uhr im Flur ö", "naïve, 時計")
    with open_log(url) as log:
        assert [note.text for note in log.notes("Uhr im Flur ö")] == ["naïve, 時計"]


def test_a_log_is_for_its_owner_alone(tmp_path):
    folder = tmp_path / "new"
    with open_log(folder / "log.sqlite") as log:
        log.add_clock("Attic")
        files = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
    assert files.keys() >= {"log.sqlite", "log.sqlite-wal"}
    assert set(files.values()) == {0o600}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
