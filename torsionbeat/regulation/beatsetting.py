"""Beat and knock: direction and angle to turn the beat setting, and clearance between roller and fork.

The offset is the middle of the lift against the balance's position of rest, > 0 in the direction in which the balance
goes at a beat of side b. Either the fork is turned back by the offset, or the suspension is turned the other way, which
moves the position of rest to the fork. Where the fork rides on the strip itself, as in most 400-day clocks, it turns
with only a share of the balance's angle (free length above the fork over the active length). The setting at the top
then turns by only that share of the offset. Degrees, milliseconds, millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock, UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory import swing
from torsionbeat.theory.limits import arc_within, within
from torsionbeat.theory.robust import COVERAGE

__all__ = ["AIR_DRIVEN_LIMITS", "BeatAdvice", "KnockGuard", "beat_advice", "knock_guard", "near_enough"]

AIR_DRIVEN_LIMITS = {"arc_low_deg": 360.0, "arc_high_deg": 540.0, "knock_arc_deg": 600.0}
"""Usual arc limits for air-driven clocks (common practice, no source); a clock's own record has priority."""

IN_BEAT_SHARE = 0.005
"""An offset below this share of the arc is negligible: half a degree in a hundred."""

Side = Literal["a", "b"]


@dataclass(frozen=True, slots=True)
class BeatAdvice:
    """How to set the beat.

    ``offset_deg`` is the fault as an angle of the balance, ``turn_deg`` the angle (> 0) to turn the setting
    by. ``fork_towards`` is the side at whose beats the balance goes in the direction in which the fork must be turned;
    ``suspension_towards`` the same for the suspension. ``needed`` is False where the clock is in beat already or the
    reading cannot decide; ``sentence`` is the advice in words.
    """

    offset_deg: UFloat
    turn_deg: UFloat
    fork_towards: Side
    suspension_towards: Side
    needed: bool
    sentence: str


def near_enough(offset_deg: float, arc_deg: float) -> bool:
    """Say whether an offset is so small a share of the arc that the beat need not be set.

    >>> near_enough(-1.8, 430.0), near_enough(2.2, 430.0)
    (True, False)
    """
    return abs(offset_deg) <= IN_BEAT_SHARE * arc_deg


def beat_advice(
    beat_error_ms: UFloat,
    arc_deg: UFloat,
    period_s: UFloat,
    *,
    lift_deg: float = 0.0,
    offset_deg: UFloat = None,
    share_above_fork: float = 1.0,
    side_names: tuple[str, str] = ("", ""),
    sides_shown: bool = False,
) -> BeatAdvice:
    """Convert beat error and arc to the angle and direction to turn.

    Parameters
    ----------
    beat_error_ms, arc_deg, period_s : ufloat or float
        Half of (interval a to b minus interval b to a); arc end to end; full period.
    lift_deg : float
        Lift, where known.
    offset_deg : ufloat, optional
        The offset, where the reading gives it already.
    share_above_fork : float
        Share of the strip above the fork where the fork rides on it; 1 where it does not.
    side_names : tuple of str
        Names of the directions in which the balance goes at a beat of side a and of side b; empty unless the reading's
        sides were recognised as the learnt ones.
    sides_shown : bool
        The user sees the side of each beat, as while setting the beat; if not, the words say how to see it.

    Raises
    ------
    InputError
        No swing of this arc has such a beat error.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> advice = beat_advice(ufloat(176.9, 0.3), ufloat(270, 1), 15.0)
    >>> print(advice.turn_deg, advice.fork_towards, advice.suspension_towards)
    5.001+/-0.020 a b
    """
    from uncertainties import wrap

    share = float(
        within("share of the strip above the fork", share_above_fork, 0, 1, "", "free length above over all")
    )
    offset = offset_deg
    if offset is None:
        offset = wrap(swing.offset_deg)(beat_error_ms, arc_deg, period_s, lift_deg)
        if not offset == offset:
            raise InputError(
                f"no swing of {_value(arc_deg):g} deg has a beat error of {_value(beat_error_ms):g} ms; "
                "it must be less than half the period: check the arc and the lift"
            )
    offset = _uncertain(offset)
    value, sigma = offset.nominal_value, offset.std_dev
    fork: Side = "a" if value > 0 else "b"
    rest: Side = "b" if value > 0 else "a"
    turn = offset * (share if offset.nominal_value > 0 else -share)
    arc = _value(arc_deg)
    small = near_enough(value, arc)
    unsure = abs(value) <= COVERAGE * sigma
    digits, fine = (
        1 if half >= 0.05 else 2 if half >= 0.005 else 3
        for half in (COVERAGE * turn.std_dev, COVERAGE * sigma)
    )
    if small:
        said = (
            f"In beat: the middle of the lift is {abs(value):.{fine}f} deg from rest, give or take "
            f"{COVERAGE * sigma:.{fine}f}."
        )
    elif unsure:
        said = (
            f"Beat cannot be told from right: {abs(value):.{fine}f} deg off, give or take {COVERAGE * sigma:.{fine}f}. "
            "Listen longer before turning anything."
        )
    else:
        angle = f"{turn.nominal_value:.{digits}f} deg (give or take {COVERAGE * turn.std_dev:.{digits}f})"
        said = f"Out of beat by {abs(value):.1f} deg of the balance. " + _turn_words(
            angle,
            side_names["ab".index(fork)],
            side_names["ab".index(rest)],
            fork,
            beat_error_ms,
            sides_shown,
        )
        if share < 1:
            said += f" That is the share of {share:g} which the fork takes of the balance's angle."
    return BeatAdvice(offset, turn, fork, rest, not (small or unsure), said)


def _turn_words(
    angle: str, there: str, back: str, fork: Side, beat_error_ms: UFloat, sides_shown: bool
) -> str:
    """Give the direction to turn: by name where the sides are known, else how to see it."""
    if there and back:
        return (
            f"Turn the fork {angle} {there}, the way the balance goes then; or, if the suspension is what turns, "
            f"{back}."
        )
    longer_s = 2e-3 * abs(_value(beat_error_ms))
    said = (
        f"Turn the fork {angle} the way the balance goes at a beat of side {fork}, the beat after which the next is "
        f"longer in coming (by {longer_s:.2g} s); or, if the suspension is what turns, the other way."
    )
    if sides_shown:
        return said
    return said + (
        " Which way that is no sound can tell. To see it, watch the balance while torsionbeat inbeat shows the side of "
        "each beat, or teach it once with torsionbeat clock sides."
    )


@dataclass(frozen=True, slots=True)
class KnockGuard:
    """Margin to the knock, and warnings.

    ``margin_deg`` is the angle between the nearer turning point and the knock, ``clearance_mm`` the same along the
    circle of the roller; None where the knock arc, or the radius, is not known.
    """

    margin_deg: UFloat
    clearance_mm: UFloat
    remarks: tuple[Remark, ...]


def knock_guard(
    arc_deg: UFloat, clock: Clock, *, offset_deg: UFloat = None, roller_radius_mm: float | None = None
) -> KnockGuard:
    """Compare an arc with the limits of its clock.

    Parameters
    ----------
    arc_deg : ufloat
        End to end.
    clock : Clock
        Its limits.
    offset_deg : ufloat
        Middle of the lift against rest. None: 0 is used.
    roller_radius_mm : float, optional
        Radius from which the knock arc is calculated where the clock has none; None: not known.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> guard = knock_guard(ufloat(560, 2), Clock(**AIR_DRIVEN_LIMITS), roller_radius_mm=3.0)
    >>> print(guard.margin_deg, guard.remarks[0])
    20.0+/-1.0 The arc (amplitude end to end) is 560 deg, above the 540 deg that suit this clock.
    """
    from uncertainties import wrap

    arc = _uncertain(arc_deg)
    arc_within(arc.nominal_value)
    remarks = []
    value = arc.nominal_value
    if clock.arc_low_deg is not None and value < clock.arc_low_deg:
        remarks.append(
            Remark(
                "arc-low",
                f"The arc (amplitude end to end) is {value:.0f} deg, below the {clock.arc_low_deg:g} deg that "
                "suit this clock: look for a weak drive, dirt, or a balance that rubs, before regulating.",
            )
        )
    if clock.arc_high_deg is not None and value > clock.arc_high_deg:
        remarks.append(
            Remark(
                "arc-high",
                f"The arc (amplitude end to end) is {value:.0f} deg, above the {clock.arc_high_deg:g} deg "
                "that suit this clock.",
            )
        )
    if clock.knock_arc_deg is None:
        return KnockGuard(None, None, tuple(remarks))
    margin = wrap(swing.knock_margin_deg)(arc, clock.knock_arc_deg, 0.0 if offset_deg is None else offset_deg)
    clearance = None
    if roller_radius_mm is not None:
        clearance = wrap(swing.knock_clearance_mm)(margin, roller_radius_mm)
    if margin.nominal_value <= 0:
        remarks.append(
            Remark(
                "knocks",
                "At this arc it knocks: the roller strikes the fork from outside, by "
                f"{-margin.nominal_value:.0f} deg. Stop it and lower the arc, or set the beat, before "
                "anything else.",
            )
        )
    elif margin.nominal_value < COVERAGE * margin.std_dev or margin.nominal_value < 5:
        remarks.append(
            Remark(
                "knock-near",
                f"Only {margin.nominal_value:.1f} deg stay before the roller knocks on the fork: a push or a "
                "warm day may bring it there.",
            )
        )
    return KnockGuard(margin, clearance, tuple(remarks))


def _value(figure: UFloat) -> float:
    return float(getattr(figure, "nominal_value", figure))  # type: ignore[arg-type]


def _uncertain(figure: UFloat) -> UFloat:
    from uncertainties import ufloat

    return figure if hasattr(figure, "std_dev") else ufloat(figure, 1e-9)
