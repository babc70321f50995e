"""Keeping: each entry in a clock's log, and each correction of one, as one typed call.

Input: the clock's name and the event, in degrees, grams, seconds and moments. Output: the kept entry, as frozen values.
``log`` is the bench log (a path or URL; None is the default log).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from torsionbeat.benchlog import BenchLog, open_log
from torsionbeat.benchlog.doubles import doubles_of, lacks_amount
from torsionbeat.benchlog.tables import ClockRecord, Entry, WorkRecord
from torsionbeat.errors import InputError
from torsionbeat.jobs.clock_history import ClockFacts, Happened, facts_of, happened_of
from torsionbeat.sound.remarks import Remark

__all__ = [
    "AmendRequest",
    "ClockKept",
    "ClockRequest",
    "EntryKept",
    "EntryName",
    "HandCheckRequest",
    "NoteRequest",
    "TurnRequest",
    "WorkRequest",
    "add_clock",
    "amend_entry",
    "change_clock",
    "import_clock",
    "keep_hand_check",
    "keep_note",
    "keep_work",
    "restore_entry",
    "undo_entry",
]


@dataclass(frozen=True, slots=True)
class EntryName:
    """Identifies an entry of a clock: its kind (note, work, reading, hand check, free swing) and its number.

    ``kind`` "clock" is the clock itself, without a number.
    """

    kind: str
    number: int = 0


@dataclass(frozen=True, slots=True)
class ClockRequest:
    """A clock to add, or to change: ``fields`` by the names of ``torsionbeat.benchlog.ranges.CLOCK_FIELDS``.

    A new name is given by ``name`` among the fields; None empties a field.
    """

    clock: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    log: str | None = None


@dataclass(frozen=True, slots=True)
class NoteRequest:
    """A free note. ``at``: default now. ``write_id``: a note sent again with the same identifier is kept once."""

    clock: str
    text: str
    at: datetime | None = None
    log: str | None = None
    write_id: str | None = None


@dataclass(frozen=True, slots=True)
class WorkRequest:
    """A work: ``kind`` from ``WORK_KINDS``, ``what`` in words.

    ``details`` are its figures: ``added_g`` (all weights together, negative: taken off), ``doubt_g``; ``moved`` and
    ``setting`` of the regulator in its units. ``at``: default now, or the time of the work that it replaces.
    """

    clock: str
    kind: str
    what: str
    details: Mapping[str, Any] = field(default_factory=dict)
    at: datetime | None = None
    log: str | None = None
    write_id: str | None = None


@dataclass(frozen=True, slots=True)
class HandCheckRequest:
    """A hand check: rate (s/day, an uncertain number), span in hours, sightings as JSON types."""

    clock: str
    rate_s_per_day: Any
    span_h: float
    sightings: tuple[Mapping[str, Any], ...]
    remarks: tuple[str, ...] = ()
    at: datetime | None = None
    log: str | None = None
    write_id: str | None = None


@dataclass(frozen=True, slots=True)
class TurnRequest:
    """An entry to retract or to restore, and why."""

    clock: str
    entry: EntryName
    reason: str = ""
    log: str | None = None


@dataclass(frozen=True, slots=True)
class AmendRequest:
    """An entry to correct: new values by the names in ``torsionbeat.benchlog.corrections.AMENDABLE``.

    ``details`` are merged into the existing ones; None removes one.
    """

    clock: str
    entry: EntryName
    changes: Mapping[str, Any]
    reason: str = ""
    log: str | None = None


@dataclass(frozen=True, slots=True)
class ClockKept:
    """A clock as kept in the log ``where``; ``remarks`` are for the user."""

    clock: ClockFacts
    where: str
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True)
class EntryKept:
    """An entry as kept in the log ``where``, and its clock's record afterwards.

    ``again`` is true if it was kept before; it is not kept twice.
    """

    entry: Happened
    clock: ClockFacts
    where: str
    remarks: tuple[Remark, ...] = ()
    again: bool = False


def add_clock(request: ClockRequest, *, progress: Any = None, cancel: Any = None) -> ClockKept:
    """Add a clock to the log; create the log if there is none.

    Parameters
    ----------
    request : ClockRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        The name is taken, or a field is out of range.
    BenchLogError
        The log failed.
    """
    from torsionbeat.regulation.beatsetting import AIR_DRIVEN_LIMITS

    fields, remarks = dict(request.fields), []
    if fields.get("kind") == "air-driven" and not fields.keys() & AIR_DRIVEN_LIMITS.keys():
        fields |= AIR_DRIVEN_LIMITS
        remarks.append(
            Remark(
                "limits-assumed",
                "The arc limits are those common for air-driven clocks (360 to 540 deg, knocking above 600); "
                "set this clock's own with clock change.",
            )
        )
    with open_log(request.log) as log:
        record = log.add_clock(request.clock, **fields)
        return ClockKept(facts_of(record), log.where, tuple(remarks))


def change_clock(request: ClockRequest, *, progress: Any = None, cancel: Any = None) -> ClockKept:
    """Change fields of a clock's record; a note in its log keeps the old values.

    Parameters
    ----------
    request : ClockRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such clock, nothing to change, or a field is out of range.
    BenchLogError
        The log failed.
    """
    if not request.fields:
        raise InputError(
            f"nothing to change on {request.clock!r} was given; see torsionbeat clock change --help"
        )
    with open_log(request.log, must_exist=True) as log:
        record = log.change_clock(request.clock, **request.fields)
        return ClockKept(facts_of(record), log.where)


def import_clock(document: dict[str, Any], name: str | None = None, log: str | None = None) -> ClockKept:
    """Import an exported history under the clock's own name or a new one, completely or not at all.

    Parameters
    ----------
    document : dict
        As returned by ``torsionbeat.benchlog.exchange.read_history``.
    name : str or None
        The clock's name here. Default: its own.
    log : str or None

    Raises
    ------
    InputError
        A value in it is impossible (the message gives its place), or the name is taken.
    BenchLogError
        The log failed.
    """
    with open_log(log) as opened:
        return ClockKept(facts_of(opened.import_clock(document, name)), opened.where)


def keep_note(request: NoteRequest, *, progress: Any = None, cancel: Any = None) -> EntryKept:
    """Keep a free note.

    Parameters
    ----------
    request : NoteRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such clock, or the note is empty.
    BenchLogError
        The log failed.
    """
    with open_log(request.log, must_exist=True) as log:
        row = log.add_note(request.clock, request.text, written_at=request.at, write_id=request.write_id)
        return _kept(log, request.clock, row)


def keep_work(request: WorkRequest, *, progress: Any = None, cancel: Any = None) -> EntryKept:
    """Keep a work. If it is sent again with its amount, it replaces the one without. If it is sent twice, a remark reports it.

    Parameters
    ----------
    request : WorkRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such clock or kind of work, or a detail is out of range.
    BenchLogError
        The log failed.
    """
    told = (request.kind, request.what, dict(request.details), request.at)
    with open_log(request.log, must_exist=True) as log:
        before = log.works(request.clock)
        heard_at = [one.taken_at for one in log.readings(request.clock, documents=False)]
        found = doubles_of(before, heard_at, *told)
        if found.same is not None:
            return _kept_already(log, request.clock, found.same)
        row = log.add_work(
            request.clock,
            request.kind,
            request.what,
            dict(request.details),
            done_at=request.at if found.completed is None else (request.at or found.completed.done_at),
            completes_id=None if found.completed is None else found.completed.id,
            once=True,
            write_id=request.write_id,
        )
        known = {row.id, *(one.id for one in before)}
        meanwhile = [one for one in log.works(request.clock) if one.id not in known]
        if meanwhile and found.alike is None:  # kept meanwhile by another command
            found = replace(found, alike=doubles_of(meanwhile, heard_at, *told).alike)
        remarks = found.remarks(request.clock, row)
        if lacks_amount(row.kind, row.details):
            remarks = (_how_much(request.clock, row), *remarks)
        return _kept(log, request.clock, row, remarks)


def _kept_already(log: BenchLog, clock: str, row: WorkRecord) -> EntryKept:
    said = f"Work {row.id} says the same of the same moment: it is kept already, and not kept twice."
    return _kept(log, clock, row, (Remark("kept-already", said),), again=True)


def keep_hand_check(request: HandCheckRequest, *, progress: Any = None, cancel: Any = None) -> EntryKept:
    """Keep a hand check.

    Parameters
    ----------
    request : HandCheckRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such clock, or a figure is impossible.
    BenchLogError
        The log failed.
    """
    with open_log(request.log, must_exist=True) as log:
        row = log.add_handcheck(
            request.clock,
            request.rate_s_per_day,
            request.span_h,
            [dict(one) for one in request.sightings],
            remarks=request.remarks,
            checked_at=request.at,
            write_id=request.write_id,
        )
        return _kept(log, request.clock, row)


def undo_entry(request: TurnRequest, *, progress: Any = None, cancel: Any = None) -> EntryKept | ClockKept:
    """Retract an entry, or the clock itself: it stays in the log, struck through, and is left out of every computation.

    Parameters
    ----------
    request : TurnRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such entry, or it was already retracted.
    BenchLogError
        The log failed.
    """
    with open_log(request.log, must_exist=True) as log:
        if request.entry.kind == "clock":
            return ClockKept(facts_of(log.retract_clock(request.clock, request.reason)), log.where)
        row = log.retract(request.clock, request.entry.kind, request.entry.number, request.reason)
        return _kept(log, request.clock, row)


def restore_entry(request: TurnRequest, *, progress: Any = None, cancel: Any = None) -> EntryKept | ClockKept:
    """Restore a retracted entry or clock.

    Parameters
    ----------
    request : TurnRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such entry, or it was not retracted.
    BenchLogError
        The log failed.
    """
    with open_log(request.log, must_exist=True) as log:
        if request.entry.kind == "clock":
            return ClockKept(facts_of(log.restore_clock(request.clock, request.reason)), log.where)
        row = log.restore(request.clock, request.entry.kind, request.entry.number, request.reason)
        return _kept(log, request.clock, row)


def amend_entry(request: AmendRequest, *, progress: Any = None, cancel: Any = None) -> EntryKept:
    """Correct an entry; the old values stay in the audit trail.

    Parameters
    ----------
    request : AmendRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such entry, it was retracted, or the value to change was measured.
    BenchLogError
        The log failed.
    """
    with open_log(request.log, must_exist=True) as log:
        row = log.amend(
            request.clock, request.entry.kind, request.entry.number, dict(request.changes), request.reason
        )
        return _kept(log, request.clock, row)


def _how_much(clock: str, row: WorkRecord) -> Remark:
    example = {
        "weights": "--detail added_g=6.8 (all sides together, - for taken off)",
        "regulator": "--detail moved=-0.5 or --detail setting=2.5",
    }[row.kind]
    return Remark(
        "work-without-amount",
        f"How much was not said, so nothing can be learnt from it: keep it again with {example}, or later add it "
        f'with: torsionbeat clock amend "{clock}" work {row.id} --detail ...',
    )


def _kept(
    log: BenchLog, clock: str, row: Entry, remarks: tuple[Remark, ...] = (), *, again: bool = False
) -> EntryKept:
    record: ClockRecord = log.clock(clock)
    return EntryKept(happened_of(row), facts_of(record), log.where, remarks, again)
