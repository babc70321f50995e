"""Report: a clock's story from the log: its entries, the two groups to compare, and the result.

Unless other days are given, "before" is the readings before the first work in the log, and "after" the readings since
the last. If a comparison is impossible, the reason is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from torsionbeat.bench.sides import kept_night
from torsionbeat.history.comparison import Comparison, Group, Night, compare
from torsionbeat.history.findings import Decay, Finding, find
from torsionbeat.history.side_matching import alike
from torsionbeat.sound.remarks import Remark

if TYPE_CHECKING:
    from torsionbeat.benchlog import (
        BenchLog,
        ClockRecord,
        FreeSwingRecord,
        HandCheckRecord,
        NoteRecord,
        ReadingRecord,
        WorkRecord,
    )

__all__ = ["ClockStory", "ReportRequest", "Span", "gather", "report"]

Span = tuple[datetime, datetime]
"""Two moments, the first included and the second excluded."""


@dataclass(frozen=True, slots=True)
class ClockStory:
    """The content of a clock's report. Lists are in order of time.

    ``nights`` correspond to ``readings``, all in the side letters of the last one: beat errors keep their sign.
    """

    clock: ClockRecord
    works: list[WorkRecord]
    notes: list[NoteRecord]
    readings: list[ReadingRecord]
    nights: list[Night]
    handchecks: list[HandCheckRecord]
    freeswings: list[FreeSwingRecord]
    decay: Decay | None
    comparison: Comparison | None
    no_comparison: str
    findings: tuple[Finding, ...]
    left_out: tuple[Remark, ...] = ()
    """Invalid rows of the log, which are not in the story."""


@dataclass(frozen=True, slots=True)
class ReportRequest:
    """The clock to report on.

    Parameters
    ----------
    clock : str
        The clock's name in the bench log.
    log : str or None
        The bench log; None for the default one.
    before, after : (datetime, datetime) or None
        Days to compare; None: before the first work, and since the last one.
    same_recorder, same_place : bool
        As for `torsionbeat.history.comparison.compare`.
    """

    clock: str
    log: str | None = None
    before: Span | None = None
    after: Span | None = None
    same_recorder: bool = False
    same_place: bool = False


def report(request: ReportRequest) -> ClockStory:
    """Gather a clock's story; `torsionbeat.reports.report` renders it.

    Parameters
    ----------
    request : ReportRequest

    Raises
    ------
    InputError
        No clock has that name, or a reading in the log cannot be understood.
    BenchLogError
        The log cannot be read.
    """
    from torsionbeat.benchlog import open_log

    with open_log(request.log, must_exist=True) as opened:
        return gather(
            opened,
            request.clock,
            before=request.before,
            after=request.after,
            same_recorder=request.same_recorder,
            same_place=request.same_place,
        )


def gather(
    log: BenchLog,
    name: str,
    *,
    before: Span | None = None,
    after: Span | None = None,
    same_recorder: bool = False,
    same_place: bool = False,
) -> ClockStory:
    """Gather a clock's story from the bench log.

    Parameters
    ----------
    log : BenchLog
    name : str
        The clock's name.
    before, after : (datetime, datetime) or None
        Days to compare. Default: before the first work, and since the last one.
    same_recorder, same_place : bool
        As for `torsionbeat.history.comparison.compare`.

    Raises
    ------
    InputError
        No clock has that name, or a reading in the log cannot be understood.
    BenchLogError
        The log cannot be read.
    """
    clock = log.clock(name)
    works, readings = log.works(name), log.readings(name)
    nights = [kept_night(clock, one) for one in readings]
    nights = alike(nights, -1) if nights else []
    freeswings = log.freeswings(name)
    done_at = [work.done_at for work in works]
    decay = _last_decay(freeswings, start=max(done_at, default=None))
    asked = ReportRequest(
        name, before=before, after=after, same_recorder=same_recorder, same_place=same_place
    )
    comparison, why = _compared(nights, done_at, freeswings, asked)
    return ClockStory(
        clock=clock,
        works=works,
        notes=log.notes(name),
        readings=readings,
        nights=nights,
        handchecks=log.handchecks(name),
        freeswings=freeswings,
        decay=decay,
        comparison=comparison,
        no_comparison=why,
        findings=find(nights, works=done_at, decays=[] if decay is None else [decay]),
        left_out=tuple(log.left_out),
    )


def _compared(
    nights: Sequence[Night],
    done_at: Sequence[datetime],
    freeswings: Sequence[FreeSwingRecord],
    options: ReportRequest,
) -> tuple[Comparison | None, str]:
    """Compare the nights before the first work with those since the last, or the given days; or give the reason why not."""
    if not done_at and not (options.before and options.after):
        return None, "No work is in the log, so there is no before and after."
    first, last = min(done_at, default=None), max(done_at, default=None)
    old = tuple(night for night in nights if _within(night, options.before, end=first))
    new = tuple(night for night in nights if _within(night, options.after, start=last))
    if not old or not new:
        words = (("before the first work", old), ("since the last work", new))
        missing = " and ".join(when for when, group in words if not group)
        return None, f"No reading was taken {missing}, so nothing can be compared."
    comparison = compare(
        Group(old, "before the work", _last_q(freeswings, end=first)),
        Group(new, "since the last work", _last_q(freeswings, start=last)),
        same_recorder=options.same_recorder,
        same_place=options.same_place,
    )
    return comparison, ""


def _within(
    night: Night, span: Span | None, *, start: datetime | None = None, end: datetime | None = None
) -> bool:
    """Whether a night is in the given days or, without them, between start and end (one of them known)."""
    if night.taken_at is None:
        return False
    if span is not None:
        return span[0] <= night.taken_at < span[1]
    if start is None and end is None:
        return False
    return (start is None or night.taken_at >= start) and (end is None or night.taken_at < end)


def _last_q(
    freeswings: Sequence[FreeSwingRecord], *, start: datetime | None = None, end: datetime | None = None
) -> Any:
    from uncertainties import ufloat

    known = [
        ufloat(one.q, one.u_q)
        for one in freeswings
        if one.q is not None
        and one.u_q
        and (start is None or one.done_at >= start)
        and (end is None or one.done_at < end)
    ]
    return known[-1] if known else None


def _last_decay(freeswings: Sequence[FreeSwingRecord], start: datetime | None) -> Decay | None:
    """The last free swing with arcs in the log, since a moment (None: of all)."""
    decays = [_decay(one.document) for one in freeswings if start is None or one.done_at >= start]
    return next((decay for decay in reversed(decays) if decay is not None), None)


def _decay(document: dict[str, Any]) -> Decay | None:
    """Give the arcs of a free swing's document, or None if it has none."""
    rows, period = document.get("readings"), document.get("period_s")
    try:
        time = np.array([float(row["time_s"]) for row in rows or ()])
        arc = np.array([float(row["arc_deg"]) for row in rows or ()])
        return Decay(time, arc, float(period)) if time.size >= 6 and period else None
    except (TypeError, KeyError, ValueError):
        return None
