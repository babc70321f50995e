"""Entries of a clock's history: notes, works, readings, trials, hand checks, free swings.

Each method checks its arguments, keeps one row in one transaction, and returns a copy of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from torsionbeat.benchlog.answers import NO_DOCUMENT, Answers
from torsionbeat.benchlog.corrections import entry, retract, settle
from torsionbeat.benchlog.doubles import same_work
from torsionbeat.benchlog.entries import clean_text, plain, reading_columns
from torsionbeat.benchlog.names import find_clock
from torsionbeat.benchlog.tables import (
    WORK_KINDS,
    ClockRecord,
    Entry,
    FreeSwingRecord,
    HandCheckRecord,
    NoteRecord,
    ReadingRecord,
    TrialRecord,
    WorkRecord,
)
from torsionbeat.benchlog.writing import Writer
from torsionbeat.errors import InputError
from torsionbeat.reading.figures import UFloat

__all__ = ["Entries"]

Row = TypeVar("Row", bound=Entry)


class Entries(Answers):
    """Adds entries to a clock's history. A ``clock`` argument is the clock's name."""

    def __init__(self, engine: Engine, where: str) -> None:
        super().__init__(engine, where)
        self._writer = Writer(engine, where)

    def add_note(
        self, clock: str, text: str, *, written_at: datetime | None = None, write_id: str | None = None
    ) -> NoteRecord:
        """Keep a free note.

        Parameters
        ----------
        clock : str
            The clock's name.
        text : str
        written_at : datetime, optional
            Left out: now.
        write_id : str, optional
            Identity of the write: a write sent twice under one identity is kept once.

        Raises
        ------
        InputError
            The note is empty, or there is no such clock.
        """
        kept = clean_text(text, "the note")
        if not kept:
            raise InputError("the note is empty; write what you saw or did")

        def work(session: Session, owner: ClockRecord) -> NoteRecord:
            return NoteRecord(written_at=written_at or _now(), text=kept)

        return self._add(clock, "the note", work, NoteRecord, [kept, written_at], write_id)

    def add_work(
        self,
        clock: str,
        kind: str,
        what: str,
        details: dict[str, Any] | None = None,
        *,
        done_at: datetime | None = None,
        completes_id: int | None = None,
        once: bool = False,
        write_id: str | None = None,
    ) -> WorkRecord:
        """Keep a piece of work; one on regulator or weights moves them in the clock's record.

        Parameters
        ----------
        clock : str
        kind : str
            One of ``WORK_KINDS``.
        what : str
            What was done, in words.
        details : dict or None
            Figures of it, such as ``added_g``, ``moved`` or ``setting``.
        done_at : datetime or None
            Left out: now.
        completes_id : int or None
            The work that this one replaces. It is taken back in the same write.
        once : bool
            If a standing work has the same words, details and moment, return it and keep no other.
        write_id : str or None
            Identity of the write, so that it can be sent again.

        Raises
        ------
        InputError
            No such clock or kind of work, or ``what`` is empty.
        """
        if kind not in WORK_KINDS:
            raise InputError(f"the kind of work is {kind!r}; use one of {', '.join(WORK_KINDS)}")
        kept = clean_text(what, "what was done")
        if not kept:
            raise InputError("what was done is empty; say it in a few words")
        figures = plain(details or {}, "the details of the work")

        def work(session: Session, owner: ClockRecord) -> WorkRecord:
            if once and done_at is not None:  # inside the transaction, so no other can write meanwhile
                rows = select(WorkRecord).where(
                    WorkRecord.clock_id == owner.id, WorkRecord.retracted_at.is_(None)
                )
                same = same_work(list(session.scalars(rows)), kind, kept, figures, done_at)
                if same is not None:
                    return same
            row = WorkRecord(
                clock_id=owner.id, done_at=done_at or _now(), kind=kind, what=kept, details=figures
            )
            session.add(row)
            session.flush()
            if completes_id is not None:
                retract(session, owner, "work", completes_id, f"told anew as work {row.id}")
            settle(session, owner, within_travel=True)
            return row

        content = [kind, kept, figures, done_at, completes_id]
        return self._add(clock, "the work", work, WorkRecord, content, write_id)

    def add_reading(
        self,
        clock: str,
        document: dict[str, Any],
        recording_path: str | Path | None = None,
        sha256: str | None = None,
        *,
        taken_at: datetime | None = None,
        supersedes_id: int | None = None,
        reason: str = "",
        recording_id: str = "",
        dated_by: str = "",
        temperature_c: float | None = None,
        sides: dict[str, Any] | None = None,
        write_id: str | None = None,
    ) -> ReadingRecord:
        """Keep a reading as it was measured. In the same write it overtakes an earlier one of the same recording.

        Parameters
        ----------
        clock : str
            The clock's name.
        document : dict
            What ``torsionbeat analyse --json`` writes (schema 1).
        recording_path, sha256 : str or None
            Where the recording lies and the checksum of its bytes; left out where none was saved.
        taken_at : datetime or None
            When the recording began; left out: the moment kept before, else now.
        supersedes_id, reason : int or None, str
            The reading that this one corrects, and why; the corrected one stays in the log.
        recording_id : str
            Identifies the recording, wherever it lies; left out: from ``sha256``.
        dated_by : str
            Where ``taken_at`` comes from, in a few words.
        temperature_c : float or None
            At the clock, degrees Celsius, if somebody read it.
        sides : dict or None
            Result of finding which side is which in this recording.
        write_id : str or None
            Identity of the write, so that it can be sent again.

        Raises
        ------
        InputError
            No such clock, an invalid digest, or a correction without its reason.
        """
        kept = plain(document, "the reading")
        if sha256 is not None and (len(sha256) != 64 or set(sha256.lower()) - set("0123456789abcdef")):
            raise InputError(f"the recording's sha256 is {sha256!r}; it must be 64 hexadecimal digits")
        path = str(Path(recording_path).absolute()) if recording_path else ""
        digest = (sha256 or "").lower()
        columns = reading_columns(kept) | {
            "recording_path": path.encode("utf-8", "replace").decode("utf-8"),
            "recording_sha256": digest,
            "recording_id": recording_id or (f"sha256:{digest}" if digest else ""),
            "dated_by": dated_by,
            "temperature_c": temperature_c,
            "sides": None if sides is None else plain(sides, "the sides of the reading"),
            "document": kept,
        }
        why = clean_text(reason, "the reason")
        if supersedes_id is not None and not why:
            raise InputError(
                f"the reason for correcting reading {supersedes_id} is empty; say what was wrong with it"
            )

        def work(session: Session, owner: ClockRecord) -> ReadingRecord:
            before = self._before(session, owner, str(columns["recording_id"]), supersedes_id)
            return ReadingRecord(
                taken_at=taken_at or (before.taken_at if before is not None else _now()),
                kept_at=_now(),
                supersedes_id=None if before is None else before.id,
                reason=why or ("the same recording, read again" if before is not None else ""),
                **columns,
            )

        content = [columns["recording_id"], kept, taken_at, supersedes_id]
        return self._add(clock, "the reading", work, ReadingRecord, content, write_id)

    def _before(
        self, session: Session, owner: ClockRecord, recording_id: str, supersedes_id: int | None
    ) -> ReadingRecord | None:
        """Give the reading that a new one overtakes: the one named, else the standing one of the same recording."""
        if supersedes_id is not None:
            found = entry(session, owner, "reading", supersedes_id)
            assert isinstance(found, ReadingRecord)
            return found
        if not recording_id:
            return None
        same = select(ReadingRecord).where(
            ReadingRecord.clock_id == owner.id,
            ReadingRecord.recording_id == recording_id,
            ReadingRecord.retracted_at.is_(None),
        )
        return session.scalars(same.order_by(ReadingRecord.id.desc()).options(NO_DOCUMENT)).first()

    def add_trial(
        self,
        clock: str,
        work_id: int,
        reading_id: int,
        *,
        reading_before_id: int | None = None,
        expected_rate_s_per_day: UFloat = None,
        details: dict[str, Any] | None = None,
    ) -> TrialRecord:
        """Keep a trial: the work done, the reading that followed it, and the rate that was expected.

        Parameters
        ----------
        clock : str
            The clock's name.
        work_id : int
            The work done.
        reading_id : int
            The reading that followed.
        reading_before_id : int, optional
            The reading before it.
        expected_rate_s_per_day : ufloat
            The rate that was expected.
        details : dict, optional
        """
        value, sigma = _pair(expected_rate_s_per_day)
        kept = plain(details or {}, "the details of the trial")

        def work(session: Session, owner: ClockRecord) -> TrialRecord:
            for kind, number in (("work", work_id), ("reading", reading_id), ("reading", reading_before_id)):
                if number is not None:
                    entry(session, owner, kind, number)
            return TrialRecord(
                work_id=work_id,
                reading_id=reading_id,
                reading_before_id=reading_before_id,
                expected_rate_s_per_day=value,
                u_expected_rate_s_per_day=sigma,
                details=kept,
            )

        return self._add(clock, "the trial", work, TrialRecord, [work_id, reading_id, value], None)

    def add_handcheck(
        self,
        clock: str,
        rate_s_per_day: UFloat,
        span_h: float,
        sightings: Sequence[dict[str, Any]],
        *,
        remarks: Sequence[str] = (),
        checked_at: datetime | None = None,
        write_id: str | None = None,
    ) -> HandCheckRecord:
        """Keep a hand check: its rate (an uncertain number), the hours it spans and its sightings.

        Parameters
        ----------
        clock : str
            The clock's name.
        rate_s_per_day : ufloat
        span_h : float
            Hours from the first sighting to the last.
        sightings : sequence of dict
        remarks : sequence of str
        checked_at : datetime, optional
            Left out: now.
        write_id : str, optional
            Identity of the write: a write sent twice under one identity is kept once.
        """
        value, sigma = _pair(rate_s_per_day)
        seen = plain({"sightings": list(sightings)}, "the sightings")["sightings"]

        def work(session: Session, owner: ClockRecord) -> HandCheckRecord:
            return HandCheckRecord(
                checked_at=checked_at or _now(),
                rate_s_per_day=value,
                u_rate_s_per_day=sigma,
                span_h=float(span_h),
                sightings=seen,
                remarks="\n".join(clean_text(remark, "a remark") for remark in remarks),
            )

        content = [value, sigma, seen, checked_at]
        return self._add(clock, "the hand check", work, HandCheckRecord, content, write_id)

    def add_freeswing(
        self,
        clock: str,
        document: dict[str, Any],
        *,
        law: str = "",
        q: UFloat = None,
        settling_time_s: float | None = None,
        done_at: datetime | None = None,
        write_id: str | None = None,
    ) -> FreeSwingRecord:
        """Keep a free swing: the result as a document, the law that holds, Q and the settling time.

        Parameters
        ----------
        clock : str
            The clock's name.
        document : dict
            The whole result.
        law : str
            The law that holds.
        q : ufloat
        settling_time_s : float, optional
        done_at : datetime, optional
            Left out: now.
        write_id : str, optional
            Identity of the write: a write sent twice under one identity is kept once.
        """
        value, sigma = _pair(q)
        kept = plain(document, "the free swing")

        def work(session: Session, owner: ClockRecord) -> FreeSwingRecord:
            return FreeSwingRecord(
                done_at=done_at or _now(),
                law=clean_text(law, "the law"),
                q=value,
                u_q=sigma,
                settling_time_s=settling_time_s,
                document=kept,
            )

        return self._add(clock, "the free swing", work, FreeSwingRecord, [kept, law, done_at], write_id)

    def _add(
        self,
        clock: str,
        what: str,
        make: Callable[[Session, ClockRecord], Row],
        table: type[Row],
        content: list[Any],
        write_id: str | None,
    ) -> Row:
        def work(session: Session) -> Row:
            owner = find_clock(session, clock, self.where, writing=True)
            row = make(session, owner)
            row.clock_id = owner.id
            session.add(row)
            return row

        return self._writer.write(what, work, table, content=[clock, *content], write_id=write_id)


def _now() -> datetime:
    return datetime.now(UTC)


def _pair(figure: UFloat) -> tuple[Any, Any]:
    if figure is None:
        return None, None
    value, sigma = float(figure.nominal_value), float(figure.std_dev)
    if not (math.isfinite(value) and math.isfinite(sigma)):
        raise InputError(
            f"the figure is {value:g} with standard uncertainty {sigma:g}; only measured numbers are kept"
        )
    return value, sigma
