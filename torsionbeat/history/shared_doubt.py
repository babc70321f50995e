"""Shared doubt: what the nights of a group have in common, which more nights do not lessen.

Input: two groups of readings. Output, for each figure: a reading's own uncertainty without what is shared, and what is shared
of before, after and their change. The tolerance of one stated lift cancels in the change, and so does the recorder's crystal
where both sides were made with the same recorder. Where the sounds begin is in doubt in the same way in all nights of a side;
that does not cancel, since work on the clock changes its sounds.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from torsionbeat.history.comparability import CRYSTAL_SOURCES, crystal_cancels, same_lift
from torsionbeat.history.comparison_rows import Common, Row
from torsionbeat.history.nights import Group
from torsionbeat.history.wander import arc_wander_deg, rate_wander_s_per_day
from torsionbeat.reading.figures import Reading, UFloat
from torsionbeat.reading.intervals import night_mean
from torsionbeat.reading.mean_arc import offset_of
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.rate import S_PER_DAY_PER_PPM
from torsionbeat.theory.robust import COVERAGE

__all__ = [
    "beat_errors_of_both",
    "own_arc",
    "own_beat_error",
    "own_offset",
    "own_rate",
    "recorded_again_deg",
    "remark_on_shared_arc",
    "shared_arc",
    "shared_beat_error",
    "shared_offset",
    "shared_rate",
]

CRYSTAL_CHANGE_PPM = 3 / math.sqrt(3)
"""How far one recorder's crystal may differ between two recordings: half-width 3 ppm for a few kelvin and
some weeks (common practice, no source).
"""

OTHERWISE_AGAIN, ARC_OTHERWISE_AGAIN = 0.36, 0.7
"""Shares of the variance of where the sounds begin that are another in another recording of the clock, for the beat error in one
room and for the arc. Pairs of recordings of real ticks (58, other times and noise) differ in beat error by what 0.2 explains with
the microphone left where it was, and 0.3 with it moved and the clock 6 dB softer. Their arcs differ by 0.2 and 0.7."""


def own_rate(reading: Reading) -> UFloat:
    """Rate without the uncertainty of the crystal, which is common to all nights of one recorder."""
    if reading.timebase.source not in CRYSTAL_SOURCES:
        return reading.rate_s_per_day
    ppm = reading.timebase.standard_uncertainty_ppm
    return _less(
        reading.rate_s_per_day, ppm * (S_PER_DAY_PER_PPM + 1e-6 * reading.rate_s_per_day.nominal_value)
    )


def own_beat_error(reading: Reading) -> UFloat:
    """Beat error without the doubt of where the sounds begin."""
    return _less(reading.beat_error_ms, reading.beat_error_from_beginnings_ms)


def own_offset(reading: Reading) -> UFloat:
    """Offset without the lift's tolerance and the doubt of where the sounds begin."""
    return _less(_less_lift(reading, reading.offset_deg), _offset_from_beginnings_deg(reading))


def own_arc(reading: Reading) -> UFloat:
    """Arc without the lift's tolerance and the doubt of where the sounds begin."""
    return _less(_less_lift(reading, reading.arc_deg), reading.arc_from_beginnings_deg)


def shared_rate(before: Group, after: Group, same_recorder: bool) -> Common:
    """The crystal of the rate; of the change of two single nights, what the rate may wander besides."""
    old, new = (
        S_PER_DAY_PER_PPM
        * max(
            r.timebase.standard_uncertainty_ppm if r.timebase.source in CRYSTAL_SOURCES else 0.0
            for r in group.readings
        )
        for group in (before, after)
    )
    left = math.hypot(old, new)
    if crystal_cancels(before, after, same_recorder):
        left = min(left, S_PER_DAY_PER_PPM * CRYSTAL_CHANGE_PPM)
    if _lone(before, after):
        left = math.hypot(left, *(rate_wander_s_per_day(group.readings[0]) for group in (before, after)))
    return lambda _before, _after: (old, new, left)


def shared_beat_error(before: Group, after: Group) -> Common:
    """The beginnings of the sounds; of the change of single nights, the arc's wander: the ms are in proportion to 1 / arc."""
    beginnings = _shared_beginnings(before, after, lambda r: r.beat_error_from_beginnings_ms)
    if not _lone(before, after):
        return beginnings
    shares = [
        0.0 if r.arc_deg is None else arc_wander_deg(r) / r.arc_deg.nominal_value
        for r in (before.readings[0], after.readings[0])
    ]
    return _joined(beginnings, lambda b, a: (0.0, 0.0, math.hypot(shares[0] * b, shares[1] * a)))


def beat_errors_of_both(before: Group, after: Group, *, swapped: bool = False) -> tuple[UFloat, UFloat]:
    """Beat errors of two groups between which the beat setting alone was moved, correlated as their sounds are.

    Parameters
    ----------
    before, after : Group
    swapped : bool
        Side a of the second group is side b of the first: its beat error is given in the letters of the first.

    Returns
    -------
    tuple of ufloat
        None for a group without a beat error.
    """
    from uncertainties import ufloat

    alike, found = ufloat(0.0, math.sqrt(1 - OTHERWISE_AGAIN)), []
    for group, sign in ((before, 1), (after, -1 if swapped else 1)):
        own = night_mean(
            [error for reading in group.readings if (error := own_beat_error(reading)) is not None]
        )
        shared_ms = _mean_part(group, lambda r: r.beat_error_from_beginnings_ms)
        otherwise = ufloat(0.0, math.sqrt(OTHERWISE_AGAIN))
        found.append(None if own is None else sign * own + shared_ms * (alike + otherwise))
    return found[0], found[1]


def shared_offset(before: Group, after: Group) -> Common:
    """The lift's tolerance and the beginnings of the sounds."""
    return _joined(
        _shared_lift(before, after), _shared_beginnings(before, after, _offset_from_beginnings_deg)
    )


def shared_arc(before: Group, after: Group) -> Common:
    """The same; of the change of single nights, how far the arc of one recording may lie from the clock's usual one."""
    wander = 0.0
    if _lone(before, after):  # several nights show that themselves
        wander = math.hypot(*(arc_wander_deg(group.readings[0]) for group in (before, after)))
    beginnings = _shared_beginnings(before, after, lambda r: r.arc_from_beginnings_deg)
    return _joined(_shared_lift(before, after), beginnings, lambda _before, _after: (0.0, 0.0, wander))


def recorded_again_deg(reading: Reading) -> float:
    """How far the arc of another recording of the same clock may lie from this one though nothing changed, standard deviation."""
    beginnings = math.sqrt(ARC_OTHERWISE_AGAIN) * reading.arc_from_beginnings_deg
    return math.hypot(own_arc(reading).std_dev, beginnings)


def remark_on_shared_arc(before: Group, after: Group, arc: Row) -> Remark | None:
    """Remark that more nights would not make the arc much surer; None where they would, or where a side has one night."""
    said = []
    for when, group, told in (("before", before, arc.before), ("after", after, arc.after)):
        if told is None or len(group.nights) == 1:
            continue
        half_deg = (told.high - told.low) / 2
        shared_deg = COVERAGE * _mean_part(group, lambda r: r.arc_from_beginnings_deg)
        if shared_deg > half_deg / math.sqrt(2):  # half of the variance and more
            said.append(f"{shared_deg:.2g} of ± {half_deg:.2g} deg {when}")
    if not said:
        return None
    return Remark(
        "arc-doubt-shared",
        f"Most of the arc's uncertainty comes from where the sounds begin, and all nights share it: {', '.join(said)}. "
        "More nights do not lessen it; a microphone nearer to the movement or a contact pickup may.",
    )


def _lone(before: Group, after: Group) -> bool:
    """Whether a single night is compared with a single night."""
    return len(before.nights) == len(after.nights) == 1


def _shared_lift(before: Group, after: Group) -> Common:
    old, new = (max(map(_lift_share, group.readings)) for group in (before, after))
    cancels = same_lift(before, after)

    def common(b: float, a: float) -> tuple[float, float, float]:
        left = old * abs(a - b) if cancels else math.hypot(old * b, new * a)
        return old * abs(b), new * abs(a), left

    return common


def _shared_beginnings(before: Group, after: Group, part: Callable[[Reading], float]) -> Common:
    """The beginnings' part of a figure, mean of the nights that have it."""
    old, new = (_mean_part(group, part) for group in (before, after))
    return lambda _before, _after: (old, new, math.hypot(old, new))


def _mean_part(group: Group, part: Callable[[Reading], float]) -> float:
    return float(np.mean([own for own in map(part, group.readings) if own > 0] or [0.0]))


def _joined(*causes: Common) -> Common:
    """What all causes together make common: their standard uncertainties joined."""

    def joined(b: float, a: float) -> tuple[float, float, float]:
        old, new, left = (math.hypot(*parts) for parts in zip(*(one(b, a) for one in causes), strict=True))
        return old, new, left

    return joined


def _offset_from_beginnings_deg(reading: Reading) -> float:
    """Part of the offset's standard uncertainty that comes from where the sounds begin."""
    from uncertainties import ufloat

    if not (reading.beat_error_from_beginnings_ms > 0 and reading.arc_from_beginnings_deg > 0):
        return 0.0
    error_ms = ufloat(reading.beat_error_ms.nominal_value, reading.beat_error_from_beginnings_ms)
    arc = ufloat(reading.arc_deg.nominal_value, reading.arc_from_beginnings_deg)
    offset = offset_of(error_ms, arc, reading.period_s.nominal_value, reading.clock.lift_deg)
    return 0.0 if offset is None else offset.std_dev


def _lift_share(reading: Reading) -> float:
    """Standard uncertainty that the lift's tolerance gives arc and offset, as a share of them."""
    clock = reading.clock
    return clock.lift_tolerance_deg / math.sqrt(3) / clock.lift_deg if clock.lift_deg else 0.0


def _less_lift(reading: Reading, figure: UFloat) -> UFloat:
    return None if figure is None else _less(figure, _lift_share(reading) * abs(figure.nominal_value))


def _less(figure: UFloat, part: float) -> UFloat:
    """Remove a part from an uncertainty that contains it; a thousandth stays, because rounding may leave less."""
    from uncertainties import ufloat

    if figure is None or part > 1.001 * figure.std_dev:
        return figure
    left = math.sqrt(max(figure.std_dev**2 - part**2, 0.0))
    return ufloat(figure.nominal_value, max(left, 1e-3 * figure.std_dev))
