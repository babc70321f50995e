"""Clocks by their names: found, or answered with the near ones."""

from __future__ import annotations

import difflib

from sqlalchemy import select
from sqlalchemy.orm import Session

from torsionbeat.benchlog.tables import ClockRecord
from torsionbeat.errors import InputError

__all__ = ["find_clock", "refuse_taken"]


def find_clock(session: Session, name: str, where: str) -> ClockRecord:
    """Find a clock by its exact name in the log ``where``.

    Raises
    ------
    InputError
        No clock has that name; the message lists the near ones.
    """
    record = session.scalars(select(ClockRecord).where(ClockRecord.name == name)).one_or_none()
    if record is not None:
        return record
    names = {other.casefold(): other for other in session.scalars(select(ClockRecord.name))}
    if not names:
        raise InputError(
            f"no clock is named {name!r}: the bench log {where} holds none yet; "
            "add it with: torsionbeat clock add NAME"
        )
    near = [names[key] for key in difflib.get_close_matches(name.casefold(), names, n=3, cutoff=0.5)]
    hint = f"near names: {', '.join(near)}" if near else "no name is near it"
    raise InputError(
        f"no clock is named {name!r} in the bench log {where}; {hint}; torsionbeat clock list shows all"
    )


def refuse_taken(session: Session, name: str) -> None:
    """Refuse a name that a clock has already, in capitals or not.

    Raises
    ------
    InputError
        The name is taken.
    """
    for other in session.scalars(select(ClockRecord.name)):
        if other.casefold() == name.casefold():
            raise InputError(f"a clock is named {other!r} already; choose another name than {name!r}")
