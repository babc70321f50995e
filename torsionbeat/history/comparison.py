"""Before and after: what changed beyond doubt between two groups of nights, and what did not.

Input: two groups of readings. Output: a row for each quantity: before, after, the change with its 95 %
interval, and whether that interval excludes no change at all. Differences exclude 0, ratios (of spreads and
of Allan deviations) exclude 1. Nights of a group are compared by Welch's method
(`torsionbeat.reading.intervals`); within one night swings are never taken as independent. What the nights of a side
share is no lesser for their number (`torsionbeat.history.shared_doubt`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from torsionbeat.history.comparability import comparison_remarks
from torsionbeat.history.comparison_rows import Row, Verdict, figure_row, pair_row, ratio_row
from torsionbeat.history.nights import Group, Night, counted_once
from torsionbeat.history.shared_doubt import (
    own_arc,
    own_beat_error,
    own_offset,
    own_rate,
    remark_on_shared_arc,
    shared_arc,
    shared_beat_error,
    shared_offset,
    shared_rate,
)
from torsionbeat.history.side_matching import groups_alike
from torsionbeat.history.sound_rows import LONE, loudness_rows, voice_rows
from torsionbeat.history.wander import arc_spread, pooled_deviations, sound_deviation
from torsionbeat.reading.figures import Reading, UFloat
from torsionbeat.reading.intervals import (
    BLOCKS,
    Estimate,
    share,
    share_difference,
    slope_per_day,
)
from torsionbeat.sound.remarks import Remark, remark_codes
from torsionbeat.theory.stability import confidence_limits

__all__ = ["Comparison", "Group", "Night", "Row", "Verdict", "compare"]


ARC = "arc (amplitude end to end)"
MOST_OF_SOUNDS = 0.5
"""Share of a spread's square, from single sounds, above which the spread describes sounds and microphone, not the clock."""

HIDDEN = "most of it is the scatter of single sounds, on both sides, and not the clock's wander"


@dataclass(frozen=True, slots=True)
class Comparison:
    """All rows, in the order in which a restorer reads them, and remarks on what to beware of."""

    before: Group
    after: Group
    rows: tuple[Row, ...]
    remarks: tuple[Remark, ...]

    def row(self, name: str) -> Row:
        """Give the row of that name; KeyError where there is none."""
        return {row.name: row for row in self.rows}[name]

    def document(self) -> dict[str, Any]:
        """Give the comparison in plain types for JSON."""
        return {
            "schema": 1,
            "before": _group_document(self.before),
            "after": _group_document(self.after),
            "rows": [
                {
                    "name": row.name,
                    "unit": row.unit,
                    "before": _estimate_document(row.before),
                    "after": _estimate_document(row.after),
                    "change": _estimate_document(row.change),
                    "change_is": "ratio" if row.ratio else "difference",
                    "verdict": row.verdict,
                    "note": row.note,
                }
                for row in self.rows
            ],
            "remarks": list(self.remarks),
            "remark_codes": remark_codes(self.remarks),
        }


def compare(
    before: Group | Sequence[Reading] | Reading,
    after: Group | Sequence[Reading] | Reading,
    *,
    same_recorder: bool = False,
    same_place: bool = False,
    swap_sides: bool | None = None,
) -> Comparison:
    """Compare a clock before and after.

    Parameters
    ----------
    before, after : Group, sequence of Reading, or Reading
        One night or several.
    same_recorder : bool
        Both sides were recorded with the same device, so that its crystal's error drops out of the change.
    same_place : bool
        Neither microphone nor clock was moved between the sides, and the room was as quiet: levels then describe
        the clock.
    swap_sides : bool or None
        True: side a before is side b after; False: it is side a; None: the sounds decide.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        A side without any reading.
    """
    given = _group(before), _group(after)
    first, second, turned = groups_alike(_once(given[0]), _once(given[1]), swap_sides)
    rows = tuple(map(_marked, _rows(first, second, same_recorder, same_place)))
    remarks = comparison_remarks(first, second, same_recorder, turned if swap_sides is None else False)
    of_arc = remark_on_shared_arc(first, second, next(row for row in rows if row.name == ARC))
    if of_arc is not None:
        remarks.append(of_arc)
    again = sum(len(group.nights) for group in given) - len(first.nights) - len(second.nights)
    if again:
        remarks.append(Remark("nights-overlap", _AGAIN.format(again)))
    judged = sum(row.change is not None for row in rows)
    if judged:
        remarks.append(
            Remark(
                "by-chance",
                f"{judged} rows were judged, each at 95 %: about {judged / 20:.1g} of them would say 'changed' "
                "by chance on a clock that did not change.",
            )
        )
    if not same_place and any(len(reading.events) for reading in first.readings + second.readings):
        remarks.append(
            Remark(
                "loudness-needs-same-place",
                "Loudness is height above the room's noise: it tells of the clock only where microphone, place "
                "and room were the same. The place moves even the difference between the sides by a few decibels, "
                "which its interval allows for. Where nothing was moved, say so with --same-place.",
            )
        )
    return Comparison(
        first, second, rows, tuple(dict.fromkeys((*remarks, *given[0].remarks, *given[1].remarks)))
    )


_AGAIN = (
    "Left out as recorded at the same time as another: {}. The same stretch counts once, however often it was heard or "
    "read."
)


def _once(group: Group) -> Group:
    return replace(group, nights=counted_once(group.nights))


LEADING = (
    "rate (+ gains)",
    "period, out and back",
    "beat error",
    "offset",
    ARC,
    "Q of the free swing",
    "beats missed",
)
"""Rows a restorer looks at whether they changed or not."""

SIGNED = (
    "rate (+ gains)",
    "beat error",
    "offset",
    "arc, trend within a night",
    "arc, drift from day to day",
    "contact, side b louder than side a",
    "drop, side b louder than side a",
)
"""Rows whose values may lie on either side of zero."""


def _marked(row: Row) -> Row:
    """Mark a row as leading and as signed by its name, which is its key in the JSON."""
    return replace(row, signed=row.name in SIGNED, leading=row.name in LEADING)


def _rows(before: Group, after: Group, same_recorder: bool, same_place: bool) -> Iterator[Row]:
    if all(r.rate_s_per_day is not None for r in before.readings + after.readings):
        crystal = shared_rate(before, after, same_recorder)
        yield figure_row("rate (+ gains)", "s/day", before, after, own_rate, crystal)
    else:
        yield figure_row("period, out and back", "s", before, after, lambda r: r.period_s)
    yield figure_row("beat error", "ms", before, after, own_beat_error, shared_beat_error(before, after))
    yield figure_row("offset", "deg", before, after, own_offset, shared_offset(before, after))
    yield figure_row(ARC, "deg", before, after, own_arc, shared_arc(before, after))
    (old, of_old), (new, of_new) = (arc_spread(group.readings) for group in (before, after))
    hidden = min(of_old, of_new) > MOST_OF_SOUNDS
    yield ratio_row("arc, spread within a night", "deg", old, new, unjudged=HIDDEN if hidden else "")
    lone = len(before.nights) == len(after.nights) == 1
    yield figure_row(
        "arc, trend within a night",
        "deg/hour",
        before,
        after,
        lambda r: r.arc_trend_deg_per_hour,
        unjudged=LONE if lone else "",
    )
    yield from _night_to_night_rows(before, after)
    yield from _stability_rows(before, after)
    yield from loudness_rows(before, after, same_place=same_place)
    yield from voice_rows(before, after, same_place=same_place)
    if before.free_swing_q is not None or after.free_swing_q is not None:
        yield pair_row("Q of the free swing", "", [before.free_swing_q], [after.free_swing_q])
    yield _missed_row(before, after)


def _night_to_night_rows(before: Group, after: Group) -> Iterator[Row]:
    old, new = (_night_to_night(group) for group in (before, after))
    if old[0] is not None or new[0] is not None:
        yield ratio_row("arc, spread from night to night", "deg", old[0], new[0])
    if old[1] is not None or new[1] is not None:
        yield pair_row("arc, drift from day to day", "deg/day", [old[1]], [new[1]])


def _night_to_night(group: Group) -> tuple[Estimate | None, UFloat]:
    """Spread of a group's nightly arcs, and their slope in deg/day where the dates are known."""
    nights = [night for night in group.nights if night.reading.arc_deg is not None]
    arcs = np.array([night.reading.arc_deg.nominal_value for night in nights])
    sigma = float(arcs.std(ddof=1)) if len(arcs) > 1 else 0.0
    freedom = len(arcs) - 1
    scattered = Estimate(sigma, *confidence_limits(sigma, freedom), freedom) if sigma > 0 else None
    dates = [night.taken_at for night in nights if night.taken_at is not None]
    return scattered, slope_per_day(dates, arcs) if len(dates) == len(nights) else None


def _stability_rows(before: Group, after: Group) -> Iterator[Row]:
    old, new = (pooled_deviations(group.readings) for group in (before, after))
    common = sorted(old.keys() & new.keys())
    for tau in common:
        said = f"{tau / 60:.0f} min" if tau < 3600 else f"{tau / 3600:.0f} h"
        sounds = [sound_deviation(group.readings, tau) for group in (before, after)]
        shares = [of / max(one[tau].value, of) for of, one in zip(sounds, (old, new), strict=True)]
        yield ratio_row(
            f"wander of the rate over {said}",
            "s/day",
            old[tau],
            new[tau],
            unjudged=HIDDEN if min(shares) ** 2 > MOST_OF_SOUNDS else "",
        )
    if not common:
        yield ratio_row("wander of the rate", "s/day", None, None)


def _missed_row(before: Group, after: Group) -> Row:
    old, new = (_missed(group.readings) for group in (before, after))
    if old is None or new is None:
        return Row("beats missed", "%", None, None, note="too few beats were expected to judge a share")
    shares = [
        Estimate(100 * one.value, 100 * one.low, 100 * one.high)
        for one in (old, new, share_difference(old, new))
    ]
    return Row("beats missed", "%", shares[0], shares[1], shares[2])


def _missed(readings: Sequence[Reading]) -> Estimate | None:
    """Share of beats missed over all nights; blocks and nights show how much the misses cluster."""
    expected = sum(reading.beats_expected for reading in readings)
    missed = expected - sum(reading.beats_heard for reading in readings)
    if expected < BLOCKS:
        return None
    counts: list[float] = []
    sizes: list[float] = []
    for reading in readings:
        number = reading.swings.number
        if len(number) < BLOCKS:
            continue
        heard = np.zeros(int(np.ptp(number)) + 1, bool)
        heard[number - number.min()] = True
        for block in np.array_split(heard, BLOCKS):
            counts.append(float(np.count_nonzero(~block)))
            sizes.append(block.size)
    p = missed / expected
    nights = [float(reading.beats_expected - reading.beats_heard) for reading in readings]
    crowding = max(
        _crowding(counts, sizes, p), _crowding(nights, [float(r.beats_expected) for r in readings], p)
    )
    return share(missed, expected, crowding)


def _crowding(counts: Sequence[float], sizes: Sequence[float], p: float) -> float:
    """Variance of counts, as a multiple of what chance alone would give."""
    by_chance = float(np.mean(sizes)) * p * (1 - p) if sizes else 0.0
    return float(np.var(counts, ddof=1)) / by_chance if by_chance > 0 and len(counts) > 1 else 1.0


def _group(side: Group | Sequence[Reading] | Reading) -> Group:
    if isinstance(side, Group):
        return side
    return Group(tuple(Night(reading) for reading in ((side,) if isinstance(side, Reading) else side)))


def _group_document(group: Group) -> dict[str, Any]:
    return {
        "label": group.label,
        "nights": [
            {
                "recording": night.reading.recording.name,
                "taken_at": None if night.taken_at is None else night.taken_at.isoformat(),
                "temperature_c": night.temperature_c,
                "timebase": night.reading.timebase.source,
                "lift_deg": night.reading.clock.lift_deg,
            }
            for night in group.nights
        ],
    }


def _estimate_document(estimate: Estimate | None) -> dict[str, float] | None:
    return None if estimate is None else {"value": estimate.value, "low": estimate.low, "high": estimate.high}
