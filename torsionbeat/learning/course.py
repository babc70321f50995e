"""The course of a clock: its works, readings and hand checks in order of time, as rows of trials.

Input: what the log holds (`Work`, `Heard`). Output: a `Course`, one `Trial` for each rate heard. Weights and moves of
the regulator between two rates are summed. The regulator's position is counted from that at the first rate. Its setting
on its own scale is kept separately: a setting that nobody noted is ``None``, never 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from torsionbeat.learning.trials import HANDLING_S_PER_DAY, Trial, Within
from torsionbeat.reading.figures import UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.rate import DAY_S

__all__ = ["Course", "Heard", "Work", "course_of"]

OTHER_WORK_S_PER_DAY = 5.0
"""Further change of rate (s/day) that cleaning, setting the beat or levelling may cause (common practice, no source)."""

WEIGHT_DOUBT = 0.02
"""Relative standard uncertainty of a change of weights noted without one: pieces within a few percent
(common practice, no source)."""

SETTING_DOUBT = 0.02
"""Standard uncertainty, in the regulator's units, of a move noted without one: a turn read to some degrees."""

SAME_SETTING = 1e-6
"""Settings nearer than this are the same."""


@dataclass(frozen=True, slots=True)
class Work:
    """One piece of work, as noted.

    ``kind`` is one of the bench log's kinds; ``added_g`` counts all sides together; ``moved`` and ``setting`` are units
    of the regulator. ``None`` means not noted.
    """

    done_at_s: float
    kind: str
    what: str = ""
    added_g: float | None = None
    doubt_g: float | None = None
    moved: float | None = None
    setting: float | None = None
    doubt: float | None = None
    id: int = 0

    @property
    def told(self) -> bool:
        """Whether the amount was noted, so that the trial can be learnt from."""
        if self.kind == "weights":
            return self.added_g is not None
        return self.kind != "regulator" or self.moved is not None or self.setting is not None


@dataclass(frozen=True, slots=True)
class Heard:
    """A rate of the clock and its time: from a reading, from a hand check, or entered by hand.

    ``from_s`` and ``until_s`` are seconds since 1970. ``recorder`` names the crystal that this rate shares with others,
    ``timebase_s_per_day`` is the crystal's part of the standard uncertainty. ``within`` is the wander within the
    recording, where measured; ``temperature_c`` the temperature and ``arc_deg`` the arc, where known.
    """

    from_s: float
    until_s: float
    rate_s_per_day: UFloat
    source: Literal["reading", "hand check", "given"] = "reading"
    label: str = ""
    recorder: str = ""
    timebase_s_per_day: float = 0.0
    within: Within | None = None
    id: int = 0
    temperature_c: float | None = None
    arc_deg: UFloat = None

    @property
    def nights(self) -> float:
        """Number of nights that this rate averages, at least one."""
        return max((self.until_s - self.from_s) / DAY_S, 1.0)


@dataclass(frozen=True, slots=True)
class Course:
    """A clock's trials. ``heard`` holds the rate of each trial, row by row.

    ``pending`` are works done since the last rate. ``setting`` is the regulator's setting on its own scale after all
    works, or None where nobody noted it. ``repeated`` are notes that repeat another one between the same two rates.
    """

    rows: tuple[Trial, ...]
    heard: tuple[Heard, ...]
    pending: tuple[Work, ...] = ()
    setting: float | None = None
    repeated: tuple[Work, ...] = ()
    remarks: tuple[Remark, ...] = ()


@dataclass(slots=True)
class _Step:
    """Sum of the works between two rates, and the clock's state after them."""

    mass_g: float = 0.0
    place: float = 0.0
    setting: float | None = None
    spring: int = 0
    strip_since_s: float | None = None
    mass_variance: float = 0.0
    setting_variance: float = 0.0
    handling: float = 0.0
    unknown: bool = False

    def begin(self) -> None:
        """Reset the uncertainties of the previous step; keep the clock's state."""
        self.mass_variance = self.setting_variance = self.handling = 0.0
        self.unknown = False

    def do(self, work: Work) -> None:
        """Add a piece of work."""
        if work.kind == "spring":
            self.spring += 1
            self.strip_since_s = work.done_at_s
        elif work.kind == "weights":
            added = work.added_g
            if added is None:
                self.unknown = True
                return
            self.mass_g += added
            doubt = WEIGHT_DOUBT * abs(added) if work.doubt_g is None else work.doubt_g
            self.mass_variance += doubt**2
        elif work.kind == "regulator":
            self._move(work)
        else:
            self.handling = max(self.handling, OTHER_WORK_S_PER_DAY)

    def _move(self, work: Work) -> None:
        self.setting_variance += (SETTING_DOUBT if work.doubt is None else work.doubt) ** 2
        before = self.setting
        moved = work.moved
        if moved is None and work.setting is not None and before is not None:
            moved = work.setting - before
        if moved is None:
            self.unknown = True
            self.setting = work.setting
            return
        self.place += moved
        if work.setting is not None:
            self.setting = work.setting
            if before is not None:
                self.setting_variance += (work.setting - before - moved) ** 2
        elif before is not None:
            self.setting = before + moved


def course_of(
    works: Sequence[Work],
    heard: Sequence[Heard],
    *,
    setting_on_record: float | None = None,
    leave_out: Sequence[Work] = (),
) -> Course:
    """Merge works and rates into one course.

    Parameters
    ----------
    works, heard : sequence
        In any order; both are sorted by time.
    setting_on_record : float, optional
        The regulator's setting in the clock's record.
    leave_out : sequence of Work
        Notes to ignore, for example those of `Course.repeated`.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> night = [Heard(day * 86400.0, day * 86400.0 + 3600, ufloat(rate, 0.2)) for day, rate in ((0, 90), (1, 72))]
    >>> course = course_of([Work(7200.0, "regulator", moved=1.0, setting=6.0)], night)
    >>> [row.setting for row in course.rows], course.setting
    ([0.0, 1.0], 6.0)
    """
    done = sorted((one for one in works if one not in leave_out), key=lambda one: (one.done_at_s, one.id))
    rates = sorted(heard, key=lambda one: (one.from_s, one.until_s))
    kept, remarks = _undisturbed(rates, done)
    step = _Step(setting=_first_setting(done, setting_on_record))
    rows: list[Trial] = []
    repeated: list[Work] = []
    left = list(done)
    for one in kept:
        since = [work for work in left if work.done_at_s <= one.from_s]
        left = left[len(since) :]
        since, said = _amounts(since)
        remarks += said
        repeated += _doubles(since)
        step.begin()
        for work in since:
            step.do(work)
        rows.append(_row(one, step, kept[0].from_s, worked=bool(since)))
    last = replace(step)
    for work in left:
        last.do(work)
    return Course(tuple(rows), tuple(kept), tuple(left), last.setting, tuple(repeated), tuple(remarks))


def _row(heard: Heard, step: _Step, start_s: float, *, worked: bool) -> Trial:
    age = None if step.strip_since_s is None else max(heard.from_s - step.strip_since_s, 0.0) / DAY_S
    return Trial(
        heard.rate_s_per_day,
        step.mass_g,
        step.place,
        step.spring,
        mass_doubt_g=math.sqrt(step.mass_variance),
        setting_doubt=math.sqrt(step.setting_variance),
        handling_s_per_day=max(step.handling, HANDLING_S_PER_DAY) if worked else 0.0,
        timebase=heard.recorder if heard.timebase_s_per_day else "",
        timebase_s_per_day=min(heard.timebase_s_per_day, heard.rate_s_per_day.std_dev),
        label=heard.label,
        unknown=step.unknown,
        day=(heard.from_s - start_s) / DAY_S,
        nights=heard.nights,
        strip_age_days=age,
        within=heard.within,
        temperature_c=heard.temperature_c,
    )


def _undisturbed(rates: list[Heard], works: list[Work]) -> tuple[list[Heard], list[Remark]]:
    """Drop the hand checks during which the clock was worked on."""
    kept, remarks = [], []
    for one in rates:
        between = [work for work in works if one.from_s < work.done_at_s < one.until_s]
        if one.source == "hand check" and between:
            remarks.append(
                Remark(
                    "hand-check-over-work",
                    f"{_sentence_start(one.label)} is left out: the clock was worked on between its sightings "
                    f"({between[0].kind}: {between[0].what}).",
                )
            )
            continue
        if between:
            remarks.append(
                Remark(
                    "work-during-reading",
                    f"A note of work ({between[0].kind}: {between[0].what}) lies within {one.label}: check its "
                    "time. It is taken to have been done after it.",
                )
            )
        kept.append(one)
    return kept, remarks


def _amounts(works: list[Work]) -> tuple[list[Work], list[Remark]]:
    """Drop a note without an amount when a later note states the same work with its amount."""
    kept: list[Work] = []
    remarks = []
    for work in works:
        again = [
            other
            for other in works
            if other.kind == work.kind and other.told and other.id > work.id and not work.told
        ]
        if work.kind in ("weights", "regulator") and again:
            remarks.append(
                Remark(
                    "amount-kept-later",
                    f"The note {work.what!r} has no amount; the later note {again[0].what!r} is taken to say it.",
                )
            )
            continue
        kept.append(work)
    return kept, remarks


def _doubles(works: list[Work]) -> list[Work]:
    """Notes of one step that repeat another note of it."""
    return [
        second
        for first, second in pairwise(sorted(works, key=lambda one: (one.kind, one.done_at_s, one.id)))
        if second.kind == first.kind
        and second.told
        and (
            (second.kind == "weights" and second.added_g == first.added_g)
            or (second.kind == "regulator" and second.moved is not None and second.moved == first.moved)
        )
    ]


def _first_setting(works: Sequence[Work], on_record: float | None) -> float | None:
    """The regulator's setting before all works, from the first note that states it, else the record."""
    place = 0.0
    moves = [work for work in works if work.kind == "regulator"]
    for work in moves:
        if work.moved is None:
            break
        place += work.moved
        if work.setting is not None:
            return work.setting - place
    noted = [work.setting for work in moves if work.setting is not None]
    if noted and on_record is not None and abs(noted[-1] - on_record) < SAME_SETTING:
        return None  # the record states the present setting, not the first one
    return on_record


def _sentence_start(text: str) -> str:
    return text[:1].upper() + text[1:]
