"""A clock's whole history as one document, and the document as a JSON file or a folder of CSV and back.

The document holds every column of every row that belongs to the clock, so what is written here and read
elsewhere is the same history. Rows are numbered from 1 in each table and refer to each other by these
numbers, whatever numbers the log has. In CSV an empty cell is a value that is not known, or an empty text.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Column, Double, Integer, Table, select
from sqlalchemy.orm import Session

from torsionbeat.benchlog.entries import plain, reading_columns
from torsionbeat.benchlog.tables import HISTORY, SCHEMA, SCHEMAS, VERSION_TABLE, Base, ClockRecord, Moment
from torsionbeat.errors import BenchLogError, InputError
from torsionbeat.version import __version__

__all__ = ["clock_name", "put_history", "read_history", "take_history", "write_history"]

_LARGEST_CELL = 2**31 - 1
"""A night's reading is one cell of some hundred thousand characters: more than csv takes unasked."""


def take_history(session: Session, clock: ClockRecord) -> dict[str, Any]:
    """Take a clock's history out of the log as a document of JSON's own kinds."""
    document: dict[str, Any] = {"log_schema": SCHEMA, "torsionbeat": __version__}
    document["clock"] = _row(clock, {}, ("id",))
    numbers: dict[str, dict[int, int]] = {}
    for table in HISTORY:
        found = session.scalars(select(table).where(table.clock_id == clock.id).order_by(table.id)).all()
        numbers[table.__tablename__] = {row.id: number for number, row in enumerate(found, 1)}
        document[table.__tablename__] = [_row(row, numbers, ("clock_id",)) for row in found]
    return document


def _row(row: Base, numbers: dict[str, dict[int, int]], left_out: tuple[str, ...]) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for column in _columns(type(row)):
        if column.name in left_out:
            continue
        value = getattr(row, column.name)
        target = _target(column)
        if value is not None and target:
            value = numbers[target][value]
        kept[column.name] = value.isoformat() if isinstance(value, datetime) else value
    return kept


def _columns(table: type[Base]) -> list[Column[Any]]:
    found = table.__table__
    assert isinstance(found, Table)
    return list(found.columns)


def _target(column: Column[Any]) -> str | None:
    """Name the table whose rows a column numbers: its own for ``id``, another's for a reference."""
    if column.primary_key:
        return None if column.table.name == "clocks" else column.table.name
    return next((key.column.table.name for key in column.foreign_keys), None)


def clock_name(document: dict[str, Any]) -> str:
    """Give the name of the clock whose history a document holds."""
    _check(document)
    return str(document["clock"].get("name", ""))


def put_history(session: Session, document: dict[str, Any], name: str) -> ClockRecord:
    """Put a document that ``take_history`` made into the log, under a name that is not taken there.

    Raises
    ------
    InputError
        The document is not a clock's history, or one written by a newer torsionbeat.
    """
    _check(document)
    clock = ClockRecord(**_values(ClockRecord, document["clock"], {}, "clock") | {"name": name})
    session.add(clock)
    session.flush()
    numbers: dict[str, dict[int, int]] = {table.__tablename__: {} for table in HISTORY}
    for table in HISTORY:
        title = table.__tablename__
        for place, given in enumerate(document.get(title, []), 1):
            where = f"{title}, row {place}"
            if not isinstance(given, dict) or "id" not in given:
                raise InputError(f"the history's {where}, has no number (id); export the clock again")
            if title == "readings":
                given = reading_columns(plain(given.get("document"), f"the document of {where},")) | given
            row = table(clock_id=clock.id, **_values(table, given, numbers, where))
            session.add(row)
            session.flush()
            numbers[title][given["id"]] = row.id
    return clock


def _check(document: dict[str, Any]) -> None:
    known = {"log_schema", "torsionbeat", "clock"} | {table.__tablename__ for table in HISTORY}
    if not isinstance(document, dict) or not {"log_schema", "clock"} <= document.keys():
        raise InputError("this is not a clock's history; give a file that torsionbeat clock export wrote")
    if not isinstance(document["clock"], dict):
        raise InputError("this history says nothing of its clock; export the clock again")
    if document["log_schema"] not in SCHEMAS or document.keys() - known:
        raise InputError(
            f"this history was written by torsionbeat {document.get('torsionbeat')} with log schema "
            f"{document['log_schema']!r}; this one reads up to {SCHEMA!r}, so update torsionbeat"
        )


def _values(
    table: type[Base], given: dict[str, Any], numbers: dict[str, dict[int, int]], where: str
) -> dict[str, Any]:
    """Give the values of a row's columns, each of its column's kind, references turned into the log's own."""
    columns = {column.name: column for column in _columns(table) if column.name not in ("id", "clock_id")}
    strange = given.keys() - columns.keys() - {"id"}
    if strange:
        names = ", ".join(sorted(strange))
        raise InputError(f"the history's {where}, has {names}, kept nowhere here; update torsionbeat")
    kept: dict[str, Any] = {}
    for name, column in columns.items():
        value = given.get(name)
        if value is None:
            if not column.nullable and name in given:
                raise InputError(f"the history's {where}, lacks {name}; export the clock again")
            continue  # the column's own default
        try:
            target = _target(column)
            kept[name] = numbers[target][value] if target else _kind(column, value)
        except (TypeError, ValueError, KeyError) as error:
            raise InputError(f"the history's {where}, has {name} {value!r}, which cannot be read") from error
    return kept


def _kind(column: Column[Any], value: Any) -> Any:
    if isinstance(column.type, Moment):
        return datetime.fromisoformat(value)
    if isinstance(column.type, Double):
        return float(value)
    if isinstance(column.type, Integer):
        return int(value)
    if isinstance(column.type, JSON):
        return value
    if not isinstance(value, str):
        raise TypeError(f"{column.name} is no text")
    return value


def write_history(document: dict[str, Any], path: str | Path) -> Path:
    """Write a history: a JSON file where the path ends in ``.json``, else a folder with one CSV per table.

    Nothing stands under ``path`` until all of it is written, and what stands there already is never replaced.

    Raises
    ------
    InputError
        Something stands at ``path`` already.
    BenchLogError
        The disk did not take it.
    """
    path = Path(path)
    if path.exists():
        raise InputError(f"{path} exists already and is not replaced; give another path")
    part = path.with_name(f"{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.suffix.lower() == ".json":
            part.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        else:
            part.mkdir(exist_ok=True)
            _write_csv(document, part)
        part.rename(path)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        with suppress(OSError):
            part.unlink()
        raise BenchLogError(
            f"the history was not written to {path}: {error.strerror or error}. "
            "Give another path, or make room."
        ) from error
    return path


def read_history(path: str | Path) -> dict[str, Any]:
    """Read back what ``write_history`` wrote.

    Raises
    ------
    InputError
        The file or folder cannot be read, or is not a clock's history.
    """
    path = Path(path)
    try:
        if path.is_dir():
            return _read_csv(path)
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{path} cannot be read: {error.strerror or error}; give the path of an export"
        ) from error
    except (ValueError, KeyError, IndexError, csv.Error) as error:
        raise InputError(
            f"{path} is not a clock's history ({error}); give what clock export wrote"
        ) from error
    _check(found)
    return dict(found)


def _write_csv(document: dict[str, Any], folder: Path) -> None:
    about = {"version_num": document["log_schema"], "torsionbeat": document["torsionbeat"]}
    _write_table(folder / f"{VERSION_TABLE}.csv", list(about), [about])
    names = [column.name for column in _columns(ClockRecord) if column.name != "id"]
    _write_table(folder / "clocks.csv", names, [document["clock"]])
    for table in HISTORY:
        names = [column.name for column in _columns(table) if column.name != "clock_id"]
        _write_table(folder / f"{table.__tablename__}.csv", names, document[table.__tablename__])


def _write_table(path: Path, names: list[str], rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows([_cell(row[name]) for name in names] for row in rows)


def _cell(value: Any) -> Any:
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    return repr(value) if isinstance(value, float) else value


def _read_csv(folder: Path) -> dict[str, Any]:
    with _large_cells():
        about = _read_table(folder / f"{VERSION_TABLE}.csv", None)[0]
        document: dict[str, Any] = {"log_schema": about["version_num"], "torsionbeat": about["torsionbeat"]}
        _check(document | {"clock": {}})
        document["clock"] = _read_table(folder / "clocks.csv", ClockRecord)[0]
        for table in HISTORY:
            document[table.__tablename__] = _read_table(folder / f"{table.__tablename__}.csv", table)
    return document


@contextmanager
def _large_cells() -> Iterator[None]:
    before = csv.field_size_limit(_LARGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _read_table(path: Path, table: type[Base] | None) -> list[dict[str, Any]]:
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file, strict=True))
    if table is None:
        return rows
    columns = {column.name: column for column in _columns(table)}
    return [{name: _from_cell(columns[name], cell) for name, cell in row.items()} for row in rows]


def _from_cell(column: Column[Any], cell: str | None) -> Any:
    if cell is None:
        raise ValueError(f"a row is cut short at {column.name}")
    if not cell and column.nullable:
        return None
    if isinstance(column.type, JSON):
        return json.loads(cell)
    if isinstance(column.type, Integer):
        return int(cell)
    return float(cell) if isinstance(column.type, Double) else cell
