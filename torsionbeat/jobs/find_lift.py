"""Find the lift from arcs that were counted by eye while the clock was recorded.

Input: a recording, and the arc counted once or several times. Output: the lift with its uncertainty, for the clock's
record. The best counts are made while the balance swings down without its drive: each count then tests the same lift at
another arc.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from uncertainties import ufloat

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.source import Flag
from torsionbeat.errors import InputError
from torsionbeat.jobs.hear import HearRequest, hear
from torsionbeat.jobs.keep import ClockRequest, change_clock
from torsionbeat.reading.analysis import Listening
from torsionbeat.reading.figures import FloatArray, Reading, UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.limits import within
from torsionbeat.theory.swing import arc_and_offset_deg, lift_from_arc_deg

__all__ = [
    "CountedArc",
    "FindLiftRequest",
    "FindLiftResult",
    "find_lift",
    "keep_lift",
    "lift_of_counts",
    "lift_of_free_swing",
]

COUNTED_WITHIN_DEG = 10.0
"""How far off a counted arc may be: a third of the spacing of twelve ornaments (common practice, no source)."""

NEAR_S = 90.0
"""Beats within this time of a count belong to it: an arc settles with a time constant of ten minutes or more."""

LEAST_BEATS = 4
"""Fewest beats whose passages give an arc: two of each side."""

CONFLICT = 3.0
"""Standard uncertainties beyond which counts contradict each other: 1 in 400 by chance."""


@dataclass(frozen=True, slots=True)
class CountedArc:
    """An arc counted by eye: end to end in degrees, how far off it may be, and its time (None: the whole recording)."""

    arc_deg: float
    within_deg: float = COUNTED_WITHIN_DEG
    at_s: float | None = None

    def __post_init__(self) -> None:
        within("counted arc", self.arc_deg, 10, 1500, "deg", "count from one turning point to the other")
        within("its error", self.within_deg, 0, 90, "deg", "say how far off the count may be")


@dataclass(frozen=True, slots=True)
class FindLiftRequest:
    """A recording and the arcs counted in it; ``keep`` sets the lift in the clock's record.

    ``free_swing``: the drive was off and the balance swung down; arcs, passages and decay are then fitted together.
    """

    recording: Path
    counted: tuple[CountedArc, ...]
    clock: KnownClock = KnownClock()
    listening: Listening = Listening()
    keep: bool = False
    free_swing: bool = False


@dataclass(frozen=True, slots=True)
class FindLiftResult:
    """The lift (deg), the lift of each count, remarks, and the clock in whose record it was kept."""

    lift_deg: UFloat
    each_deg: tuple[UFloat, ...]
    remarks: tuple[Remark, ...]
    kept_for: str | None = None

    @property
    def tolerance_deg(self) -> float:
        """Half-width of a rectangular distribution with the same standard uncertainty, as in a clock's record."""
        return float(np.sqrt(3) * self.lift_deg.std_dev)


def find_lift(
    request: FindLiftRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> FindLiftResult:
    """Find the lift of a clock from arcs counted while it was recorded.

    Parameters
    ----------
    request : FindLiftRequest
    progress : callable, optional
        Called with the share of the reading that is done, 0 to 1.
    cancel : Flag, optional

    Raises
    ------
    InputError
        No count, no contact heard near one, no clock to keep it for, or an unusable recording.
    NothingHeardError
        No clock is heard.
    BenchLogError
        The log failed.
    CancelledError
        ``cancel`` was set.
    """
    if request.keep and request.clock.name is None:
        raise InputError("the lift is to be kept, but for no clock; name the clock of the bench log")

    asked = HearRequest((request.recording,), request.clock, request.listening)
    reading = hear(asked, progress=progress, cancel=cancel).analysis.reading
    by = lift_of_free_swing if request.free_swing else lift_of_counts
    lift, each, remarks = by(reading, request.counted)
    found = FindLiftResult(lift, each, remarks)
    if not request.keep:
        return found
    return keep_lift(found, str(request.clock.name), request.clock.log)


def keep_lift(found: FindLiftResult, clock: str, log: str | None = None) -> FindLiftResult:
    """Keep the lift, and how far off it may be, in a clock's record.

    Parameters
    ----------
    found : FindLiftResult
    clock : str
        A clock of the bench log.
    log : str or None
        The bench log; None: the default log.

    Raises
    ------
    InputError
        There is no such clock, or the lift is impossible.
    BenchLogError
        The log failed.
    """
    fields = {
        "lift_deg": round(found.lift_deg.nominal_value, 2),
        "lift_tolerance_deg": round(found.tolerance_deg, 2),
    }
    kept = change_clock(ClockRequest(clock, fields, log))
    return replace(found, kept_for=kept.clock.name)


def lift_of_counts(
    reading: Reading, counted: tuple[CountedArc, ...]
) -> tuple[UFloat, tuple[UFloat, ...], tuple[Remark, ...]]:
    """Calculate the lift from counted arcs and a reading's passages: overall, of each count, and remarks.

    The error of a count has a rectangular distribution of its half-width; counts are independent.

    Raises
    ------
    InputError
        No count, or no contact heard near one.
    """
    if not counted:
        raise InputError("no arc was counted; count it once at least while the clock is recorded")
    each = tuple(_lift_of(reading, one) for one in counted)
    weights = np.array([1 / max(one.std_dev, 1e-6) ** 2 for one in each])
    values = np.array([one.nominal_value for one in each])
    mean, u = float(weights @ values / weights.sum()), float(1 / np.sqrt(weights.sum()))
    widened, remarks = _contradicting(counted, (values - mean) * np.sqrt(weights))
    return ufloat(mean, u * widened), each, remarks


def lift_of_free_swing(
    reading: Reading, counted: tuple[CountedArc, ...]
) -> tuple[UFloat, tuple[UFloat, ...], tuple[Remark, ...]]:
    """Calculate the lift from a free swing, with counts, passages and decay fitted together: overall, of each count, remarks.

    Raises
    ------
    InputError
        No count, a count without its time, or too few passages.
    """
    from torsionbeat.regulation.swing_lift import swing_lift

    if any(one.at_s is None for one in counted):
        raise InputError(
            'each arc of a free swing is counted at its own moment; write it as "390 at 12min" from the start'
        )
    swings = reading.swings
    rows = np.isfinite(swings.lift_passage_s)
    at_s, arc_deg, within_deg = (
        np.array([getattr(one, name) for one in counted], float) for name in ("at_s", "arc_deg", "within_deg")
    )
    u_deg = np.maximum(within_deg, 1e-3) / np.sqrt(3)
    fit = swing_lift(
        swings.time_s[rows],
        swings.lift_passage_s[rows],
        reading.period_s.nominal_value,
        at_s,
        arc_deg,
        u_deg,
        offset_of_lift=_offset_of_lift(reading),
    )
    widened, remarks = _contradicting(counted, fit.off)
    lift = fit.lift_deg.nominal_value
    each = tuple(
        ufloat(lift * one.arc_deg / arc, lift * u / arc)
        for one, arc, u in zip(counted, fit.arcs_deg, u_deg, strict=True)
    )
    return ufloat(lift, fit.lift_deg.std_dev * widened), each, remarks


def _offset_of_lift(reading: Reading) -> float:
    """The offset over the lift, from the beat error and the median passage; the lift is not needed."""
    if reading.beat_error_ms is None or not np.isfinite(reading.swings.lift_passage_s).any():
        return 0.0
    passage_s = float(np.nanmedian(reading.swings.lift_passage_s))
    period_s = reading.period_s.nominal_value
    return float(arc_and_offset_deg(passage_s, reading.beat_error_ms.nominal_value, period_s, 1.0)[1])


def _contradicting(counted: tuple[CountedArc, ...], off: FloatArray) -> tuple[float, tuple[Remark, ...]]:
    """Factor by which contradicting counts widen the interval, and the remark; ``off`` is in their standard uncertainties."""
    if len(off) < 2 or np.abs(off).max() <= CONFLICT:
        return 1.0, ()
    worst = counted[int(np.argmax(np.abs(off)))]
    widened = float(np.sqrt(np.sum(off**2) / (len(off) - 1)))  # R. T. Birge, Phys. Rev. 40 (1932) 207
    return max(widened, 1.0), (
        Remark(
            "counts-contradict",
            f"The counts contradict each other: {worst.arc_deg:g} deg fits the others worst. Count again, from one "
            "turning point to the other; the interval is wider for it.",
        ),
    )


def _lift_of(reading: Reading, counted: CountedArc) -> UFloat:
    swings = reading.swings
    near = np.isfinite(swings.lift_passage_s)
    if counted.at_s is not None:
        near &= np.abs(swings.time_s - counted.at_s) <= max(NEAR_S, reading.period_s.nominal_value)
    if near.sum() < LEAST_BEATS:
        where = "in the recording" if counted.at_s is None else f"near {counted.at_s:g} s"
        raise InputError(
            f"{int(near.sum())} beats with contact and drop are heard {where}; an arc needs at least {LEAST_BEATS}: count "
            "it at another time, or move the microphone until the contact is heard"
        )
    passage = swings.lift_passage_s[near]
    error_ms = 0.0 if reading.beat_error_ms is None else reading.beat_error_ms.nominal_value
    period_s = reading.period_s.nominal_value
    lift = float(lift_from_arc_deg(passage.mean(), error_ms, period_s, counted.arc_deg))
    of_count = counted.within_deg / np.sqrt(3) / counted.arc_deg
    of_passage = float(passage.std(ddof=1)) / np.sqrt(near.sum()) / passage.mean()
    return ufloat(lift, lift * np.hypot(of_count, of_passage))
