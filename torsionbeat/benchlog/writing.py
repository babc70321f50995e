"""Writing once: every write carries an identity, so that it can be sent again without being kept twice.

A server can fail between the commit of a write and its confirmation. The write is then sent again under the same
identity, which the log accepts only once. If the server stays away, the user is warned that the outcome is unknown,
and ``torsionbeat.benchlog.doubt`` remembers the identity for a repeat of the same command.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, TypeVar
from uuid import uuid4

from sqlalchemy import Engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError, SQLAlchemyError
from sqlalchemy.orm import Session

from torsionbeat.benchlog.doubt import DoubtBook, fingerprint
from torsionbeat.benchlog.entries import check_row
from torsionbeat.benchlog.store import cause
from torsionbeat.benchlog.tables import ChangeRecord, ClockRecord, History, WriteRecord
from torsionbeat.errors import BenchLogError, InputError

__all__ = ["Writer"]

Row = TypeVar("Row", bound=ClockRecord | History)

WAITS_S = (0.0, 0.5, 2.0)
"""Pause before each try (s): a server that restarts is back within seconds; a restorer need not wait longer."""

LOST = ("08", "57P")
"""SQLSTATE classes of a connection that broke or was ended by the server (PostgreSQL manual, appendix A)."""


class _LostError(Exception):
    """The connection broke; ``at_commit``: after the server was asked to commit."""

    def __init__(self, words: str, at_commit: bool) -> None:
        super().__init__(words)
        self.at_commit = at_commit


class Writer:
    """Writes rows to the log at ``where``."""

    def __init__(self, engine: Engine, where: str) -> None:
        self._engine = engine.execution_options(writing=True)
        self._where = where

    def write(
        self,
        what: str,
        work: Callable[[Session], Row],
        table: type[Row],
        *,
        content: Any = None,
        write_id: str | None = None,
    ) -> Row:
        """Run ``work`` in one transaction: it is kept completely or not at all, and only once.

        Parameters
        ----------
        what : str
            What is kept, for messages.
        work : callable
            Called with a session, possibly more than once; returns the row that is written.
        table : type
            Of that row.
        content : object of JSON's kinds
            What the write says, without its moment: it identifies a write in doubt.
        write_id : str or None
            The identity of the write; left out: a new one.

        Raises
        ------
        InputError
            A row is invalid, or a clock's name is taken.
        BenchLogError
            It was not kept, or it is not known whether it was.
        """
        book, mark = DoubtBook(), fingerprint(self._where, table.__tablename__, content)
        known = None if write_id is not None else book.find(mark)
        identity = write_id or known or str(uuid4())
        lost, in_doubt = "", False
        for wait_s in WAITS_S:
            time.sleep(wait_s)
            try:
                row = self._once(what, work, table, identity)
            except _LostError as error:
                lost, in_doubt = str(error), in_doubt or error.at_commit
                continue
            if known is not None:
                book.forget(mark)
            return row
        if not in_doubt:
            raise BenchLogError(
                f"{what} was not kept in the bench log {self._where}: {lost}. Is the server running? "
                "Then try again."
            )
        if write_id is None:
            book.remember(mark, identity)
        raise BenchLogError(
            f"it is not known whether {what} was kept in the bench log {self._where}: the connection broke "
            f"while it was being kept ({lost}). Give the same command again; it will not be kept twice."
        )

    def _once(self, what: str, work: Callable[[Session], Row], table: type[Row], identity: str) -> Row:
        at_commit = False
        try:
            with Session(self._engine, expire_on_commit=False) as session:
                event.listen(session, "before_flush", _check)
                claim = session.get(WriteRecord, identity)
                if claim is not None:
                    kept = session.get(table, claim.row_id)
                    if kept is None:
                        raise InputError(f"the identity {identity!r} belongs to another write; leave it out")
                    return kept
                claim = WriteRecord(id=identity, made_at=datetime.now(UTC))
                session.add(claim)
                session.flush()
                row = work(session)
                session.flush()
                claim.row_id = row.id
                session.flush()
                at_commit = True
                session.commit()
                return row
        except (SQLAlchemyError, sqlite3.Error, OSError, ValueError) as error:
            raise self._said(error, what, at_commit) from error

    def _said(self, error: Exception, what: str, at_commit: bool) -> Exception:
        """Give the exception to raise in place of a database's own error."""
        if isinstance(error, InputError):
            return error
        words = cause(error)
        if _is_lost(error) or (isinstance(error, IntegrityError) and "pk_writes" in words):
            return _LostError(words, at_commit)  # or the same write was sent twice: look again
        if isinstance(error, IntegrityError) and "name" in words:
            return InputError("a clock of that name was added a moment ago; choose another name")
        return BenchLogError(
            f"{what} was not kept in the bench log {self._where}: {words}. "
            "Set that right and try again, or pass --log PATH for another log."
        )


def _is_lost(error: Exception) -> bool:
    if not isinstance(error, DBAPIError) or isinstance(error.orig, sqlite3.Error):
        return False
    state = getattr(error.orig, "sqlstate", None)
    return error.connection_invalidated or (
        type(error.orig).__name__ in ("OperationalError", "AdminShutdown") and state is None
    ) or str(state).startswith(LOST)  # fmt: skip


def _check(session: Session, *_: Any) -> None:
    """Refuse rows that could not be read back; an invalid row may still be taken back."""
    for row in (*session.new, *session.dirty):
        taken_back = row not in session.new and getattr(row, "retracted_at", None) is not None
        if not isinstance(row, WriteRecord | ChangeRecord) and not taken_back:
            check_row(row)
