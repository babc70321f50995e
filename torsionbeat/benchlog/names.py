"""Finds clocks by their names; where there is none, lists the similar names."""

from __future__ import annotations

import difflib
import shlex

from sqlalchemy import select
from sqlalchemy.orm import Session

from torsionbeat.benchlog.tables import ClockRecord, name_key
from torsionbeat.errors import InputError

__all__ = ["find_clock", "refuse_taken"]


def find_clock(
    session: Session, name: str, where: str, *, writing: bool = False, retracted: bool = False
) -> ClockRecord:
    """Find a clock by its name in the log ``where``; capitals do not matter.

    Parameters
    ----------
    session : Session
    name, where : str
    writing : bool
        Lock the clock until the transaction ends, so that nothing else is kept for it meanwhile.
    retracted : bool
        Find clocks that were taken back too.

    Raises
    ------
    InputError
        No clock has that name (the message lists similar ones), or it was taken back.
    """
    record = _named(session, name, writing)
    if record is None:
        alike = [
            other for other in session.scalars(select(ClockRecord.name)) if name_key(other) == name_key(name)
        ]
        # two names match only in a log older than the rule against equal names: then the name must be exact
        record = _named(session, alike[0], writing) if len(alike) == 1 else None
    if record is not None and (retracted or record.retracted_at is None):
        return record
    if record is not None:
        raise InputError(
            f"the clock {record.name!r} was taken back ({record.retracted_because or 'no reason was given'}); "
            f"bring it back with: torsionbeat clock restore {shlex.quote(record.name)} clock"
        )
    standing = select(ClockRecord.name).where(ClockRecord.retracted_at.is_(None))
    names = {name_key(other): other for other in session.scalars(standing)}
    if not names:
        raise InputError(
            f"no clock is named {name!r}: the bench log {where} holds none yet; "
            "add it with: torsionbeat clock add NAME"
        )
    near = [names[key] for key in difflib.get_close_matches(name_key(name), names, n=3, cutoff=0.5)]
    hint = f"near names: {', '.join(near)}" if near else "no name is near it"
    raise InputError(
        f"no clock is named {name!r} in the bench log {where}; {hint}; torsionbeat clock list shows all"
    )


def _named(session: Session, name: str, writing: bool) -> ClockRecord | None:
    wanted = select(ClockRecord).where(ClockRecord.name == name)
    return session.scalars(wanted.with_for_update() if writing else wanted).one_or_none()


def refuse_taken(session: Session, name: str) -> None:
    """Refuse a name that a clock already has, whatever its capitals.

    Raises
    ------
    InputError
        The name is taken.
    """
    other = session.scalars(select(ClockRecord).where(ClockRecord.name_key == name_key(name))).first()
    if other is not None and other.retracted_at is not None:
        raise InputError(
            f"a clock named {other.name!r} was taken back; bring it back with: torsionbeat clock restore "
            f"{shlex.quote(other.name)} clock, or choose another name than {name!r}"
        )
    if other is not None:
        raise InputError(f"a clock is named {other.name!r} already; choose another name than {name!r}")
