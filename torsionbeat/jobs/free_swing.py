"""Free swing: how the arc decays without a drive, and what this shows.

Input: arcs seen or heard, with their times. Output: Q, what damps the balance, its settling time, and the power that
the drive must give. The result is kept in the bench log if a clock is named.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.history.nights import reading_from_document
from torsionbeat.reading.arc_course import without_drive
from torsionbeat.reading.document import figure_document
from torsionbeat.regulation.freeswing import FreeSwingResult as Law
from torsionbeat.regulation.freeswing import arcs_from_counts, arcs_from_mark, arcs_from_passages
from torsionbeat.regulation.freeswing import free_swing as law_of
from torsionbeat.sound.remarks import remark_codes

__all__ = ["ArcsSeen", "FreeSwingRequest", "FreeSwingResult", "SoundsHeard", "SwingsHeard", "free_swing"]

LONGEST_CSV_BYTES = 500_000_000
"""The sounds of a month have some hundred million bytes; a larger file is not a list of sounds."""


@dataclass(frozen=True, slots=True)
class ArcsSeen:
    """Arcs read off or counted: times (s), arcs end to end (deg), how far off an arc may be (deg, half-width)."""

    time_s: tuple[float, ...]
    arc_deg: tuple[float, ...]
    within_deg: float | None = None

    @staticmethod
    def counted(time_s: Sequence[float], ornaments: Sequence[float], spacing_deg: float) -> ArcsSeen:
        """Give arcs from ornaments counted past a pointer, known to half the spacing.

        Parameters
        ----------
        time_s : sequence of float
            shape (n,).
        ornaments : sequence of float
            shape (n,): ornaments that passed the pointer from one turning point to the other.
        spacing_deg : float
            Angle between two ornaments.
        """
        arcs = arcs_from_counts(list(ornaments), spacing_deg)
        return ArcsSeen(tuple(time_s), tuple(float(arc) for arc in arcs), spacing_deg / 2)


@dataclass(frozen=True, slots=True)
class SwingsHeard:
    """Arcs of a reading's document (schema 1). If the drive was lost midway, only the part without a drive is used."""

    document: dict[str, Any]
    within_deg: float | None = None


@dataclass(frozen=True, slots=True)
class SoundsHeard:
    """Sounds written by analyse --events: contact and drop with the lift, or one sound a passage with a mark."""

    events: Path
    lift_deg: float | None = None
    mark_deg: float | None = None
    within_deg: float | None = None


@dataclass(frozen=True, slots=True)
class FreeSwingRequest:
    """The arcs seen or heard, and the figures to calculate.

    Parameters
    ----------
    source : ArcsSeen, SwingsHeard or SoundsHeard
    period_s : float or None
        Full period; None: from the clock or the reading.
    at_arc_deg : float or None
        Running arc for which Q and settling time are calculated.
    until_arc_deg : float or None
        Arc for which the time of decay is calculated.
    inertia_g_mm2 : float or None
        Inertia of the balance, for the power; None: from the clock's record.
    clock, log : str or None
        Clock of the bench log for which the result is kept.
    """

    source: ArcsSeen | SwingsHeard | SoundsHeard
    period_s: float | None = None
    at_arc_deg: float | None = None
    until_arc_deg: float | None = None
    inertia_g_mm2: float | None = None
    clock: str | None = None
    log: str | None = None


@dataclass(frozen=True, slots=True)
class FreeSwingResult:
    """The result of the free swing, its arcs, and the clock for which it was kept."""

    law: Law
    period_s: float
    time_s: tuple[float, ...]
    arc_deg: tuple[float, ...]
    kept_for: str | None = None

    def document(self) -> dict[str, Any]:
        """Give the result as JSON types."""
        law = self.law
        return {
            "law": law.law,
            "likelihood": law.likelihood,
            "at_arc_deg": law.at_arc_deg,
            "period_s": self.period_s,
            "q": figure_document(law.q),
            "settling_time_s": figure_document(law.settling_time_s),
            "half_life_s": figure_document(law.half_life_s),
            "dry_share": figure_document(law.dry_share),
            "loss_deg_per_swing": figure_document(law.loss_deg_per_swing),
            "until_arc_deg": law.until_arc_deg,
            "until_s": figure_document(law.until_s),
            "energy_per_day_mj": figure_document(law.energy_per_day_mj),
            "power_nw": figure_document(law.power_nw),
            "readings": [
                {"time_s": time, "arc_deg": arc}
                for time, arc in zip(self.time_s, self.arc_deg, strict=True)
                if math.isfinite(arc)
            ],
            "findings": list(law.sentences),
            "remarks": list(law.remarks),
            "remark_codes": remark_codes(law.remarks),
        }


def free_swing(request: FreeSwingRequest) -> FreeSwingResult:
    """Find Q and what damps the balance; keep it if a clock is named.

    Parameters
    ----------
    request : FreeSwingRequest

    Raises
    ------
    InputError
        No such clock, no period, or arcs that are not a free swing.
    BenchLogError
        The log failed.
    """
    period_s, inertia = request.period_s, request.inertia_g_mm2
    lift_deg = request.source.lift_deg if isinstance(request.source, SoundsHeard) else None
    if request.clock is not None:
        with open_log(request.log, must_exist=True) as log:
            record = log.clock(request.clock)
        period_s = period_s if period_s is not None else record.nominal_period_s
        inertia = inertia if inertia is not None else record.balance_inertia_g_mm2
        lift_deg = lift_deg if lift_deg is not None else record.lift_deg
    time_s, arc_deg, period = _arcs(request.source, period_s, lift_deg)
    law = law_of(
        time_s,
        arc_deg,
        period,
        reading_error_deg=request.source.within_deg,
        at_arc_deg=request.at_arc_deg,
        until_arc_deg=request.until_arc_deg,
        inertia_g_mm2=inertia,
    )
    result = FreeSwingResult(
        law, period, tuple(map(float, time_s)), tuple(map(float, arc_deg)), request.clock
    )
    if request.clock is not None:
        settling_s = None if law.settling_time_s is None else law.settling_time_s.nominal_value
        with open_log(request.log, must_exist=True) as log:
            log.add_freeswing(
                request.clock, result.document(), law=law.law, q=law.q, settling_time_s=settling_s
            )
    return result


def _arcs(
    source: ArcsSeen | SwingsHeard | SoundsHeard, period_s: float | None, lift_deg: float | None
) -> tuple[Any, Any, float]:
    """Times, arcs and period from the given source."""
    if isinstance(source, ArcsSeen):
        return source.time_s, source.arc_deg, _period(period_s)
    if isinstance(source, SoundsHeard):
        return *_passages(source, _period(period_s), lift_deg), _period(period_s)
    heard = reading_from_document(source.document)
    if not len(heard.swings):
        raise InputError("the reading holds no swings; give what analyse --json wrote of a free swing")
    measured = None if heard.period_s is None else float(heard.period_s.nominal_value)
    free = without_drive(heard.swings.time_s, heard.swings.arc_deg)
    period = _period(period_s or measured or heard.clock.nominal_period_s)
    return heard.swings.time_s[free], heard.swings.arc_deg[free], period


def _period(period_s: float | None) -> float:
    if period_s is None:
        raise InputError("the period is not known; give it with --period (full period, out and back, s)")
    return period_s


def _passages(source: SoundsHeard, period_s: float, lift_deg: float | None) -> tuple[Any, Any]:
    """Calculate arcs from the sounds of the passages."""
    rows = _sounds(source.events) if lift_deg is not None or source.mark_deg is not None else []
    if (source.lift_deg is not None and source.mark_deg is not None) or not rows:
        raise InputError(
            "--events needs either --lift (contact and drop heard) or --mark (one sound a passage)"
        )
    if source.mark_deg is not None:
        return arcs_from_mark([time for time, _ in rows], period_s, source.mark_deg)
    assert lift_deg is not None
    pairs = [
        (first[0], second[0])
        for first, second in pairwise(rows)
        if first[1] == "contact" and second[1] == "drop" and second[0] - first[0] < period_s / 4
    ]
    if not pairs:
        raise InputError(
            f"{source.events} holds no contact followed by its drop; record nearer to the clock, or use --mark"
        )
    return arcs_from_passages([pair[0] for pair in pairs], [pair[1] for pair in pairs], period_s, lift_deg)


def _sounds(path: Path) -> list[tuple[float, str]]:
    try:
        if path.stat().st_size > LONGEST_CSV_BYTES:
            raise InputError(
                f"{path} has {path.stat().st_size} bytes; the sounds of a night have far less than 500 MB"
            )
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = [(float(row["time_s"]), row.get("kind") or "") for row in csv.DictReader(file)]
    except InputError:
        raise
    except (OSError, KeyError, TypeError, ValueError, csv.Error) as error:
        raise InputError(
            f"{path} cannot be read as sounds ({error!r}); give what analyse --events wrote "
            "(time_s,side,kind,level_db)"
        ) from error
    if not rows:
        raise InputError(f"{path} holds no sound; give what analyse --events wrote")
    return rows
