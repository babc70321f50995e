"""Which rows of a clock's history stand, and what they say of its record. Pure functions of rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from torsionbeat.benchlog.tables import ReadingRecord, WorkRecord

__all__ = ["MOVED", "moved_since", "overtaken"]

MOVED = {"regulator_setting": ("regulator", "moved", "setting"), "weight_total_g": ("weights", "added_g", "")}
"""Fields of a clock's record that works move: the kind of work, the detail that adds, the one that sets."""


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
        earlier, seen = row.supersedes_id, {row.id}
        while earlier is not None and earlier not in seen:
            seen.add(earlier)
            gone.setdefault(earlier, gone.get(row.id, row.id))
            earlier = before.get(earlier)
        if row.recording_id:
            latest = last.setdefault(row.recording_id, row.id)
            if latest != row.id:
                gone.setdefault(row.id, latest)
    return gone


def moved_since(stated: dict[str, Any] | None, works: Iterable[WorkRecord]) -> dict[str, float | None]:
    """Give the regulator's setting and the weights as the works since they were stated have moved them.

    Parameters
    ----------
    stated : dict or None
        Of each field ``{"value": v, "after_works": n}``: what was stated, and how many works the log held then.
    works : iterable of WorkRecord
        All works of the clock. Those kept since count in the order in which they were done: a setting replaces
        what was before it, a move adds to it, and nothing is known where neither was ever told.
    """
    in_order = sorted(works, key=lambda work: work.id)
    found: dict[str, float | None] = {}
    for field, (kind, adds, sets) in MOVED.items():
        said = (stated or {}).get(field) or {}
        value: float | None = said.get("value")
        since = [one for one in in_order[int(said.get("after_works", 0)) :] if one.retracted_at is None]
        for work in sorted(since, key=lambda work: (work.done_at, work.id)):
            if work.kind != kind:
                continue
            setting, move = work.details.get(sets), work.details.get(adds)
            if isinstance(setting, int | float):
                value = float(setting)
            elif isinstance(move, int | float) and value is not None:
                value += move
        found[field] = max(value, 0.0) if value is not None and field == "weight_total_g" else value
    return found
