"""Whether a reading is of the clock under which it is to be kept: impossible figures, and the odds of another clock.

Two things speak against it. The first are figures that contradict the clock's record: a period far from the nominal one,
most beats missing, a beat error that no fork allows. The second, where the clock was heard before and not worked on since,
are figures unlike the earlier ones: rate, size of the beat error, arc, and how much louder the drop is than the contact.
Each difference gives log odds of "another clock, or work that was not noted" against "the same clock on another night".
They are added to the prior odds, so that no single unusual figure decides: a clock may lose its arc, and that must be kept.

Input: marks of two readings (:class:`ClockMarks`), the kinds of work done between. Output: remarks, none where all is well.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.rate import DAY_S

__all__ = ["ClockMarks", "marks_of_document", "other_clock_log_odds", "what_is_odd"]

FAR_FROM_NOMINAL = 0.03
"""Share of the nominal period: 43 minutes a day, more than a strip of the wrong thickness leaves after a first trial."""

LEAST_HEARD = 0.5
"""Share of the beats; below it the pattern found may be that of something else."""

LARGEST_BEAT_ERROR = 0.1
"""Share of the period: at an arc of 400 deg an offset of 62 deg, three times the lift; no fork can be set so."""

PRIOR_LOG_ODDS = math.log(0.02 / 0.98)
"""One reading in fifty is entered under another clock, or after work that was not noted (common practice, no source)."""

ODD_FROM = math.log(0.95 / 0.05)
"""Log odds from which the user is asked about a reading: at most one question in twenty is then needless."""

FREES = {
    "rate": {"spring", "weights", "regulator", "cleaning", "other"},
    "beat": {"spring", "beat", "level", "cleaning", "other"},
    "arc": {"spring", "weights", "cleaning", "beat", "level", "other"},
    "sound": {"cleaning", "beat", "other"},
}
"""Kinds of work that may change a figure; its change is then no evidence."""

SCALES = {
    "rate": (5.0, 300.0, "s a day"),
    "beat": (0.0005, 0.01, ""),
    "arc": (0.03, 0.25, ""),
    "sound": (3.0, 8.0, "dB"),
}
"""Scales of each difference: for one clock from night to night, and between clocks of a workshop. Rate (s/day); size of the
beat error (share of the period); arc (logarithm of the ratio); drop above contact (dB). Common practice, no source;
``tests/history/test_same_clock.py`` tests them on simulated workshops."""


@dataclass(frozen=True, slots=True)
class ClockMarks:
    """Figures of a reading that help to recognise its clock; None where not measured.

    ``drop_over_contact_db`` is how much louder the drop is than the contact, median over the swings.
    """

    period_s: float | None = None
    beat_error_ms: float | None = None
    arc_deg: float | None = None
    beats_expected: int | None = None
    beats_heard: int | None = None
    drop_over_contact_db: float | None = None


def marks_of_document(document: Mapping[str, Any]) -> ClockMarks:
    """Take the marks from a reading's document (schema 1)."""

    def figure(name: str) -> float | None:
        found = document.get(name)
        return None if not found or found.get("value") is None else float(found["value"])

    rows = [
        (row.get("contact_db"), row.get("drop_db"))
        for row in document.get("swings") or ()
        if row.get("contact_db") is not None and row.get("drop_db") is not None
    ]
    beats = document.get("beats") or {}
    return ClockMarks(
        figure("period_s"),
        figure("beat_error_ms"),
        figure("arc_deg"),
        beats.get("expected"),
        beats.get("heard"),
        float(np.median([drop - contact for contact, drop in rows])) if rows else None,
    )


def what_is_odd(
    new: ClockMarks,
    nominal_period_s: float | None,
    before: ClockMarks | None = None,
    works: Collection[str] = (),
) -> tuple[Remark, ...]:
    """Say what speaks against keeping a reading for a clock.

    Parameters
    ----------
    new : ClockMarks
        Marks of the reading.
    nominal_period_s : float or None
        Of the clock's record.
    before : ClockMarks or None
        Marks of the clock's reading next to it in time.
    works : collection of str
        Kinds of work done between the two.

    Returns
    -------
    tuple of Remark
        Sentences, the weightiest first; empty where the reading may be kept.
    """
    told = _impossible(new, nominal_period_s)
    if not told and before is not None:
        odds = other_clock_log_odds(new, before, works)
        if sum(odds.values()) + PRIOR_LOG_ODDS > ODD_FROM:
            weighty = sorted((name for name in odds if odds[name] > 1), key=lambda name: -odds[name])
            told = [_unlike(name, new, before) for name in weighty]
    return tuple(told)


def other_clock_log_odds(
    new: ClockMarks, before: ClockMarks, works: Collection[str] = ()
) -> dict[str, float]:
    """Log odds of another clock against the same one, for each figure that both readings have.

    The same clock: Student's t with two degrees of freedom, whose tails allow a bad night. Another clock: a
    two-sided exponential density.

    Parameters
    ----------
    new : ClockMarks
        Marks of the reading in question.
    before : ClockMarks
        Marks of the clock's last one.
    works : collection of str
        Kinds of work done between.

    Examples
    --------
    >>> one, other = ClockMarks(period_s=60.0), ClockMarks(period_s=60.7)
    >>> round(other_clock_log_odds(one, other)["rate"], 1), other_clock_log_odds(one, one)["rate"] < 0
    (7.8, True)
    """
    odds: dict[str, float] = {}
    for name, change in _changes(new, before).items():
        if FREES[name] & set(works):
            continue
        same, other, _ = SCALES[name]
        log_same = -math.log(2 * math.sqrt(2) * same) - 1.5 * math.log1p((change / same) ** 2 / 2)
        log_other = -math.log(2 * other) - abs(change) / other
        odds[name] = log_other - log_same
    return odds


def _changes(new: ClockMarks, before: ClockMarks) -> dict[str, float]:
    changes: dict[str, float] = {}
    if new.period_s and before.period_s:
        changes["rate"] = DAY_S * (before.period_s / new.period_s - 1)
        if new.beat_error_ms is not None and before.beat_error_ms is not None:
            sizes = abs(new.beat_error_ms) / new.period_s, abs(before.beat_error_ms) / before.period_s
            changes["beat"] = (sizes[0] - sizes[1]) / 1000
    if new.arc_deg and before.arc_deg and new.arc_deg > 0 and before.arc_deg > 0:
        changes["arc"] = math.log(new.arc_deg / before.arc_deg)
    if new.drop_over_contact_db is not None and before.drop_over_contact_db is not None:
        changes["sound"] = new.drop_over_contact_db - before.drop_over_contact_db
    return changes


def _impossible(new: ClockMarks, nominal_period_s: float | None) -> list[Remark]:
    period, heard, expected = new.period_s or 0.0, new.beats_heard or 0, new.beats_expected or 0
    error_ms = new.beat_error_ms or 0.0
    told = []
    if period and nominal_period_s is not None and abs(period / nominal_period_s - 1) > FAR_FROM_NOMINAL:
        said = f"its period is {period:.4g} s and the clock's nominal one {nominal_period_s:g} s"
        told.append(Remark("period-contradicts-record", said))
    if heard < LEAST_HEARD * expected:
        told.append(Remark("most-beats-missing", f"only {heard} of {expected} beats were heard"))
    if period and abs(error_ms) > 1000 * LARGEST_BEAT_ERROR * period:
        said = f"its beat error is {error_ms / 1000:.2g} s, more than any fork can be out of beat"
        told.append(Remark("beat-error-impossible", said))
    return told


def _unlike(name: str, new: ClockMarks, before: ClockMarks) -> Remark:
    change = _changes(new, before)[name]
    words = {
        "rate": f"its rate is {abs(change):.0f} s a day {'above' if change > 0 else 'below'} that of the reading before it",
        "beat": f"its beat error is {abs(new.beat_error_ms or 0):.0f} ms, before it was "
        f"{abs(before.beat_error_ms or 0):.0f} ms",
        "arc": f"its arc is {new.arc_deg or 0:.0f} deg, before it was {before.arc_deg or 0:.0f} deg",
        "sound": f"its drop is {new.drop_over_contact_db or 0:.0f} dB louder than its contact, before it was "
        f"{before.drop_over_contact_db or 0:.0f} dB",
    }[name]
    return Remark(f"{name}-unlike-before", words)
