"""Work by hand at the bench: the minute hand against a time signal, and the arc from two offsets.

Input: sightings, or two readings between which the beat setting was moved by a known angle. Output: the rate, or the
arc of a clock whose drop alone is heard.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from uncertainties import ufloat

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.source import Flag
from torsionbeat.benchlog import ReadingRecord, open_log
from torsionbeat.errors import InputError
from torsionbeat.history.nights import Group
from torsionbeat.history.shared_doubt import beat_errors_of_both
from torsionbeat.history.side_matching import same_letters
from torsionbeat.jobs.compare import CompareRequest, Days, groups_of
from torsionbeat.jobs.keep import HandCheckRequest as KeepRequest
from torsionbeat.jobs.keep import keep_hand_check
from torsionbeat.reading.document import figure_document
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.handcheck import Agreement, HandCheck, HandSighting, agreement
from torsionbeat.regulation.handcheck import hand_check as rate_of_hands
from torsionbeat.sound.remarks import Remark, remark_codes
from torsionbeat.theory.limits import within
from torsionbeat.theory.swing import arc_from_two_offsets_deg

__all__ = [
    "HandCheckRequest",
    "HandCheckResult",
    "Sighting",
    "TwoOffsetsRequest",
    "TwoOffsetsResult",
    "hand_check",
    "two_offsets",
]

READ_OFF_DEG = 0.5
"""Half-width of an angle that is set by hand on a scale of degrees (common practice, no source)."""


USUAL_LIFT_DEG = 20.0
"""Approximate lift of these escapements, used to report how little it matters (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """One sighting of the minute hand.

    Parameters
    ----------
    ahead_s : float
        Hand minus true time.
    within_s : float
        How far off the sighting may be (half-width).
    when : datetime or None
        The moment, with its time zone; either all sightings of a check have one, or none.
    elapsed_h : float
        Hours since the first sighting, where no moment is known.
    """

    ahead_s: float
    within_s: float = 5.0
    when: datetime | None = None
    elapsed_h: float = 0.0


@dataclass(frozen=True, slots=True)
class HandCheckRequest:
    """Two or more sightings in order of time. With a clock's name the check is kept and compared with its last reading."""

    sightings: tuple[Sighting, ...]
    clock: str | None = None
    log: str | None = None


@dataclass(frozen=True, slots=True)
class HandCheckResult:
    """The check, the clock's last reading with a rate, their agreement, and the clock for which the check was kept."""

    sightings: tuple[Sighting, ...]
    check: HandCheck
    remarks: tuple[Remark, ...]
    last: ReadingRecord | None = None
    agreement: Agreement | None = None
    kept_for: str | None = None

    def rows(self) -> tuple[dict[str, Any], ...]:
        """Give the sightings as JSON types, each with its distance from the line."""
        return tuple(
            (
                {"elapsed_h": one.elapsed_h}
                if one.when is None
                else {"at": one.when.astimezone(UTC).isoformat()}
            )
            | {
                "hand_minus_true_s": one.ahead_s,
                "reading_error_s": one.within_s,
                "residual_s": float(residual_s),
            }
            for one, residual_s in zip(self.sightings, self.check.residual_s, strict=True)
        )

    def document(self) -> dict[str, Any]:
        """Give the result as JSON types."""
        found: dict[str, Any] = {
            "rate_s_per_day": figure_document(self.check.rate_s_per_day),
            "span_h": self.check.span_h,
            "sightings": list(self.rows()),
            "remarks": list(self.remarks),
            "remark_codes": remark_codes(self.remarks),
        }
        if self.kept_for is not None:
            found["clock"] = self.kept_for
            found["last_reading"] = None
        if self.last is not None and self.agreement is not None:
            found["last_reading"] = {
                "taken_at": self.last.taken_at.isoformat(),
                "rate_s_per_day": figure_document(self.last.figure("rate_s_per_day")),
                "difference_s_per_day": figure_document(self.agreement.difference_s_per_day),
                "agrees": self.agreement.agrees,
            }
        return found


def hand_check(request: HandCheckRequest) -> HandCheckResult:
    """Find the rate from the minute hand; keep it if a clock is named.

    Parameters
    ----------
    request : HandCheckRequest

    Raises
    ------
    InputError
        The sightings give no rate, or there is no such clock.
    BenchLogError
        The log failed.
    """
    seen = request.sightings
    dated = [one.when for one in seen if one.when is not None]
    if dated and len(dated) < len(seen):
        raise InputError("some sightings have a date and some have hours gone by; give all of them one way")
    start_s = min((when.timestamp() for when in dated), default=0.0)
    check = rate_of_hands(
        [
            HandSighting(
                one.elapsed_h * 3600 if one.when is None else one.when.timestamp() - start_s,
                one.ahead_s,
                one.within_s,
            )
            for one in seen
        ]
    )
    remarks = (*check.remarks, *_zone_remark(dated))
    if request.clock is None:
        return HandCheckResult(seen, check, remarks)
    with open_log(request.log, must_exist=True) as log:
        name = log.clock(request.clock).name
        rated = [one for one in log.readings(name, documents=False) if one.rate_s_per_day is not None]
    last = rated[-1] if rated else None
    agrees = None if last is None else agreement(check, last.figure("rate_s_per_day"))
    result = HandCheckResult(seen, check, remarks, last, agrees, name)
    rate = check.rate_s_per_day
    keep_hand_check(KeepRequest(name, rate, check.span_h, result.rows(), remarks, seen[-1].when, request.log))
    return result


def _zone_remark(dated: Sequence[datetime]) -> list[Remark]:
    if len({when.utcoffset() for when in dated}) < 2:
        return []
    return [
        Remark(
            "summer-time-between",
            "Summer time began or ended between the sightings. If the hands were not moved for it, write all "
            "moments in one zone, such as 2026-03-01 20:00+01:00; if they were, check on either side of it.",
        )
    ]


@dataclass(frozen=True, slots=True)
class TwoOffsetsRequest:
    """Two readings of a clock, between which only the beat setting was moved.

    Parameters
    ----------
    before, after : Path or Days
        As for `torsionbeat.jobs.compare.CompareRequest`; for several readings the mean beat error is used.
    turned_deg : float
        Angle by which the fork (or the suspension) was turned; the direction does not matter.
    within_deg : float
        How far off this angle may be (half-width).
    share_above_fork : float
        Where the fork rides on the strip: free length above the fork over the active length; else 1. The offset moves
        by the turn over this share.
    swap_sides : bool or None
        True: side a before is side b after; False: it is side a; None: the sounds decide.
    clock : KnownClock
    """

    before: Path | Days
    after: Path | Days
    turned_deg: float
    within_deg: float = READ_OFF_DEG
    share_above_fork: float = 1.0
    swap_sides: bool | None = None
    clock: KnownClock = KnownClock()

    def __post_init__(self) -> None:
        within(
            "turn of the beat setting", self.turned_deg, 0, 90, "deg", "give how far it was turned, above 0"
        )
        within("error of the turn", self.within_deg, 0, self.turned_deg, "deg", "below the turn itself")
        within(
            "share of the strip above the fork", self.share_above_fork, 0, 1, "", "free length above over all"
        )


@dataclass(frozen=True, slots=True)
class TwoOffsetsResult:
    """The arc (end to end), the change of the offset, and the two beat errors that give the arc.

    ``arc_if_exchanged_deg`` is the arc if side a before is side b after, where the sounds did not show it; else None.
    """

    arc_deg: UFloat
    arc_if_exchanged_deg: UFloat
    offset_change_deg: UFloat
    beat_error_before_ms: UFloat
    beat_error_after_ms: UFloat
    period_s: float
    lift_deg: float | None
    remarks: tuple[Remark, ...]

    def document(self) -> dict[str, Any]:
        """Give the result as JSON types."""
        figures = (
            "arc_deg",
            "arc_if_exchanged_deg",
            "offset_change_deg",
            "beat_error_before_ms",
            "beat_error_after_ms",
        )
        return {name: figure_document(getattr(self, name)) for name in figures} | {
            "period_s": self.period_s,
            "lift_deg": self.lift_deg,
            "remarks": list(self.remarks),
            "remark_codes": remark_codes(self.remarks),
        }


def two_offsets(
    request: TwoOffsetsRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> TwoOffsetsResult:
    """Find the arc of a clock whose drop alone is heard, from two beat errors and the turn between them.

    Parameters
    ----------
    request : TwoOffsetsRequest
    progress, cancel
        As for `torsionbeat.jobs.compare.compare`.

    Raises
    ------
    InputError
        A side without a beat error, or beat errors too near each other.
    NothingHeardError
        A recording holds no clock.
    """
    sides = CompareRequest(request.before, request.after, request.clock)
    before, after = groups_of(sides, progress=progress, cancel=cancel)
    readings = (*before.readings, *after.readings)
    period_s = readings[-1].period_s.nominal_value
    lift_deg = readings[-1].clock.lift_deg
    swapped = request.swap_sides
    if swapped is None:
        # The beat error was changed on purpose: only the sounds identify the sides.
        same = same_letters(before.nights, after.nights, moved=1.0)
        swapped = None if same is None else not same
    turn = ufloat(request.turned_deg, request.within_deg / 3**0.5) / request.share_above_fork
    first, second = _beat_errors(before, after, swapped=bool(swapped))
    arc = arc_from_two_offsets_deg(turn, first, second, period_s, lift_deg or 0.0)
    other = None
    if swapped is None:
        with contextlib.suppress(InputError):
            exchanged = _beat_errors(before, after, swapped=True)
            other = arc_from_two_offsets_deg(turn, *exchanged, period_s, lift_deg or 0.0)
    return TwoOffsetsResult(
        arc,
        other,
        turn,
        first,
        second,
        period_s,
        lift_deg,
        (*before.remarks, *after.remarks, *_beware(lift_deg, arc, other)),
    )


def _beat_errors(before: Group, after: Group, *, swapped: bool) -> tuple[UFloat, UFloat]:
    found = beat_errors_of_both(before, after, swapped=swapped)
    for which, error in zip(("before", "after"), found, strict=True):
        if error is None:
            raise InputError(f"no beat error was read {which} the turn; both sides of the beat must be heard")
    return found


def _beware(lift_deg: float | None, arc: UFloat, other: UFloat) -> tuple[Remark, ...]:
    said = []
    if other is not None:
        said.append(
            Remark(
                "sides-untold",
                "The sounds do not tell whether side a is the same in both readings. If it is not, the arc is "
                f"{other.nominal_value:.0f} deg: count it once by eye, or say --swap-sides or --keep-sides.",
            )
        )
    if lift_deg is None:
        low = 100 * 0.5 * (USUAL_LIFT_DEG / max(arc.nominal_value, USUAL_LIFT_DEG)) ** 2
        said.append(
            Remark(
                "lift-not-known",
                f"The lift is not known: with one of {USUAL_LIFT_DEG:g} deg this arc reads {low:.1f} % low. Give --lift if "
                "it is known.",
            )
        )
    return tuple(said)
