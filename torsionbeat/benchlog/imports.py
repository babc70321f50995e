"""A history from elsewhere: all of it is checked before anything is kept, then written in one short transaction.

Input: a document as ``torsionbeat.benchlog.exchange`` reads it. Every value must have its column's kind and lie in its
range, as for everything that is kept here. Every reference must have its row. A reading's columns must agree with its
document. A fault is reported with its place, and then nothing is imported.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column, Dialect, Double, Integer, String, Table, Text, func, select, text
from sqlalchemy.orm import Session

from torsionbeat.benchlog.corrections import stated_by_hand
from torsionbeat.benchlog.entries import check_clock, clean_text, fault_of, plain, reading_columns
from torsionbeat.benchlog.ranges import EARLIEST, LATEST
from torsionbeat.benchlog.standing import MOVED
from torsionbeat.benchlog.tables import (
    HISTORY,
    SCHEMA,
    SCHEMAS,
    Base,
    ClockRecord,
    History,
    Moment,
    ReadingRecord,
)
from torsionbeat.errors import InputError

__all__ = [
    "SINCE",
    "CheckedHistory",
    "check_shape",
    "checked_history",
    "clock_name",
    "columns_of",
    "put_history",
    "ready_history",
    "target_of",
]

SINCE = {"changes": "0003"}
"""Tables that older histories lack, and the schema that introduced them."""

NOT_TAKEN = ("id", "clock_id", "name_key")
"""Columns that the import fills itself."""


@dataclass(frozen=True, slots=True)
class CheckedHistory:
    """A valid history: the clock's values, and each table's rows with numbers for references."""

    clock: dict[str, Any]
    rows: dict[str, list[dict[str, Any]]]


def columns_of(table: type[Base]) -> list[Column[Any]]:
    """Give a table's columns."""
    found = table.__table__
    assert isinstance(found, Table)
    return list(found.columns)


def target_of(column: Column[Any]) -> str | None:
    """Name the table whose rows a column numbers: its own for ``id``, another's for a reference."""
    if column.primary_key:
        return None if column.table.name == "clocks" else column.table.name
    return next((key.column.table.name for key in column.foreign_keys), None)


def clock_name(document: dict[str, Any]) -> str:
    """Give the name of the clock whose history a document holds."""
    check_shape(document)
    return str(document["clock"].get("name", ""))


def check_shape(document: Any) -> None:
    """Check that a document is a clock's history of a schema known here, with all its tables.

    Raises
    ------
    InputError
        It is something else, or was written by a newer torsionbeat.
    """
    tables = [table.__tablename__ for table in HISTORY]
    if not isinstance(document, dict) or not {"log_schema", "clock"} <= document.keys():
        raise InputError("this is not a clock's history; give a file that torsionbeat clock export wrote")
    if not isinstance(document["clock"], dict):
        raise InputError("this history says nothing of its clock; export the clock again")
    schema = document["log_schema"]
    if schema not in SCHEMAS or document.keys() - {"log_schema", "torsionbeat", "clock", *tables}:
        raise InputError(
            f"this history was written by torsionbeat {document.get('torsionbeat')} with log schema "
            f"{schema!r}; this one reads up to {SCHEMA!r}, so update torsionbeat"
        )
    for table in tables:
        if table not in document and schema < SINCE.get(table, ""):
            continue
        if not isinstance(document.get(table), list):
            raise InputError(
                f"this history has no list of {table}; part of it is missing: export the clock again"
            )


def checked_history(document: dict[str, Any], name: str) -> CheckedHistory:
    """Check all of a history.

    Parameters
    ----------
    document : dict
    name : str
        The clock's name here.

    Raises
    ------
    InputError
        A fault in the history; the message says what and where.
    """
    check_shape(document)
    clock = _values(ClockRecord, document["clock"], {}, "clock") | {"name": name}
    works = len(document.get("works") or [])
    if document["log_schema"] < "0003":
        clock["stated"] = stated_by_hand(
            {}, {key: clock[key] for key in MOVED if clock[key] is not None}, works
        )
    record = ClockRecord(**clock)
    _refuse(fault_of(record), "clock")
    check_clock(record)
    rows: dict[str, list[dict[str, Any]]] = {}
    numbers: dict[str, set[int]] = {}
    for table in HISTORY:
        title = table.__tablename__
        numbers[title] = set()
        rows[title] = []
        for place, given in enumerate(document.get(title, []), 1):
            where = f"{title}, row {place}"
            number = given.get("id") if isinstance(given, dict) else None
            if number is None or not _is_whole(number) or number in numbers[title]:
                raise InputError(
                    f"the history's {where}, has no number (id) of its own; export the clock again"
                )
            rows[title].append(_row(table, given, numbers, where))
            numbers[title].add(number)
    return CheckedHistory(clock, rows)


@dataclass(frozen=True, slots=True)
class ReadyRows:
    """Rows of one table in the form of the database's driver, still without their numbers in this log.

    ``statement`` has a placeholder for each of ``names``. ``references`` says which places of a row hold row numbers
    of the history, and of which table. ``rows`` are lists in the order of ``names``.
    """

    statement: str
    names: tuple[str, ...]
    references: dict[int, str | None]
    rows: list[list[Any]]


def ready_history(history: CheckedHistory, dialect: Dialect) -> dict[str, ReadyRows]:
    """Prepare the rows of a checked history for a database, by table title. Nothing is locked yet."""
    return {
        table.__tablename__: _ready_rows(table, history.rows[table.__tablename__], dialect)
        for table in HISTORY
    }


def _ready_rows(table: type[History], rows: list[dict[str, Any]], dialect: Dialect) -> ReadyRows:
    columns = columns_of(table)
    on_server = dialect.name == "postgresql"
    mark = "%s" if on_server else "?"
    quote = dialect.identifier_preparer.quote
    marks = [f"CAST({mark} AS JSON)" if on_server and isinstance(one.type, JSON) else mark for one in columns]
    into = ", ".join(quote(one.name) for one in columns)
    statement = f"INSERT INTO {quote(table.__tablename__)} ({into}) VALUES ({', '.join(marks)})"
    references = {
        place: target_of(one)
        for place, one in enumerate(columns)
        if target_of(one) or one.name in ("clock_id", "row_id")
    }
    kinds = [
        # the row's JSON was made by the check
        None if isinstance(one.type, JSON) else one.type.dialect_impl(dialect).bind_processor(dialect)
        for one in columns
    ]
    made = [
        [
            value if kind is None or value is None else kind(value)
            for kind, value in zip(kinds, (row.get(one.name) for one in columns), strict=True)
        ]
        for row in rows
    ]
    return ReadyRows(statement, tuple(one.name for one in columns), references, made)


def put_history(session: Session, history: CheckedHistory, ready: dict[str, ReadyRows]) -> ClockRecord:
    """Write a checked history to the log, under a name that is free there.

    Parameters
    ----------
    session : Session
    history : CheckedHistory
    ready : dict
        The same as `ready_history` makes it for this database.
    """
    clock = ClockRecord(**history.clock)
    session.add(clock)
    session.flush()
    new: dict[str, dict[int, int]] = {}
    for table in HISTORY:
        title, mine = table.__tablename__, ready[table.__tablename__]
        own = mine.names.index("id")
        new[title] = dict(
            zip([row[own] for row in mine.rows], _numbers(session, table, len(mine.rows)), strict=True)
        )
        kept = [_here(row, mine, new, clock.id) for row in mine.rows]
        if kept:
            session.connection().exec_driver_sql(mine.statement, kept)
    return clock


def _here(row: list[Any], ready: ReadyRows, new: dict[str, dict[int, int]], clock_id: int) -> tuple[Any, ...]:
    """Give a row with its own number in this log and those of the rows it refers to."""
    here = list(row)
    for place, target in ready.references.items():
        name, value = ready.names[place], row[place]
        if name == "clock_id":
            here[place] = clock_id
        elif name == "row_id" and value is not None:
            here[place] = new.get(row[ready.names.index("table_name")], {}).get(value)
        elif target and value is not None:
            here[place] = new[target][value]
    return tuple(here)


def _numbers(session: Session, table: type[History], count: int) -> list[int]:
    """Give the numbers of this many new rows in this log. With them known, the rows are written at once."""
    if session.get_bind().dialect.name == "postgresql":
        drawn = text("SELECT nextval(pg_get_serial_sequence(:name, 'id')) FROM generate_series(1, :count)")
        return list(session.scalars(drawn, {"name": table.__tablename__, "count": count}))
    first = (session.scalar(select(func.max(table.id))) or 0) + 1  # no other program writes meanwhile
    return list(range(first, first + count))


def _row(
    table: type[History], given: dict[str, Any], numbers: dict[str, set[int]], where: str
) -> dict[str, Any]:
    told = given
    if table is ReadingRecord:
        told = _with_columns(given, where)
    values = _values(table, told, numbers, where)
    _refuse(fault_of(table(**values)), where)
    made = {
        column.name: json.dumps(values[column.name], allow_nan=False)
        for column in columns_of(table)
        if isinstance(column.type, JSON) and values.get(column.name) is not None
    }
    return values | made | {"id": given["id"]}


def _with_columns(given: dict[str, Any], where: str) -> dict[str, Any]:
    """Take a reading's columns from its document. If the history has other values, it was edited."""
    try:
        document = plain(given.get("document"), "its document")
        found = reading_columns(document)
    except InputError as error:
        raise InputError(f"the history's {where}: {error}") from error
    for name, value in found.items():
        if name in given and given[name] != value:
            raise InputError(
                f"the history's {where}, has {name} {given[name]!r}, but its document says {value!r}; "
                "export the clock again"
            )
    digest = given.get("recording_sha256")
    return {"recording_id": f"sha256:{digest}" if digest else ""} | given | found | {"document": document}


def _values(
    table: type[Base], given: dict[str, Any], numbers: dict[str, set[int]], where: str
) -> dict[str, Any]:
    """Give the values of a row's columns, each in its column's type."""
    columns = {column.name: column for column in columns_of(table) if column.name not in NOT_TAKEN}
    strange = given.keys() - columns.keys() - set(NOT_TAKEN)
    if strange:
        names = ", ".join(sorted(map(str, strange)))
        raise InputError(f"the history's {where}, has {names}, kept nowhere here; update torsionbeat")
    kept: dict[str, Any] = {}
    for name, column in columns.items():
        value = given.get(name)
        if value is None:
            if not column.nullable and (name in given or not _has_default(column)):
                raise InputError(f"the history's {where}, lacks {name}; export the clock again")
            kept[name] = None if column.nullable else _default(column)
            continue
        try:
            kept[name] = _kind(column, value)
            target = target_of(column)
            if target and kept[name] not in numbers[target]:
                raise ValueError(f"there is no row {value} before it")
        except (TypeError, ValueError, OverflowError) as error:
            said = repr(value)[:60]
            raise InputError(
                f"the history's {where}, has {name} {said}, which cannot be read ({error})"
            ) from error
    return kept


def _kind(column: Column[Any], value: Any) -> Any:
    if isinstance(column.type, Moment):
        return _moment(value)
    if isinstance(column.type, Double):
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError("it is not a number")
        return float(value)
    if isinstance(column.type, Integer):
        if not _is_whole(value, lowest=0):
            raise TypeError("it is not a whole number")
        return value
    if isinstance(column.type, JSON):
        held = plain({"it": value}, "it")["it"]
        if not isinstance(held, list if column.name == "sightings" else dict):
            raise TypeError("it is of another kind")
        return held
    if not isinstance(value, str):
        raise TypeError("it is no text")
    clean_text(
        value, "it", longest=column.type.length or 20_000 if isinstance(column.type, String) else 20_000
    )
    return value


def _moment(value: Any) -> datetime:
    moment = datetime.fromisoformat(value)
    if not EARLIEST.year < moment.year < LATEST.year:
        raise ValueError("it must lie between 1800 and 2200")
    return moment.astimezone()


def _is_whole(value: Any, lowest: int = 1) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and lowest <= value < 2**31


def _has_default(column: Column[Any]) -> bool:
    return column.default is not None or column.server_default is not None


def _default(column: Column[Any]) -> Any:
    if column.default is not None and column.default.is_scalar:
        return column.default.arg  # type: ignore[attr-defined]
    return "" if isinstance(column.type, Text | String) else {}


def _refuse(fault: str | None, where: str) -> None:
    if fault is not None:
        raise InputError(f"the history's {where}: {fault}; export the clock again")
