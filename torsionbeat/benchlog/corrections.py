"""Correcting a log: rows are taken back, restored or amended, each time with a row in the audit trail.

Nothing is deleted. A row that is taken back stays, marked, with the reason. The old values of an amended row are in
the trail.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, defer

from torsionbeat.benchlog.entries import check_clock, clean_text, label, plain, value_words
from torsionbeat.benchlog.names import refuse_taken
from torsionbeat.benchlog.standing import MOVED, regulator_course, weights_on
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
    name_key,
)
from torsionbeat.errors import InputError

__all__ = [
    "AMENDABLE",
    "ENTRY_KINDS",
    "amend",
    "change_record",
    "entry",
    "kind_of",
    "restore",
    "retract",
    "settle",
    "stated_by_hand",
    "take_back_clock",
    "trail",
]

ENTRY_KINDS: dict[str, type[Entry]] = {
    "note": NoteRecord,
    "work": WorkRecord,
    "reading": ReadingRecord,
    "trial": TrialRecord,
    "hand check": HandCheckRecord,
    "free swing": FreeSwingRecord,
}
"""Each kind of entry in a clock's history, and its table."""

AMENDABLE: dict[str, tuple[str, ...]] = {
    "note": ("written_at", "text"),
    "work": ("done_at", "kind", "what", "details"),
    "reading": ("taken_at", "dated_by", "temperature_c", "sides"),
    "trial": (),
    "hand check": ("checked_at",),
    "free swing": ("done_at",),
}
"""Fields of an entry that can be amended: those that were typed, never those that were measured."""


def kind_of(row: Entry) -> str:
    """Give the kind of an entry."""
    return next(kind for kind, table in ENTRY_KINDS.items() if isinstance(row, table))


def entry(session: Session, clock: ClockRecord, kind: str, number: int) -> Entry:
    """Find an entry of a clock by its kind and number.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    kind : str
        Kind of the entry.
    number : int
        Its number.

    Raises
    ------
    InputError
        There is no such kind, or the clock has no such entry.
    """
    if kind not in ENTRY_KINDS:
        raise InputError(f"an entry is called {kind!r}; use one of {', '.join(ENTRY_KINDS)}, and its number")
    table = ENTRY_KINDS[kind]
    row = _found(session, table, number) if 0 < number < 2**31 else None
    if row is None or row.clock_id != clock.id:
        numbers = session.scalars(select(table.id).where(table.clock_id == clock.id).order_by(table.id)).all()
        has = f"it has {', '.join(map(str, numbers[-12:]))}" if numbers else "it has none yet"
        raise InputError(
            f"{clock.name!r} has no {kind} {number}; {has}: torsionbeat clock show says which is which"
        )
    return row


def _found(session: Session, table: type[Entry], number: int) -> Entry | None:
    """Find a row, even a reading whose document is damaged: it must be possible to take that one back."""
    try:
        return session.get(table, number)
    except (ValueError, TypeError):
        if table is not ReadingRecord:
            raise
        return session.get(ReadingRecord, number, options=[defer(ReadingRecord.document)])


def retract(session: Session, clock: ClockRecord, kind: str, number: int, reason: str) -> Entry:
    """Take an entry back: it stays in the log, and no computation uses it.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    kind : str
        Kind of the entry.
    number : int
        Its number.
    reason : str
        Why; kept in the log with it.

    Raises
    ------
    InputError
        It was taken back already.
    """
    row = entry(session, clock, kind, number)
    if row.retracted_at is not None:
        raise InputError(
            f"{kind} {number} of {clock.name!r} was taken back already ({row.retracted_because or 'no reason'}); "
            "bring it back with: torsionbeat clock restore"
        )
    row.retracted_at, row.retracted_because = datetime.now(UTC), _reason(reason)
    trail(session, clock, "undo", row, row.retracted_because)
    settle(session, clock)
    return row


def restore(session: Session, clock: ClockRecord, kind: str, number: int, reason: str) -> Entry:
    """Bring back an entry that was taken back.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    kind : str
        Kind of the entry.
    number : int
        Its number.
    reason : str
        Why; kept in the log with it.

    Raises
    ------
    InputError
        It was not taken back.
    """
    row = entry(session, clock, kind, number)
    if row.retracted_at is None:
        raise InputError(f"{kind} {number} of {clock.name!r} was not taken back: it stands as it is")
    before = {"retracted_because": row.retracted_because}
    row.retracted_at, row.retracted_because = None, ""
    trail(session, clock, "restore", row, _reason(reason), before)
    settle(session, clock)
    return row


def amend(
    session: Session, clock: ClockRecord, kind: str, number: int, changes: dict[str, Any], reason: str
) -> Entry:
    """Correct an entry; its old values go into the audit trail.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    kind, number : str, int
        Which entry.
    changes : dict
        New values by the names in ``AMENDABLE``; ``details`` are merged into the existing ones, None removes one.
    reason : str

    Raises
    ------
    InputError
        There is no such entry, it was taken back, a field was measured, or a new value is invalid.
    """
    row = entry(session, clock, kind, number)
    if row.retracted_at is not None:
        raise InputError(
            f"{kind} {number} of {clock.name!r} was taken back; bring it back first with: torsionbeat clock restore"
        )
    strange = sorted(changes.keys() - set(AMENDABLE[kind]))
    if strange or not changes:
        can = ", ".join(AMENDABLE[kind]) or "nothing"
        raise InputError(
            f"{', '.join(strange) or 'nothing'} was to be changed in {kind} {number}; of a {kind} can be changed: "
            f"{can}. Take it back and keep it anew instead"
        )
    wanted = {name: _wanted(row, name, value) for name, value in changes.items()}
    before = {name: getattr(row, name) for name in wanted if getattr(row, name) != wanted[name]}
    for name in before:
        setattr(row, name, wanted[name])
    if before:
        after = {name: wanted[name] for name in before}
        trail(session, clock, "amend", row, _reason(reason), before, after)
        settle(session, clock, within_travel=True)
    return row


def take_back_clock(session: Session, clock: ClockRecord, reason: str, *, back: bool) -> ClockRecord:
    """Take a whole clock back, or with ``back`` bring it back again.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    reason : str
        Why; kept in the log with it.
    back : bool
        Bring it back again.

    Raises
    ------
    InputError
        The clock already has the requested state.
    """
    if (clock.retracted_at is None) == back:
        raise InputError(f"{clock.name!r} {'was not taken back' if back else 'was taken back already'}")
    clock.retracted_at = None if back else datetime.now(UTC)
    clock.retracted_because = "" if back else _reason(reason)
    trail(session, clock, "restore" if back else "undo", clock, _reason(reason))
    return clock


def change_record(session: Session, clock: ClockRecord, wanted: dict[str, Any]) -> None:
    """Change fields of a clock's record; a note and the audit trail say what they were before.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    wanted : dict
        New values by the names of the fields.

    Raises
    ------
    InputError
        The new name is another clock's, or the fields contradict each other.
    """
    before = {key: getattr(clock, key) for key in wanted}
    changes = {key: value for key, value in wanted.items() if value != before[key]}
    if name_key(str(changes.get("name", clock.name))) != clock.name_key:
        refuse_taken(session, changes["name"])
    works = session.scalar(select(func.count(WorkRecord.id)).where(WorkRecord.clock_id == clock.id))
    clock.stated = stated_by_hand(clock.stated or {}, changes, works or 0)
    for key, value in changes.items():
        setattr(clock, key, value)
    check_clock(clock)
    if changes:
        said = "; ".join(
            f"{label(key)} from {value_words(key, before[key])} to {value_words(key, changes[key])}"
            for key in changes
        )
        text = f"Record changed: {said}."
        session.add(NoteRecord(clock_id=clock.id, written_at=datetime.now(UTC), text=text))
        trail(session, clock, "change", clock, "", {key: before[key] for key in changes}, changes)


def stated_by_hand(before: dict[str, Any], fields: dict[str, Any], works: int) -> dict[str, Any] | None:
    """Record the values stated by hand of fields that works move, and after how many works.

    Parameters
    ----------
    before : dict
        The record before.
    fields : dict
        What is changed.
    works : int
        How many works there are.
    """
    new = {name: {"value": fields[name], "after_works": works} for name in MOVED if name in fields}
    return before | new or None


def settle(session: Session, clock: ClockRecord, *, within_travel: bool = False) -> None:
    """Set the regulator and the weights of a clock's record to where the works have moved them.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    within_travel : bool
        Refuse a work that leaves the regulator outside its travel.

    Raises
    ------
    InputError
        The regulator would stand outside its travel.
    """
    session.flush()
    works = session.scalars(select(WorkRecord).where(WorkRecord.clock_id == clock.id)).all()
    setting, details = regulator_course(clock.stated, works)
    low, high = clock.regulator_low, clock.regulator_high
    outside = setting is not None and (
        (low is not None and setting < low) or (high is not None and setting > high)
    )
    if within_travel and outside and setting != clock.regulator_setting:
        ends = (
            f"from {low:g}"
            if high is None
            else f"to {high:g}"
            if low is None
            else f"from {low:g} to {high:g}"
        )
        raise InputError(
            f"the regulator would stand at {setting:g}, outside its travel {ends}; check the note, or set where it "
            "stands with clock change --regulator-setting"
        )
    for work in works:
        if work.id in details:
            work.details = details[work.id]
    for field, value in (("regulator_setting", setting), ("weight_total_g", weights_on(clock.stated, works))):
        if getattr(clock, field) != value:
            setattr(clock, field, value)


def _wanted(row: Entry, name: str, value: Any) -> Any:
    if name == "details":
        laid = {**row.details, **value} if isinstance(row, WorkRecord) else value
        return plain({key: one for key, one in laid.items() if one is not None}, "the details of the work")
    if name in ("text", "what"):
        kept = clean_text(value, "the new text")
        if not kept:
            raise InputError("the new text is empty; say it in a few words, or take the entry back")
        return kept
    return value


def _reason(reason: str) -> str:
    return clean_text(reason, "the reason")


def trail(
    session: Session,
    clock: ClockRecord,
    action: str,
    row: Entry | ClockRecord,
    reason: str,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
) -> None:
    """Add a line to the audit trail of a clock: what was done to which row and why, values before and after.

    Parameters
    ----------
    session : Session
    clock : ClockRecord
    action : str
        What was done.
    row : Entry or ClockRecord
        To which row.
    reason : str
        Why; kept in the log with it.
    before : dict, optional
        Values before.
    after : dict, optional
        Values after.
    """
    session.add(
        ChangeRecord(
            clock_id=clock.id,
            made_at=datetime.now(UTC),
            action=action,
            table_name=row.__tablename__,
            row_id=None if isinstance(row, ClockRecord) else row.id,
            reason=reason,
            before=_as_json(before),
            after=_as_json(after),
        )
    )


def _as_json(values: dict[str, Any] | None) -> dict[str, Any]:
    return {
        name: value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value
        for name, value in (values or {}).items()
    }
