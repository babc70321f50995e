"""The page for the owner of a clock: plain words, no options of commands, no statistics.

Input: the clock's story and, if there is one, its current judgement. Output: sentences and a table of before and
after. The technical annex says how it was measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from torsionbeat.display.words import amount, interval
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.beatsetting import IN_BEAT_SHARE
from torsionbeat.regulation.order import IN_BEAT_PERIOD_SHARE

if TYPE_CHECKING:
    from torsionbeat.benchlog import HandCheckRecord, ReadingRecord
    from torsionbeat.history.comparison import Comparison
    from torsionbeat.jobs.advise import Judgement
    from torsionbeat.jobs.report import ClockStory
    from torsionbeat.regulation.order import TaskKind
    from torsionbeat.sound.remarks import Remark

__all__ = ["OwnerRow", "OwnerStory", "owner_story", "span_words", "week_words"]

SHOWN = ("rate_s_per_day", "arc_deg", "beat_error_ms", "period_s")
"""Figures of a reading that the table uses."""

DAYS = 7
"""An owner checks the hands from week to week."""

STILL_TO_DO: dict[TaskKind, str] = {
    "hear-better": "The clock is to be listened to again: too few of its beats were heard the last time.",
    "find-drive": "The drive failed while the clock was being listened to; the cause is still to be found.",
    "stop-knock": "The balance swings too far and knocks; this is still to be put right.",
    "set-beat": "The beat is not even yet; it is still to be set.",
    "raise-arc": "The balance swings less far than it should; the cause is still to be found.",
    "lower-arc": "The balance swings farther than it should; this is still to be put right.",
    "let-settle": "The balance had not settled after the work when it was last listened to; it is to be heard again.",
    "change-weights": "The rate is still to be brought nearer, by the weights of the balance.",
    "move-regulator": "The rate is still to be brought nearer, by the regulator.",
    "trial-step": "The rate is still to be brought nearer; a first small step of the regulator comes next.",
    "listen-again": "The clock is to be listened to for more nights before anything is changed.",
}
"""Work still to be done, by the kind of task; tasks to leave something alone are not in it."""

TO_TIME: tuple[TaskKind, ...] = ("change-weights", "move-regulator", "trial-step", "listen-again")
"""Kinds of task that depend on how near to time the clock is wanted."""

UNREAD = "The clock was worked on after it was last listened to: how it goes now was not measured yet."
STILL_TO_HEAR = "The clock is to be listened to again: it was worked on since the last time."

WORK_WORDS = {
    "spring": "New suspension spring",
    "weights": "Weights of the balance",
    "regulator": "Regulator",
    "cleaning": "Cleaning",
    "beat": "Beat set",
    "level": "Levelled",
    "other": "Work",
}


@dataclass(frozen=True, slots=True)
class OwnerRow:
    """One property of the clock in plain words: before the work, and now."""

    what: str
    before: str
    now: str


@dataclass(frozen=True, slots=True)
class OwnerStory:
    """The owner's page in words: the opening, the table, the work still to be done, the basis."""

    first: str
    week: tuple[str, ...]
    rows: tuple[OwnerRow, ...]
    done: tuple[tuple[datetime, str], ...]
    still: tuple[str, ...]
    rests_on: tuple[str, ...]


def owner_story(
    story: ClockStory, judgement: Judgement | None = None, unjudged: Remark | None = None
) -> OwnerStory:
    """Make the owner's page of a clock.

    Parameters
    ----------
    story : ClockStory
        The clock's data from the log.
    judgement : Judgement, optional
        The current judgement of the clock, the same as in the restorer's advice.
    unjudged : Remark, optional
        Why there is no judgement, from `torsionbeat.jobs.advise.judged`: readings before the last work say nothing
        about the clock now.
    """
    readings, checks = story.readings, story.handchecks
    rate = judgement.rate_s_per_day if judgement is not None else None
    unread = unjudged is not None and unjudged.code == "worked-on-since"
    if rate is None and readings and not unread:
        rate = readings[-1].figure("rate_s_per_day")
    comparison: Comparison | None = story.comparison
    return OwnerStory(
        first=UNREAD if unread else _first(rate, bool(readings or checks)),
        week=_hands(checks),
        rows=tuple(_rows(comparison, readings, rate, unread)),
        done=tuple(
            (work.done_at, f"{WORK_WORDS.get(work.kind, 'Work')}: {work.what}") for work in story.works
        ),
        still=_still(judgement, unread, [one.what for one in story.findings]),
        rests_on=_rests_on(readings, checks),
    )


def week_words(rate_s_per_day: UFloat) -> str:
    """Say what a clock gains or loses in a week.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> week_words(ufloat(2.4, 0.255)), week_words(ufloat(-930, 3))
    ('gains about 17 seconds in a week (between 13 and 20 seconds)',
     'loses about 1 h 49 min in a week (between 1 h 48 min and 1 h 49 min)')
    >>> week_words(ufloat(0.1, 0.2))
    'keeps time to within 3 seconds in a week'
    """
    low, high = (DAYS * end for end in interval(rate_s_per_day))
    if low < 0 < high:
        return f"keeps time to within {span_words(max(-low, high))} in a week"
    near, far = sorted((abs(low), abs(high)))
    way = "gains" if low >= 0 else "loses"
    middle = span_words(abs(DAYS * rate_s_per_day.nominal_value))
    between = f"between {span_words(near)} and {span_words(far)}"
    if near < 119.5 and far < 119.5:
        between = f"between {near:.0f} and {span_words(far)}"
    return f"{way} about {middle} in a week ({between})"


def span_words(seconds: float) -> str:
    """Say a span of seconds as an owner would.

    Examples
    --------
    >>> span_words(1.2), span_words(97.0), span_words(930.0), span_words(6510.0)
    ('1 second', '97 seconds', '15 min 30 s', '1 h 49 min')
    """
    whole = round(seconds)
    if whole < 1:
        return "a second"
    if whole < 120:
        return amount(whole, "second")
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    minutes = (whole + 30) // 60  # half a minute counts as one, as people count
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def _first(rate: UFloat, measured: bool) -> str:
    if rate is None:
        return (
            "How the clock goes was not measured yet." if not measured else "Its rate was not measured yet."
        )
    return f"The clock {week_words(rate)}."


def _hands(checks: Sequence[HandCheckRecord]) -> tuple[str, ...]:
    """Result of the last comparison of the hands with a time signal."""
    from uncertainties import ufloat

    if not checks:
        return ()
    last = checks[-1]
    rate = ufloat(last.rate_s_per_day, last.u_rate_s_per_day or 1e-9)
    days = last.span_h / 24
    over = amount(round(days), "day") if days >= 1.5 else f"{last.span_h:.0f} hours"
    return (f"By its hands, seen against a time signal over {over}, it {week_words(rate)}.",)


def _rows(
    comparison: Comparison | None, readings: Sequence[ReadingRecord], rate: UFloat, unread: bool
) -> list[OwnerRow]:
    if comparison is None:
        figures = {name: readings[-1].figure(name) for name in SHOWN} if readings else {}
        old, new = (figures, {}) if unread else ({}, figures)
    else:
        old, new = (
            {name: _latest([getattr(one, name) for one in group.readings]) for name in SHOWN}
            for group in (comparison.before, comparison.after)
        )
    now = new | ({"rate_s_per_day": rate} if rate is not None else {})
    rows = [
        OwnerRow("In a day it", *(_day_words(side.get("rate_s_per_day")) for side in (old, now))),
        OwnerRow("The balance swings, end to end", *(_degrees(side.get("arc_deg")) for side in (old, now))),
        OwnerRow("Its two swings, there and back,", *(_evenness(side) for side in (old, now))),
    ]
    return [row for row in rows if row.before or row.now]


def _latest(figures: Sequence[UFloat]) -> UFloat:
    """The figure of the last reading that has one: the state of the clock at the end of that period."""
    known = [figure for figure in figures if figure is not None]
    return known[-1] if known else None


def _day_words(rate: UFloat) -> str:
    if rate is None:
        return ""
    low, high = interval(rate)
    size = abs(rate.nominal_value)
    if low < 0 < high and max(-low, high) < 1.0:
        return "keeps time to within a second"
    said = f"{size:.1f} seconds" if size < 10 else span_words(size)
    return f"{'gains' if rate.nominal_value >= 0 else 'loses'} {said}"


def _degrees(arc: UFloat) -> str:
    return "" if arc is None else f"{arc.nominal_value:.0f}°"


def _evenness(figures: Mapping[str, UFloat]) -> str:
    """Whether the balance takes equally long both ways, by the rule for setting in beat."""
    error_ms, period = figures.get("beat_error_ms"), figures.get("period_s")
    if error_ms is None or period is None:
        return ""
    low, high = interval(error_ms)
    size_s = 1e-3 * abs(error_ms.nominal_value)
    # for an offset that is a small share of the arc: (arc / 2) (pi b / T) = share * arc
    least = 2 * IN_BEAT_SHARE / math.pi if figures.get("arc_deg") is not None else IN_BEAT_PERIOD_SHARE
    if low <= 0 <= high or size_s <= least * period.nominal_value:
        return "are even"
    return f"differ by {2 * size_s:.2g} seconds"


def _still(judgement: Judgement | None, unread: bool, findings: Sequence[str]) -> tuple[str, ...]:
    said: list[str] = (
        [STILL_TO_HEAR]
        if unread
        else []
        if judgement is None
        else [STILL_TO_DO.get(task.kind, "") for task in judgement.tasks]
    )
    if judgement is not None and any(task.kind in TO_TIME for task in judgement.tasks):
        aim = f"{judgement.tolerance_s_per_day:g}"
        said.append(f"The aim is that it keeps time to {aim} second{'' if aim == '1' else 's'} a day.")
    return tuple(dict.fromkeys([one for one in said if one] + list(findings)))


def _rests_on(readings: Sequence[ReadingRecord], checks: Sequence[HandCheckRecord]) -> tuple[str, ...]:
    said = []
    if readings:
        days = sorted({f"{one.taken_at.astimezone():%Y-%m-%d}" for one in readings})
        when = f"on {days[0]}" if len(days) == 1 else f"between {days[0]} and {days[-1]}"
        said.append(
            f"The clock was listened to {amount(len(readings), 'time')} {when}, with a microphone at the movement: each "
            "beat of the balance was timed."
        )
    if checks:
        said.append(
            f"Its hands were compared with a time signal {amount(len(checks), 'time')}, the last time on "
            f"{checks[-1].checked_at.astimezone():%Y-%m-%d}."
        )
    return tuple(said)
