"""Opens the bench log without harm to it.

Input: a database URL. Output: an SQLAlchemy engine on a log of today's schema. A file that is damaged, foreign
or written by a newer torsionbeat is recognised through a read-only connection, so it is left byte for byte as it
was. SQLite runs with a write-ahead log, foreign keys on and ``synchronous = FULL``: a committed write is on the
disk. Every fault of the database becomes a ``BenchLogError`` in plain words.
"""

from __future__ import annotations

import os
import shlex
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from torsionbeat.benchlog.place import LOG_VARIABLE, locate, spoken
from torsionbeat.benchlog.tables import SCHEMA, SCHEMAS, VERSION_TABLE
from torsionbeat.errors import BenchLogError, InputError, TorsionbeatError

__all__ = ["LOG_VARIABLE", "faults", "locate", "open_engine", "spoken"]

BUSY_S = 20.0
"""Longest wait of a writer for another (s); a write takes milliseconds."""

UPGRADE_LOCK = 7_114_060
"""Key of the PostgreSQL advisory lock under which one bench at a time changes the schema."""

_CAUSES = (
    ("SQLITE_FULL", "the disk is full"),
    ("SQLITE_IOERR", "the disk did not take the write; it may be full or failing"),
    ("SQLITE_READONLY", "the file or its folder is write-protected"),
    ("SQLITE_CANTOPEN", "the file or its folder cannot be opened for writing"),
    ("SQLITE_BUSY", "another program keeps it locked"),
    ("SQLITE_CORRUPT", "the file is damaged"),
    ("SQLITE_NOTADB", "the file is not a bench log, or is damaged"),
)


def cause(error: BaseException) -> str:
    """Say what went wrong in the database, in plain words for the common faults."""
    original = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    name = str(getattr(original, "sqlite_errorname", ""))
    for start, words in _CAUSES:
        if name.startswith(start):
            return words
    if isinstance(original, OSError) and original.strerror:
        return original.strerror
    lines = [line.strip() for line in str(original).splitlines() if line.strip()]
    return lines[0] if lines else type(original).__name__


@contextmanager
def faults(trouble: str, advice: str) -> Iterator[None]:
    """Turn any fault of the database inside the block into ``BenchLogError``: trouble, cause, advice.

    Raises
    ------
    BenchLogError
        The database failed inside the block; the message says what to do.
    """
    try:
        yield
    except TorsionbeatError:
        raise
    except (SQLAlchemyError, sqlite3.Error, OSError, ValueError) as error:
        raise BenchLogError(f"{trouble}: {cause(error)}. {advice}") from error


def open_engine(url: URL, *, must_exist: bool = False) -> Engine:
    """Open the log at a URL; create it or upgrade it to today's schema where needed.

    Parameters
    ----------
    url : URL
    must_exist : bool
        Refuse a path that leads to no file.

    Raises
    ------
    InputError
        The path leads to a folder, a pipe or a device, or to nothing where there must be a log.
    BenchLogError
        The log cannot be opened, is damaged, is no bench log, or was written by a newer torsionbeat. It is
        then left as it was.
    """
    name = spoken(url)
    read_only = False
    if url.drivername == "sqlite":
        with faults(f"the bench log {name} cannot be opened", "Pass --log PATH for another."):
            read_only = _ready_file(Path(str(url.database)), name, must_exist)
    else:
        _need_driver(name)
    engine = _engine(url, read_only=read_only)
    advice = "Pass --log PATH for another." if url.drivername == "sqlite" else "Is the server running?"
    try:
        with faults(f"the bench log {name} cannot be opened", advice):
            with engine.connect() as connection:
                found = _revision(connection)
            if found != SCHEMA:
                _check_known(found, name)
                _upgrade(url)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _ready_file(path: Path, name: str, must_exist: bool) -> bool:
    """Inspect a log's file, or create an empty one that only its owner may read. Return whether it is write-protected."""
    if path.is_dir():
        raise InputError(f"the log {name} is a folder; give the path of a file in it")
    if path.exists():
        if not path.is_file():
            raise InputError(f"the log {name} is a pipe or a device; give the path of a file")
        read_only = not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))
        _look_once(path, read_only, _as_it_is(path))
        return read_only
    if must_exist:
        raise InputError(
            f"there is no bench log {name}; check --log, or begin one there with: torsionbeat clock add NAME "
            f"--log {shlex.quote(name)}"
        )
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with suppress(OSError):  # SQLite reports a file that cannot be made
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    return False


def _need_driver(name: str) -> None:
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise BenchLogError(
            f"the bench log {name} needs the PostgreSQL driver; install it with: "
            "pip install 'torsionbeat[postgres]'"
        ) from error


def _as_it_is(path: Path) -> tuple[int, ...]:
    """State of a file that shows whether it was changed since."""
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


@lru_cache(maxsize=64)
def _look_once(path: Path, read_only: bool, _state: tuple[int, ...]) -> None:
    """Inspect a file once after each change: that reads the whole file, and the page opens its log often."""
    _look(path, read_only)


def _look(path: Path, read_only: bool) -> None:
    """Check, without changing it, that an existing file is undamaged, a bench log, and of a known schema.

    A write that was cut off by a kill may have left its journal beside the file. SQLite undoes that write
    when the file is next opened for writing; only then can the file be read.
    """
    try:
        _look_by(path, "mode=ro" + ("&immutable=1" if _still(path, read_only) else ""))
    except sqlite3.OperationalError as error:
        if read_only or not str(error.sqlite_errorname).startswith("SQLITE_READONLY"):
            raise
        _look_by(path, "mode=rw")


def _look_by(path: Path, mode: str) -> None:
    uri = f"file:{quote(str(path))}?{mode}"
    with closing(sqlite3.connect(uri, uri=True, timeout=BUSY_S)) as connection:
        try:
            verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            tables = {
                row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            }
            found = None
            if VERSION_TABLE in tables:
                found = (connection.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone() or [""])[0]
        except sqlite3.OperationalError:
            raise
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            verdict, tables, found = str(error), set(), None
    if verdict != "ok":
        raise BenchLogError(
            f"the bench log {path} is damaged or is not a bench log ({verdict.splitlines()[-1]}). "
            "It was left as it is. Restore it from a backup or an export, or pass --log PATH for a new one."
        )
    if tables and found is None:
        raise BenchLogError(
            f"{path} is a database but not a bench log. It was left as it is. "
            "Pass --log PATH for the right one."
        )
    if found is not None:
        _check_known(found, str(path))


def _still(path: Path, read_only: bool) -> bool:
    """Whether a write-protected file has no unfinished write beside it, so that it may be read as it is."""
    beside = Path(f"{path}-wal")
    return read_only and not (beside.exists() and beside.stat().st_size)


def _check_known(found: str | None, name: str) -> None:
    if found is not None and found not in SCHEMAS:
        raise BenchLogError(
            f"the bench log {name} was written by a newer torsionbeat (its schema is {found!r}, this one "
            f"knows up to {SCHEMA}). It was left as it is. Update torsionbeat, or pass --log PATH."
        )


def _engine(url: URL, *, read_only: bool = False, foreign_keys: bool = True) -> Engine:
    if url.drivername != "sqlite":
        # A database made without an encoding (SQL_ASCII) leaves the encoding of texts to us: UTF-8.
        options = {"connect_timeout": 10, "client_encoding": "utf8"}
        return create_engine(url, pool_pre_ping=True, connect_args=options)
    if read_only:
        path = Path(str(url.database))
        query = {"mode": "ro", "uri": "true"} | ({"immutable": "1"} if _still(path, read_only) else {})
        url = URL.create("sqlite", database=f"file:{quote(str(path))}", query=query)
    engine = create_engine(url, connect_args={"timeout": BUSY_S})

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, record: Any) -> None:
        connection.isolation_level = None  # we issue BEGIN ourselves, below
        if not read_only:
            connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA foreign_keys = {'ON' if foreign_keys else 'OFF'}")

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        # A writer takes the lock at once: one that reads first and locks later fails if another wrote meanwhile.
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _revision(connection: Connection) -> str | None:
    """Give the schema revision of the log, None where it has none yet."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    return connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()


def _upgrade(url: URL, to: str = SCHEMA) -> None:
    """Create the tables, or bring them to a schema, in one transaction: all or nothing."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    folder = str(Path(__file__).parent / "migrations")
    config.set_main_option("script_location", folder.replace("%", "%%"))
    engine = _engine(
        url, foreign_keys=False
    )  # a table may have to be rebuilt; its references are checked below
    try:
        with engine.execution_options(writing=True).begin() as connection:
            if engine.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": UPGRADE_LOCK})
            found = _revision(connection)
            if found == to:  # another program did it first
                return
            _check_known(found, spoken(url))
            config.attributes["connection"] = connection
            command.upgrade(config, to)
            if engine.dialect.name == "sqlite":
                loose = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
                if loose:
                    raise BenchLogError(
                        f"the bench log {spoken(url)} has {len(loose)} rows that refer to nothing (first "
                        f"in table {loose[0][0]}). It was left at its old schema. Restore it from a backup."
                    )
    finally:
        engine.dispose()
