"""Which rows of a clock's history stand, and what they say of its record. Pure functions of rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any

from torsionbeat.benchlog.tables import ReadingRecord, WorkRecord

__all__ = ["MOVED", "counted_once", "overtaken", "regulator_course", "typed", "weights_on"]

MOVED = ("regulator_setting", "weight_total_g")
"""Fields of a clock's record that works move."""

DERIVED = "derived"
"""Detail that names which of ``moved`` and ``setting`` was not typed but follows from the other."""


def overtaken(rows: Sequence[ReadingRecord]) -> dict[int, int]:
    """Say of each overtaken reading which stands in its place: numbers of rows.

    A reading that was taken back overtakes nothing itself, but what it had overtaken stays overtaken by those
    after it.
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
        ):  # a later row is never overtaken: a fault put that there
            gone.setdefault(earlier, gone.get(row.id, row.id))
            number, earlier = earlier, before.get(earlier)
        if row.recording_id:
            latest = last.setdefault(row.recording_id, row.id)
            if latest != row.id:
                gone.setdefault(row.id, latest)
    return gone


def counted_once(rows: Sequence[ReadingRecord]) -> list[ReadingRecord]:
    """Leave out readings recorded while another was, of which more beats were heard: a stretch counts once."""
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
        Of each field of ``MOVED`` ``{"value": v, "after_works": n}``: what was stated, and how many works the log
        held then.
    works : iterable of WorkRecord
        All works of the clock. Those kept since count in the order in which they were done.

    Returns
    -------
    float or None
        Where it stands now; None where that was never noted.
    dict
        By the number of a work its details as they should be: of move and setting the one that was not typed follows
        from the other and from where the regulator stood before; only where they are not so already.
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
    """Give the details of a work without what was calculated from the others.

    >>> typed({"moved": 1.0, "setting": 6.0, "derived": "setting"})
    {'moved': 1.0}
    """
    return {key: one for key, one in details.items() if key not in (DERIVED, details.get(DERIVED))}


def weights_on(stated: dict[str, Any] | None, works: Iterable[WorkRecord]) -> float | None:
    """Give the weights on the balance (g) after the works since they were stated; None where they never were."""
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
