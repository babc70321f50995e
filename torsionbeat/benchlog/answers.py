"""Queries of the bench log. Each returns copies of rows.

A row stands when it was neither taken back nor corrected by a later one. Rows that were taken back are left out unless
requested. An invalid row (a negative uncertainty, an unknown kind, written by another program or by a fault) is left out
too, and reported; the other rows stay readable.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from sqlalchemy import Engine, Select, select
from sqlalchemy.orm import Session, defer
from sqlalchemy.orm.interfaces import ORMOption

from torsionbeat.benchlog.corrections import ENTRY_KINDS, entry, kind_of
from torsionbeat.benchlog.entries import fault_of
from torsionbeat.benchlog.names import find_clock
from torsionbeat.benchlog.standing import overtaken
from torsionbeat.benchlog.store import faults
from torsionbeat.benchlog.tables import (
    ChangeRecord,
    ClockRecord,
    Entry,
    FreeSwingRecord,
    HandCheckRecord,
    NoteRecord,
    ReadingRecord,
    TrialRecord,
    WorkRecord,
)
from torsionbeat.errors import BenchLogError
from torsionbeat.sound.remarks import Remark

__all__ = ["NO_DOCUMENT", "Answers"]

Row = TypeVar("Row", bound=Entry)

NO_DOCUMENT = defer(ReadingRecord.document, raiseload=True)
"""Leaves a reading's document in the database: a night's has about a hundred thousand characters."""


ROWS_AT_A_TIME = 500
"""Numbers in one query: fewer than the oldest SQLite accepts as parameters (999)."""


class Answers:
    """Queries of an open bench log. A ``clock`` argument is the clock's name."""

    def __init__(self, engine: Engine, where: str) -> None:
        self._engine = engine
        self.where = where
        """The log's path, or its URL with the secrets hidden."""
        self.left_out: list[Remark] = []
        """A remark on each invalid row that was left out so far."""

    @contextmanager
    def reading_from(self) -> Iterator[Session]:
        """Give a session that reads the log as it was at one moment."""
        with (
            faults(
                f"the bench log {self.where} cannot be read", "Restore it from a backup, or pass --log PATH."
            ),
            Session(self._engine, expire_on_commit=False) as session,
        ):
            yield session

    def clock(self, name: str) -> ClockRecord:
        """Give the record of a clock."""
        with self.reading_from() as session:
            return find_clock(session, name, self.where)

    def clocks(self, *, retracted: bool = False) -> list[ClockRecord]:
        """Give all clocks in order of their names; ``retracted`` adds those that were taken back."""
        with self.reading_from() as session:
            found = self._sound(session, select(ClockRecord).order_by(ClockRecord.id))
        standing = [record for record in found if retracted or record.retracted_at is None]
        return sorted(standing, key=lambda record: (record.name.casefold(), record.name))

    def works(self, clock: str, *, retracted: bool = False) -> list[WorkRecord]:
        """Give the works done on a clock, in order of time; ``retracted`` adds those that were taken back."""
        return sorted(self._standing(clock, WorkRecord, retracted), key=lambda row: (row.done_at, row.id))

    def readings(
        self, clock: str, *, superseded: bool = False, retracted: bool = False, documents: bool = True
    ) -> list[ReadingRecord]:
        """Give the readings of a clock that stand, in order of time.

        ``superseded`` adds those that were corrected since, ``retracted`` those that were taken back.
        ``documents=False`` leaves the documents, which can be long, in the database. Reading the document of such
        a row then fails.

        Parameters
        ----------
        clock : str
            The clock's name.
        superseded : bool
            Add those that were corrected since.
        retracted : bool
            Add those that were taken back.
        documents : bool
            False leaves the documents in the database.
        """
        options = () if documents else (NO_DOCUMENT,)
        rows = self._all(clock, ReadingRecord, *options)
        gone = overtaken(rows)
        wanted = [
            row
            for row in rows
            if (retracted or row.retracted_at is None) and (superseded or row.id not in gone)
        ]
        return sorted(wanted, key=lambda row: (row.taken_at, row.id))

    def last_readings(self) -> dict[int, tuple[int, ReadingRecord]] | None:
        """Count the readings of each clock that stand, and give the last without its document; the key is the clock's number.

        One query for all clocks: one for each takes seconds in a workshop with hundreds. None where one of the rows is
        invalid: only a query for each clock then finds which.
        """
        try:
            with self.reading_from() as session:
                found = _last_standing(session)
        except BenchLogError:
            return None
        return None if any(fault_of(row) for _, row in found.values()) else found

    def reading_document(self, clock: str, number: int) -> dict[str, Any]:
        """Give the document of one reading of a clock.

        Raises
        ------
        InputError
            The clock has no such reading.
        """
        with self.reading_from() as session:
            owner = find_clock(session, clock, self.where, retracted=True)
            found = entry(session, owner, "reading", number)
            assert isinstance(found, ReadingRecord)
            return found.document

    def trials(self, clock: str) -> list[TrialRecord]:
        """Give the trials of a clock whose work and readings stand, in the order in which they were kept."""
        works = {row.id for row in self.works(clock)}
        readings = {row.id for row in self.readings(clock, superseded=True, documents=False)} | {None}
        return [
            row
            for row in self._standing(clock, TrialRecord, False)
            if row.work_id in works and {row.reading_id, row.reading_before_id} <= readings
        ]

    def handchecks(self, clock: str, *, retracted: bool = False) -> list[HandCheckRecord]:
        """Give the hand checks of a clock, in order of time; ``retracted`` adds those that were taken back."""
        rows = self._standing(clock, HandCheckRecord, retracted)
        return sorted(rows, key=lambda row: (row.checked_at, row.id))

    def freeswings(self, clock: str, *, retracted: bool = False) -> list[FreeSwingRecord]:
        """Give the free swings of a clock, in order of time; ``retracted`` adds those that were taken back."""
        rows = self._standing(clock, FreeSwingRecord, retracted)
        return sorted(rows, key=lambda row: (row.done_at, row.id))

    def notes(self, clock: str, *, retracted: bool = False) -> list[NoteRecord]:
        """Give the notes on a clock, in order of time; ``retracted`` adds those that were taken back."""
        return sorted(self._standing(clock, NoteRecord, retracted), key=lambda row: (row.written_at, row.id))

    def changes(self, clock: str) -> list[ChangeRecord]:
        """Give a clock's audit trail in order of time: what was taken back, restored or corrected."""
        with self.reading_from() as session:
            owner = find_clock(session, clock, self.where, retracted=True).id
            return list(
                session.scalars(
                    select(ChangeRecord).where(ChangeRecord.clock_id == owner).order_by(ChangeRecord.id)
                )
            )

    def _standing(self, clock: str, table: type[Row], retracted: bool) -> list[Row]:
        rows = self._all(clock, table)
        return [row for row in rows if retracted or row.retracted_at is None]

    def _all(self, clock: str, table: type[Row], *options: ORMOption) -> list[Row]:
        with self.reading_from() as session:
            owner = find_clock(session, clock, self.where, retracted=True).id
            wanted = select(table).where(table.clock_id == owner).order_by(table.id).options(*options)
            return self._sound(session, wanted, clock)

    def _sound(self, session: Session, wanted: Select[Any], clock: str = "") -> list[Any]:
        """Give the valid rows; ``left_out`` says what is wrong with each of the others.

        An invalid row that was taken back is not reported: no computation misses it.
        """
        table = wanted.column_descriptions[0]["entity"]
        kept = []
        for what, number, row in self._readable(session, wanted, clock):
            fault = "it cannot be read" if row is None else fault_of(row)
            if fault is None:
                kept.append(row)
                continue
            if _taken_back(session, table, number):
                continue
            said = f"{what} of {clock!r}" if clock else what
            remark = Remark("row-left-out", f"Left out, since it cannot be: {said}: {fault}.")
            if remark not in self.left_out:
                self.left_out.append(remark)
        return kept

    def _readable(self, session: Session, wanted: Select[Any], clock: str) -> Iterator[tuple[str, int, Any]]:
        """Give each row with its title and number; None in place of a row with a column that cannot be read."""
        table = wanted.column_descriptions[0]["entity"]
        try:
            rows = list(session.scalars(wanted))
        except (ValueError, TypeError):
            rows = [
                _one(session, wanted, table, number) for number in session.scalars(_numbers(wanted, table))
            ]
        for row in rows:
            if isinstance(row, int):
                yield f"{'' if clock else 'the clock '}{_kinds(table)}{row}", row, None
            elif isinstance(row, ClockRecord):
                yield f"the clock {row.name!r}", row.id, row
            else:
                yield f"{kind_of(row)} {row.id}", row.id, row


def _taken_back(session: Session, table: Any, number: int) -> bool:
    """Whether a row was taken back, even if its other columns cannot be read."""
    asked = select(table.id).where(table.id == number, table.retracted_at.is_not(None))
    return session.scalar(asked) is not None


def _numbers(wanted: Select[Any], table: Any) -> Select[Any]:
    return wanted.options().with_only_columns(table.id)


def _one(session: Session, wanted: Select[Any], table: Any, number: int) -> Any:
    """Give one row, or its number where it cannot be read."""
    try:
        return session.scalars(wanted.where(table.id == number)).one()
    except (ValueError, TypeError):
        return number


def _kinds(table: Any) -> str:
    return next((f"{kind} " for kind, one in ENTRY_KINDS.items() if one is table), "")


def _last_standing(session: Session) -> dict[int, tuple[int, ReadingRecord]]:
    """Count the standing readings of each clock and fetch the last: first the columns that decide, then the rows."""
    columns = ("id", "clock_id", "supersedes_id", "retracted_at", "recording_id", "taken_at")
    rows: dict[int, list[Any]] = {}
    for row in session.execute(select(*(getattr(ReadingRecord, name) for name in columns))):
        rows.setdefault(row.clock_id, []).append(row)
    counts: dict[int, int] = {}
    numbers: list[int] = []
    for clock_id, mine in rows.items():
        gone = overtaken(mine)
        standing = [row for row in mine if row.retracted_at is None and row.id not in gone]
        if standing:
            counts[clock_id] = len(standing)
            numbers.append(max(standing, key=lambda row: (row.taken_at, row.id)).id)
    found: dict[int, tuple[int, ReadingRecord]] = {}
    for start in range(0, len(numbers), ROWS_AT_A_TIME):
        part = ReadingRecord.id.in_(numbers[start : start + ROWS_AT_A_TIME])
        for last in session.scalars(select(ReadingRecord).where(part).options(NO_DOCUMENT)):
            found[last.clock_id] = counts[last.clock_id], last
    return found
