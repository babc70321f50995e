"""A work noted twice: unchanged, or with the amount that was missing. Pure functions of rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from torsionbeat.benchlog.standing import typed
from torsionbeat.benchlog.tables import WorkRecord
from torsionbeat.sound.remarks import Remark

__all__ = ["AMOUNTS", "Doubles", "doubles_of", "lacks_amount", "same_work"]

AMOUNTS = {"weights": ("added_g",), "regulator": ("moved", "setting")}
"""Details that give the amount, by kind of work: one of them is enough to learn from."""


SAME_HOUR = timedelta(hours=1)
"""A note within this time, now with an amount, is taken for the same work (common practice, no source)."""


def lacks_amount(kind: str, details: Mapping[str, Any]) -> bool:
    """Whether a work is of a kind that has an amount, and its details give none."""
    return kind in AMOUNTS and not any(name in details for name in AMOUNTS[kind])


@dataclass(frozen=True, slots=True)
class Doubles:
    """Earlier notes of a work that is to be kept.

    ``same``: an identical note. ``completed``: noted before without its amount. ``alike``: noted before with
    an amount, and nothing heard between. ``lacking``: other earlier works that still lack their amounts.
    """

    same: WorkRecord | None = None
    completed: WorkRecord | None = None
    alike: WorkRecord | None = None
    lacking: tuple[WorkRecord, ...] = ()

    def remarks(self, clock: str, row: WorkRecord) -> tuple[Remark, ...]:
        """Say what was done about it, and how to undo that."""
        told: list[Remark] = []
        if self.completed is not None:
            told.append(
                Remark(
                    "work-completed",
                    f"It takes the place of work {self.completed.id} of {_day(self.completed)}, which did not say "
                    "how much. If both were done, bring that one back with: "
                    f'torsionbeat clock restore "{clock}" work {self.completed.id}',
                )
            )
        if self.alike is not None:
            told.append(
                Remark(
                    "work-doubled",
                    f"Work {self.alike.id} of {_day(self.alike)} says much the same, and nothing was heard between "
                    "the two: both count. If it was done once, take this one back with: "
                    f'torsionbeat clock undo "{clock}" work {row.id} --because "kept twice"',
                )
            )
        told += [
            Remark(
                "work-lacks-amount",
                f"Work {work.id} of {_day(work)} still does not say how much. If it is another work, add that with: "
                f'torsionbeat clock amend "{clock}" work {work.id} --detail {AMOUNTS[work.kind][0]}=... '
                f'If it is this one, take it back with: torsionbeat clock undo "{clock}" work {work.id}',
            )
            for work in self.lacking
        ]
        return tuple(told)


def doubles_of(
    works: Sequence[WorkRecord],
    heard_at: Sequence[datetime],
    kind: str,
    what: str,
    details: Mapping[str, Any],
    at: datetime | None,
) -> Doubles:
    """Find earlier notes of a work.

    Parameters
    ----------
    works : sequence of WorkRecord
        Standing works of the clock.
    heard_at : sequence of datetime
        When its readings were taken.
    kind, what, details, at
        The work to be kept; ``at`` None: now.
    """
    when = at or datetime.now(UTC)
    before = [one for one in works if one.kind == kind]
    same = same_work(before, kind, what, details, at)
    if same is not None:
        return Doubles(same=same)
    # nothing was heard between the two: only then can they be one work
    near = [one for one in before if not any(_between(one.done_at, when, heard) for heard in heard_at)]
    bare = [one for one in before if lacks_amount(kind, one.details)]
    completed = None
    if kind in AMOUNTS and not lacks_amount(kind, details):
        completed = _completed([one for one in bare if one in near], what, when)
    alike = _alike([one for one in near if one is not completed], kind, what, details)
    return Doubles(
        None, completed, alike, tuple(one for one in bare if one is not completed and one is not alike)
    )


def _completed(bare: Sequence[WorkRecord], what: str, when: datetime) -> WorkRecord | None:
    """The last of the works without an amount that has the same words, or was noted within the hour."""
    again = (
        one for one in reversed(bare) if _told(one.what) == _told(what) or abs(one.done_at - when) < SAME_HOUR
    )
    return next(again, None)


def _alike(
    works: Sequence[WorkRecord], kind: str, what: str, details: Mapping[str, Any]
) -> WorkRecord | None:
    """The last of the works that has the same words and the same amount."""
    amount = _amount(typed(details), kind)
    again = (
        one
        for one in reversed(works)
        if _told(one.what) == _told(what) and _amount(typed(one.details), kind) == amount
    )
    return next(again, None)


def same_work(
    works: Sequence[WorkRecord], kind: str, what: str, details: Mapping[str, Any], at: datetime | None
) -> WorkRecord | None:
    """Find the standing work with the same words, details and moment; None where ``at`` is now.

    Parameters
    ----------
    works : sequence of WorkRecord
    kind : str
        Kind of the work.
    what : str
        Its words.
    details : mapping
    at : datetime or None
        When; None: now.
    """
    if at is None:
        return None
    return next(
        (
            one
            for one in works
            if one.kind == kind
            and one.done_at == at.astimezone(UTC)
            and _told(one.what) == _told(what)
            and typed(one.details) == typed(details)
        ),
        None,
    )


def _told(text: str) -> str:
    return " ".join(text.casefold().split())


def _amount(details: Mapping[str, Any], kind: str) -> tuple[Any, ...]:
    return tuple(details.get(name) for name in AMOUNTS.get(kind, ()))


def _between(one: datetime, other: datetime, heard: datetime) -> bool:
    return min(one, other) <= heard <= max(one, other)


def _day(work: WorkRecord) -> str:
    return work.done_at.astimezone().strftime("%Y-%m-%d")
