"""Which rows of a clock's history stand, and what its record follows from them. Pure functions of rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any

from torsionbeat.benchlog.tables import ReadingRecord, WorkRecord

__all__ = ["MOVED", "counted_once", "overtaken", "regulator_course", "typed", "weights_on"]

MOVED = ("regulator_setting", "weight_total_g")
"""Fields of a clock's record that works move."""

DERIVED = "derived"
"""Detail that names which of ``moved`` and ``setting`` was calculated from the other."""


def overtaken(rows: Sequence[ReadingRecord]) -> dict[int, int]:
    """Map each overtaken reading to the one that replaces it, as row numbers.

    A reading that was taken back overtakes nothing, but the readings it had overtaken stay overtaken by later
    ones.
    """
    before = {row.id: row.supersedes_id for row in rows}
    gone: dict[int, int] = {}
    last: dict[str, int] = {}
    for row in sorted(rows, key=lambda row: row.id, reverse=True):
        if row.retracted_at is not None:
            continue
        number, earlier = row.id, row.supersedes_id
        while (
            earlier is not None and earlier < number
        ):  # a row cannot overtake a later one: such a number is a fault
            gone.setdefault(earlier, gone.get(row.id, row.id))
            number, earlier = earlier, before.get(earlier)
        if row.recording_id:
            latest = last.setdefault(row.recording_id, row.id)
            if latest != row.id:
                gone.setdefault(row.id, latest)
    return gone


def counted_once(rows: Sequence[ReadingRecord]) -> list[ReadingRecord]:
    """Count each stretch of time once: where readings overlap, keep the one with more beats."""
    kept: list[ReadingRecord] = []
    for row in sorted(rows, key=lambda row: -(row.beats_heard or 0)):
        if not any(
            row.taken_at < one.taken_at + timedelta(seconds=one.duration_s or 0)
            and one.taken_at < row.taken_at + timedelta(seconds=row.duration_s or 0)
            for one in kept
        ):
            kept.append(row)
    return [row for row in rows if row in kept]


def regulator_course(
    stated: dict[str, Any] | None, works: Iterable[WorkRecord]
) -> tuple[float | None, dict[int, dict[str, Any]]]:
    """Follow the regulator through the works since its setting was stated.

    Parameters
    ----------
    stated : dict or None
        ``{"value": v, "after_works": n}`` for each field of ``MOVED``: the stated value, and how many works the log
        held then.
    works : iterable of WorkRecord
        All works of the clock. Works kept since then count in the order in which they were done.

    Returns
    -------
    float or None
        The setting now; None where none was ever noted.
    dict
        Details to update, by the number of the work. Move or setting, whichever was not typed, follows from the other
        and from the setting before. Works whose details are already right are left out.
    """
    value, since = _since("regulator_setting", stated, works)
    details: dict[int, dict[str, Any]] = {}
    for work in since:
        if work.kind != "regulator":
            continue
        told = typed(work.details)
        moved, setting = _number(told.get("moved")), _number(told.get("setting"))
        before = value
        if setting is not None:
            value = setting
            if moved is None and before is not None:
                told |= {"moved": setting - before, DERIVED: "moved"}
        elif moved is not None and before is not None:
            value = before + moved
            told |= {"setting": value, DERIVED: "setting"}
        if told != work.details:
            details[work.id] = told
    return value, details


def typed(details: Mapping[str, Any]) -> dict[str, Any]:
    """Give the details of a work without the calculated one.

    >>> typed({"moved": 1.0, "setting": 6.0, "derived": "setting"})
    {'moved': 1.0}
    """
    return {key: one for key, one in details.items() if key not in (DERIVED, details.get(DERIVED))}


def weights_on(stated: dict[str, Any] | None, works: Iterable[WorkRecord]) -> float | None:
    """Give the weights on the balance (g): the stated mass and the works since; None where no mass was ever stated."""
    value, since = _since("weight_total_g", stated, works)
    if value is None:
        return None
    added = [_number(work.details.get("added_g")) or 0.0 for work in since if work.kind == "weights"]
    for grams in added:
        value = max(value + grams, 0.0)
    return value


def _since(
    field: str, stated: dict[str, Any] | None, works: Iterable[WorkRecord]
) -> tuple[float | None, list[WorkRecord]]:
    said = (stated or {}).get(field) or {}
    kept = sorted(works, key=lambda work: work.id)[int(said.get("after_works", 0)) :]
    standing = [work for work in kept if work.retracted_at is None]
    return _number(said.get("value")), sorted(standing, key=lambda work: (work.done_at, work.id))


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
