"""A clock's whole history as one document, written to and read from a JSON file or a folder of CSV files.

The document holds every column of every row that belongs to the clock, so a history read elsewhere is the
same as the one written here. Rows are numbered from 1 in each table and refer to each other by these
numbers, not by those of the log. In CSV an empty cell is an unknown value or an empty text.
"""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from sqlalchemy import JSON, Column, Double, Integer, select
from sqlalchemy.orm import Session

from torsionbeat.benchlog.entries import whole_number
from torsionbeat.benchlog.imports import SINCE, check_shape, columns_of, target_of
from torsionbeat.benchlog.tables import HISTORY, SCHEMA, VERSION_TABLE, Base, ChangeRecord, ClockRecord
from torsionbeat.errors import BenchLogError, InputError
from torsionbeat.version import __version__
from torsionbeat.whole_files import written_whole

__all__ = ["read_history", "take_history", "write_history"]

_LARGEST_CELL = 2**31 - 1
"""A night's reading is one cell of about a hundred thousand characters: more than csv accepts by default."""


def take_history(session: Session, clock: ClockRecord) -> dict[str, Any]:
    """Give a clock's history as a document of JSON types. The log is not changed."""
    document: dict[str, Any] = {"log_schema": SCHEMA, "torsionbeat": __version__}
    document["clock"] = _row(clock, {}, ("id", "name_key"))
    numbers: dict[str, dict[int, int]] = {}
    for table in HISTORY:
        found = session.scalars(select(table).where(table.clock_id == clock.id).order_by(table.id)).all()
        numbers[table.__tablename__] = {row.id: number for number, row in enumerate(found, 1)}
        document[table.__tablename__] = [_row(row, numbers, ("clock_id",)) for row in found]
    return document


def _row(row: Base, numbers: dict[str, dict[int, int]], left_out: tuple[str, ...]) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for column in columns_of(type(row)):
        if column.name in left_out:
            continue
        value = getattr(row, column.name)
        target = target_of(column)
        if isinstance(row, ChangeRecord) and column.name == "row_id":
            target = row.table_name
        if value is not None and target:
            value = numbers[target][value]
        kept[column.name] = value.isoformat() if isinstance(value, datetime) else value
    return kept


def write_history(document: dict[str, Any], path: str | Path, *, overwrite: bool = False) -> Path:
    """Write a history: a JSON file where the path ends in ``.json``, else a folder with one CSV per table.

    Nothing appears under ``path`` until everything is written.

    Parameters
    ----------
    document : dict
        As `take_history` gives it.
    path : str or Path
    overwrite : bool
        Replace a file, or the folder of an earlier export, that is there.

    Raises
    ------
    InputError
        There is something at ``path`` that may not be replaced.
    BenchLogError
        Writing to the disk failed.
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise InputError(f"{path} exists already and is not replaced; give another path or add --overwrite")
    as_file = path.suffix.lower() == ".json"
    if path.exists() and (path.is_dir() == as_file or (path.is_dir() and not _is_export(path))):
        raise InputError(f"{path} is not what clock export wrote and is not replaced; give another path")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path, private=as_file) as part:
            if as_file:
                part.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
            else:
                part.mkdir(mode=0o700)
                _write_csv(document, part)
                if path.is_dir():
                    shutil.rmtree(path)
    except OSError as error:
        raise BenchLogError(
            f"the history was not written to {path}: {error.strerror or error}. "
            "Give another path, or make room."
        ) from error
    return path


def _is_export(folder: Path) -> bool:
    """Whether a folder holds the tables of an export and nothing else."""
    tables = {VERSION_TABLE, "clocks", *(table.__tablename__ for table in HISTORY)}
    names = {one.name for one in folder.iterdir()}
    return f"{VERSION_TABLE}.csv" in names and names <= {f"{table}.csv" for table in tables}


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
        found = json.loads(path.read_text(encoding="utf-8"), parse_int=whole_number)
    except OSError as error:
        raise InputError(
            f"{path} cannot be read: {error.strerror or error}; give the path of an export"
        ) from error
    except RecursionError as error:
        raise InputError(
            f"{path} is not a clock's history: it is nested beyond reading; give what clock export wrote"
        ) from error
    except (ValueError, KeyError, IndexError, csv.Error) as error:
        raise InputError(
            f"{path} is not a clock's history ({error}); give what clock export wrote"
        ) from error
    check_shape(found)
    return dict(found)


def _write_csv(document: dict[str, Any], folder: Path) -> None:
    about = {"version_num": document["log_schema"], "torsionbeat": document["torsionbeat"]}
    _write_table(folder / f"{VERSION_TABLE}.csv", list(about), [about])
    names = [column.name for column in columns_of(ClockRecord) if column.name not in ("id", "name_key")]
    _write_table(folder / "clocks.csv", names, [document["clock"]])
    for table in HISTORY:
        names = [column.name for column in columns_of(table) if column.name != "clock_id"]
        _write_table(folder / f"{table.__tablename__}.csv", names, document[table.__tablename__])


def _write_table(path: Path, names: list[str], rows: list[dict[str, Any]]) -> None:
    with _private(path) as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows([_cell(row[name]) for name in names] for row in rows)


def _private(path: Path) -> TextIO:
    """Open a file that only its owner may read: a history says where a client's clock is."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    return open(handle, "w", newline="", encoding="utf-8")


FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
"""Characters that begin a formula in a spreadsheet, and the mark ' that prevents it (OWASP, CSV injection)."""


def _cell(value: Any) -> Any:
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, str) and value.startswith(FORMULA):
        return f"'{value}"
    return repr(value) if isinstance(value, float) else value


def _read_csv(folder: Path) -> dict[str, Any]:
    with _large_cells():
        about = _read_table(folder / f"{VERSION_TABLE}.csv", None)[0]
        document: dict[str, Any] = {"log_schema": about["version_num"], "torsionbeat": about["torsionbeat"]}
        check_shape(document | {"clock": {}} | {table.__tablename__: [] for table in HISTORY})
        marked = document["log_schema"] >= MARKED_SINCE
        document["clock"] = _read_table(folder / "clocks.csv", ClockRecord, marked)[0]
        for table in HISTORY:
            path = folder / f"{table.__tablename__}.csv"
            if path.exists() or document["log_schema"] >= SINCE.get(table.__tablename__, ""):
                document[table.__tablename__] = _read_table(path, table, marked)
    return document


@contextmanager
def _large_cells() -> Iterator[None]:
    before = csv.field_size_limit(_LARGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


MARKED_SINCE = "0003"
"""Log schema whose CSV cells carry the mark."""


def _read_table(path: Path, table: type[Base] | None, marked: bool = False) -> list[dict[str, Any]]:
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file, strict=True))
    if table is None:
        return rows
    columns = {column.name: column for column in columns_of(table)}
    return [{name: _from_cell(columns[name], cell, marked) for name, cell in row.items()} for row in rows]


def _from_cell(column: Column[Any], cell: str | None, marked: bool) -> Any:
    if cell is None:
        raise ValueError(f"a row is cut short at {column.name}")
    if not cell and column.nullable:
        return None
    if isinstance(column.type, JSON):
        return json.loads(cell, parse_int=whole_number)
    if isinstance(column.type, Integer):
        return whole_number(cell)
    if isinstance(column.type, Double):
        return float(cell)
    return cell.removeprefix("'") if marked else cell
