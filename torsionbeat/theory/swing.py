"""The swing: from the timing of contact and drop to the arc and the offset, and back.

The balance is taken to move as theta(t) = A sin(2 pi t / T) about its position of rest. The public surface
speaks of the arc, 2A from one turning point to the other, in degrees; half of it, A, stays inside these
functions. The lift has its middle at the offset delta from rest, so a passage goes from delta - lift/2 to
delta + lift/2 or back.

With the phases mu = pi * beat error / T and nu = pi * lift passage / T the geometry has a closed form::

    lift / 2 = A cos(mu) sin(nu)            delta = A sin(mu) cos(nu)

from which every function below follows without iteration. It comes from (delta + lift/2)/A = sin(mu + nu) and
(delta - lift/2)/A = sin(mu - nu).

Sign of the offset: positive towards the way the balance goes at a beat of side b. Then a long interval from a
to b (beat error > 0) means offset > 0. The beat error is half of (interval a to b minus interval b to a), and
comes out the same whether it is taken between the middles of the lift passages or between drops.

In a swing that dies away, the arc found is the one the envelope has at the middle of the passage, to second
order in the loss of one swing.

Every function takes numbers or arrays that broadcast; nan goes in and comes out as nan, and a passage that no
swing can make gives nan. For values with uncertainty use ``uncertainties.wrap(function)``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import (
    Figure,
    FloatArray,
    arc_within,
    as_numbers,
    elementwise,
    figure,
    one_number,
    period_within,
    within,
)

__all__ = [
    "arc_and_offset_deg",
    "arc_deg",
    "arc_from_two_offsets_deg",
    "beat_error_ms",
    "knock_clearance_mm",
    "knock_margin_deg",
    "lift_from_arc_deg",
    "lift_passage_s",
    "middle_speed_deg_per_s",
    "offset_deg",
]


@elementwise
def arc_deg(
    passage_s: npt.ArrayLike,
    period_s: npt.ArrayLike,
    lift_deg: npt.ArrayLike,
    offset_deg: npt.ArrayLike = 0.0,
) -> Figure:
    """Arc (end to end) of a swing from the time it takes through the lift.

    Parameters
    ----------
    passage_s : array_like
        Time from contact to drop, seconds.
    period_s, lift_deg, offset_deg : array_like
        Full period; lift; middle of the lift against rest (either sign).

    Returns
    -------
    float or ndarray
        Arc in degrees. nan where no swing can make this passage: not longer than 0, or longer than the one in
        which the balance just reaches the far end of the lift.

    Raises
    ------
    InputError
        Period, lift or offset outside their range.

    Notes
    -----
    (arc / 2)^2 = (offset / cos nu)^2 + (lift / (2 sin nu))^2 with nu = pi passage / period; without offset
    arc = lift / sin(nu). It solves passage = (T / 2 pi) [asin((offset + lift/2)/A) - asin((offset -
    lift/2)/A)] where contact and drop come on one and the same way through.

    Examples
    --------
    >>> round(arc_deg(0.354, period_s=15, lift_deg=20), 1)
    270.0
    """
    period, lift = period_within(period_s), _lift(lift_deg)
    offset = _offset(offset_deg)
    nu = np.pi * as_numbers("lift passage", passage_s) / period
    with np.errstate(invalid="ignore", divide="ignore"):
        # Past tan(nu)^2 = (lift / 2) / abs(offset) the drop would come after the turning point.
        turned = np.abs(offset) * np.sin(nu) ** 2 > lift / 2 * np.cos(nu) ** 2 * (1 + 1e-12)
        possible = (nu > 0) & (nu <= np.pi / 2) & ~turned
        half = np.hypot(offset / np.cos(nu), lift / 2 / np.sin(nu))
    return figure(np.where(possible, 2 * half, np.nan))


@elementwise
def lift_passage_s(
    arc_deg: npt.ArrayLike, period_s: npt.ArrayLike, lift_deg: npt.ArrayLike, offset_deg: npt.ArrayLike = 0.0
) -> Figure:
    """Time a swing takes from contact to drop: the inverse of `arc_deg`, with the same arguments and units.

    Parameters
    ----------
    arc_deg : array_like
        Arc, end to end.
    period_s : array_like
        Full period.
    lift_deg : array_like
        Angle from contact to drop.
    offset_deg : array_like
        Middle of the lift against rest.

    Returns
    -------
    float or ndarray
        Seconds; nan where the swing is too small to carry the balance through the whole lift.

    Examples
    --------
    >>> round(lift_passage_s(270, period_s=15, lift_deg=20), 4)
    0.354
    """
    _, nu = _phases(arc_within(arc_deg), _lift(lift_deg), _offset(offset_deg))
    return figure(nu * period_within(period_s) / np.pi)


@elementwise
def beat_error_ms(
    offset_deg: npt.ArrayLike, arc_deg: npt.ArrayLike, period_s: npt.ArrayLike, lift_deg: npt.ArrayLike = 0.0
) -> Figure:
    """Beat error, half of (interval a to b minus interval b to a), that an offset causes.

    Parameters
    ----------
    offset_deg, arc_deg, period_s : array_like
        Middle of the lift against rest; arc (end to end); full period.
    lift_deg : array_like
        Lift. Left at 0, the middle of the lift itself is timed: beat error = (T / pi) asin(2 offset / arc).

    Returns
    -------
    float or ndarray
        Milliseconds; nan where the swing does not carry the balance through the whole lift.

    Examples
    --------
    >>> round(beat_error_ms(5, arc_deg=270, period_s=15), 1)
    176.9
    """
    mu, _ = _phases(arc_within(arc_deg), _lift(lift_deg, zero_allowed=True), _offset(offset_deg))
    return figure(mu * period_within(period_s) / np.pi * 1e3)


@elementwise
def offset_deg(
    beat_error_ms: npt.ArrayLike,
    arc_deg: npt.ArrayLike,
    period_s: npt.ArrayLike,
    lift_deg: npt.ArrayLike = 0.0,
) -> Figure:
    """Offset that a beat error shows: the inverse of `beat_error_ms`, with the same arguments and units.

    Parameters
    ----------
    beat_error_ms : array_like
    arc_deg : array_like
        Arc, end to end.
    period_s : array_like
        Full period.
    lift_deg : array_like
        Angle from contact to drop.

    Returns
    -------
    float or ndarray
        Degrees, positive towards the way the balance goes at a beat of side b; nan where no swing of this
        arc has such a beat error (it must be less than half the period).

    Notes
    -----
    offset = A sin(mu) cos(nu), sin(nu) = lift / (2 A cos(mu)). Leaving the lift out makes the offset too
    large by half of (lift / arc)^2: 0.3 % for a lift of 20 in an arc of 270 degrees.

    Examples
    --------
    >>> round(offset_deg(176.9, arc_deg=270, period_s=15), 2)
    5.0
    """
    half, half_lift = arc_within(arc_deg) / 2, _lift(lift_deg, zero_allowed=True) / 2
    mu = _beat_phase(beat_error_ms, period_within(period_s))
    with np.errstate(invalid="ignore", divide="ignore"):
        sin_nu = half_lift / (half * np.cos(mu))
        possible = (np.abs(mu) < np.pi / 2) & (np.abs(mu) + np.arcsin(sin_nu) <= np.pi / 2)
        result = half * np.sin(mu) * np.sqrt(1 - sin_nu**2)
    return figure(np.where(possible, result, np.nan))


@elementwise
def arc_and_offset_deg(
    passage_s: npt.ArrayLike, beat_error_ms: npt.ArrayLike, period_s: npt.ArrayLike, lift_deg: npt.ArrayLike
) -> tuple[Figure, Figure]:
    """Arc and offset together, from the lift passage and the beat error.

    Parameters
    ----------
    passage_s, beat_error_ms, period_s, lift_deg : array_like
        Time from contact to drop; half of (interval a to b minus interval b to a); full period; lift.

    Returns
    -------
    arc, offset : float or ndarray
        Degrees; both nan where no swing has these timings.

    Notes
    -----
    arc = lift / (cos mu sin nu), offset = (lift / 2) tan mu / tan nu, with mu = pi beat error / T and
    nu = pi passage / T.

    Examples
    --------
    >>> arc, offset = arc_and_offset_deg(0.3543, 177.2, period_s=15, lift_deg=20)
    >>> round(arc, 1), round(offset, 2)
    (270.0, 4.99)
    """
    period, lift = period_within(period_s), _lift(lift_deg)
    nu = np.pi * as_numbers("lift passage", passage_s) / period
    mu = _beat_phase(beat_error_ms, period)
    with np.errstate(invalid="ignore", divide="ignore"):
        possible = (nu > 0) & (np.abs(mu) + nu <= np.pi / 2) & (np.abs(mu) < np.pi / 2)
        arc = lift / (np.cos(mu) * np.sin(nu))
        offset = arc / 2 * np.sin(mu) * np.cos(nu)
    return figure(np.where(possible, arc, np.nan)), figure(np.where(possible, offset, np.nan))


@elementwise
def lift_from_arc_deg(
    passage_s: npt.ArrayLike, beat_error_ms: npt.ArrayLike, period_s: npt.ArrayLike, arc: npt.ArrayLike
) -> Figure:
    """Lift of a clock whose arc was counted by eye, from the lift passage and the beat error.

    Parameters
    ----------
    passage_s, beat_error_ms, period_s, arc : array_like
        Time from contact to drop; half of (interval a to b minus interval b to a); full period; arc (end to end, deg).

    Returns
    -------
    float or ndarray
        Degrees; nan where no swing has these timings.

    Notes
    -----
    lift = arc cos mu sin nu, with mu = pi beat error / T and nu = pi passage / T: the inverse of
    `arc_and_offset_deg`.

    Examples
    --------
    >>> round(lift_from_arc_deg(0.3543, 177.2, period_s=15, arc=270.0), 2)
    20.0
    """
    period, arcs = period_within(period_s), arc_within(arc)
    nu = np.pi * as_numbers("lift passage", passage_s) / period
    mu = _beat_phase(beat_error_ms, period)
    with np.errstate(invalid="ignore"):
        possible = (nu > 0) & (np.abs(mu) + nu <= np.pi / 2)
        lift = arcs * np.cos(mu) * np.sin(nu)
    return figure(np.where(possible, lift, np.nan))


def arc_from_two_offsets_deg(
    offset_change_deg: Any,
    beat_error_before_ms: Any,
    beat_error_after_ms: Any,
    period_s: Any,
    lift_deg: Any = 0.0,
) -> Any:
    """Arc of a clock of which only the drop is heard, from moving the beat setting by a known angle.

    Parameters
    ----------
    offset_change_deg : float or ufloat
        How far the offset was moved; its sign does not matter.
    beat_error_before_ms, beat_error_after_ms : float or ufloat
        Beat error read before and after, with its sign: side a must be the same side in both.
    period_s, lift_deg : float or ufloat
        Full period; lift. With the lift unknown (0) the arc reads low by about (lift / arc)^2 / 2.

    Returns
    -------
    ufloat or float
        Arc in degrees, with its standard uncertainty where an argument has one.

    Raises
    ------
    InputError
        An argument outside its range, or beat errors whose difference is less than twice its own standard
        uncertainty: no arc follows from them.

    Notes
    -----
    A = change / (sin mu2 cos nu2 - sin mu1 cos nu1). The arc is taken to be the same in both readings, so
    let the clock settle before the second one. A small change gives a poor arc: its relative uncertainty is
    that of the difference of the two beat errors.

    Examples
    --------
    >>> from uncertainties import ufloat
    >>> print(arc_from_two_offsets_deg(ufloat(5, 0.1), ufloat(12, 0.5), ufloat(188.8, 0.5), period_s=15))
    270+/-6
    """
    from uncertainties import wrap

    within("change of offset", np.abs(_nominal(offset_change_deg)), 0, 180, "deg", "move the beat setting")
    period = one_number("period", period_within(_nominal(period_s)))
    _lift(_nominal(lift_deg), zero_allowed=True)
    for when, error in (("before", beat_error_before_ms), ("after", beat_error_after_ms)):
        within(f"beat error {when}", abs(_nominal(error)), 0, 500 * period, "ms", low_allowed=True)
    difference = beat_error_after_ms - beat_error_before_ms
    if abs(_nominal(difference)) <= 2 * getattr(difference, "std_dev", 0.0):
        raise InputError(
            f"beat errors {beat_error_before_ms:g} and {beat_error_after_ms:g} ms are too near each other; "
            "their difference must exceed twice its uncertainty: move the beat setting further"
        )
    return wrap(_two_offsets)(
        offset_change_deg, beat_error_before_ms, beat_error_after_ms, period_s, lift_deg
    )


def _two_offsets(change: float, before_ms: float, after_ms: float, period: float, lift: float) -> float:
    from scipy.optimize import brentq

    mu = np.pi / period / 1e3 * np.array([before_ms, after_ms])
    smallest = lift / np.cos(mu)

    def excess(arc: float) -> float:
        """Change of offset that an arc would mean, less the one made; it grows with the arc."""
        offset = np.sin(mu) * np.sqrt(np.maximum(arc**2 - smallest**2, 0.0)) / 2
        return float(np.sign(mu[1] - mu[0]) * (offset[1] - offset[0]) - abs(change))

    low, high = float(smallest.max()), 2 * abs(change) / abs(float(np.diff(np.sin(mu))[0]))
    while excess(high) < 0:
        high *= 2
    if excess(low) > 0:
        raise InputError(
            f"no arc fits a lift of {lift:g} deg and a change of offset of {abs(change):g} deg; "
            "these beat errors need a larger change: check the lift and the angle moved"
        )
    return float(brentq(excess, low, high, xtol=1e-12 * high, rtol=1e-14))


@elementwise
def knock_margin_deg(
    arc_deg: npt.ArrayLike, knock_arc_deg: npt.ArrayLike, offset_deg: npt.ArrayLike = 0.0
) -> Figure:
    """How far the balance stays from the knock at the turning point that comes nearer to it.

    Parameters
    ----------
    arc_deg, knock_arc_deg : array_like
        Arc; arc at which the roller strikes the fork from outside in a clock in beat. Both end to end.
    offset_deg : array_like
        An offset brings one turning point nearer to the fork by as much.

    Returns
    -------
    float or ndarray
        Degrees of rotation of the balance, (knock arc - arc) / 2 - abs(offset); negative: it knocks.

    Examples
    --------
    >>> knock_margin_deg(arc_deg=300, knock_arc_deg=340, offset_deg=-4)
    16.0
    """
    knock = within(
        "knock arc", knock_arc_deg, 0, 720, "deg", "give it end to end, turning point to turning point"
    )
    return figure((knock - arc_within(arc_deg)) / 2 - np.abs(_offset(offset_deg)))


@elementwise
def knock_clearance_mm(margin_deg: npt.ArrayLike, radius_mm: npt.ArrayLike) -> Figure:
    """Way left at a radius (of the roller, or of a mark on the balance) before the knock.

    Parameters
    ----------
    margin_deg, radius_mm : array_like
        As from `knock_margin_deg`; distance from the axis, millimetres.

    Returns
    -------
    float or ndarray
        Millimetres along the circle; negative: it knocks.

    Examples
    --------
    >>> round(knock_clearance_mm(16, radius_mm=3.0), 2)
    0.84
    """
    radius = within("radius", radius_mm, 0, 1000, "mm", "measure from the axis of the balance")
    return figure(np.radians(as_numbers("margin", margin_deg)) * radius)


@elementwise
def middle_speed_deg_per_s(
    arc_deg: npt.ArrayLike, period_s: npt.ArrayLike, offset_deg: npt.ArrayLike = 0.0
) -> Figure:
    """Speed of the balance at the middle of the lift: pi * arc / T in a clock in beat.

    Parameters
    ----------
    arc_deg : array_like
        Arc, end to end.
    period_s : array_like
        Full period.
    offset_deg : array_like
        Middle of the lift against rest.

    Returns
    -------
    float or ndarray
        Degrees per second; nan where the swing does not reach the middle of the lift.

    Examples
    --------
    >>> round(middle_speed_deg_per_s(270, period_s=15), 2)
    56.55
    """
    half, offset = arc_within(arc_deg) / 2, _offset(offset_deg)
    with np.errstate(invalid="ignore"):
        return figure(2 * np.pi / period_within(period_s) * np.sqrt(half**2 - offset**2))


def _phases(arc: FloatArray, lift: FloatArray, offset: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Phases mu and nu (radians) of the module's docstring; nan where the swing ends inside the lift."""
    with np.errstate(invalid="ignore"):
        upper, lower = np.arcsin((2 * offset + lift) / arc), np.arcsin((2 * offset - lift) / arc)
    return (upper + lower) / 2, (upper - lower) / 2


def _beat_phase(beat_error_ms: npt.ArrayLike, period: FloatArray) -> FloatArray:
    return np.asarray(np.pi * as_numbers("beat error", beat_error_ms) / 1e3 / period, dtype=np.float64)


def _lift(value: npt.ArrayLike, *, zero_allowed: bool = False) -> FloatArray:
    return within(
        "lift", value, 0, 180, "deg", "give the angle from contact to drop", low_allowed=zero_allowed
    )


def _offset(value: npt.ArrayLike) -> FloatArray:
    return within(
        "offset",
        value,
        -180,
        180,
        "deg",
        "give the angle of the middle of the lift from rest",
        low_allowed=True,
        nan_allowed=True,
    )


def _nominal(value: Any) -> float:
    return one_number("argument", getattr(value, "nominal_value", value))
