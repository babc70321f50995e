"""The drive: the energy it must give, and what it does to the period (Airy's integral, an impulse that replaces the loss).

An impulse given before the middle of the swing shortens the period, one after it lengthens it, one given
evenly about the middle leaves it alone, to first order in drive over restoring torque (G. B. Airy, "On the
disturbances of pendulums and balances, and on the theory of escapements", Trans. Camb. Phil. Soc. III
(1830) 105, read 1826). Arc end to end in degrees; rates in seconds per day, > 0 gains. Q is that of the
free swing at the same arc.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.theory.limits import (
    Figure,
    FloatArray,
    arc_within,
    elementwise,
    figure,
    one_number,
    period_within,
    q_within,
    within,
)
from torsionbeat.theory.rate import DAY_S

__all__ = [
    "drive_lengthening",
    "drive_power_uw",
    "energy_per_day_mj",
    "impulse_lengthening",
    "impulse_rate_s_per_day",
    "short_impulse_rate_s_per_day",
    "steady_push_lengthening",
    "swing_energy_uj",
]


@elementwise
def swing_energy_uj(inertia_g_mm2: npt.ArrayLike, arc_deg: npt.ArrayLike, period_s: npt.ArrayLike) -> Figure:
    """Energy of the swing in microjoules: half inertia times the square of the greatest speed.

    Parameters
    ----------
    inertia_g_mm2 : array_like
        Moment of inertia of the balance.
    arc_deg : array_like
        Arc, end to end.
    period_s : array_like
        Full period.

    Examples
    --------
    >>> round(swing_energy_uj(404_457, arc_deg=270, period_s=15))
    197
    """
    inertia = within("inertia", inertia_g_mm2, 0, 1e12, "g mm2", "give grams times millimetres squared")
    speed = np.pi * np.radians(arc_within(arc_deg)) / period_within(period_s)
    return figure(0.5 * inertia * 1e-9 * speed**2 * 1e6)


@elementwise
def drive_power_uw(
    inertia_g_mm2: npt.ArrayLike, arc_deg: npt.ArrayLike, period_s: npt.ArrayLike, q: npt.ArrayLike
) -> Figure:
    """Power in microwatts the drive must give to keep an arc: 2 pi energy / (Q T).

    Parameters
    ----------
    inertia_g_mm2, arc_deg, period_s, q : array_like
        Moment of inertia of the balance; arc; full period; Q at this arc (see `torsionbeat.theory.decay.FreeSwing.q_at`).
    """
    return figure(
        2
        * np.pi
        * swing_energy_uj(inertia_g_mm2, arc_deg, period_s)
        / (q_within(q) * period_within(period_s))
    )


@elementwise
def energy_per_day_mj(
    inertia_g_mm2: npt.ArrayLike, arc_deg: npt.ArrayLike, period_s: npt.ArrayLike, q: npt.ArrayLike
) -> Figure:
    """Energy in millijoules the swing loses, and the drive replaces, in a day.

    Parameters
    ----------
    inertia_g_mm2 : array_like
        Moment of inertia of the balance.
    arc_deg : array_like
        Arc, end to end.
    period_s : array_like
        Full period.
    q : array_like
        Quality factor.

    Examples
    --------
    >>> round(energy_per_day_mj(404_457, arc_deg=270, period_s=15, q=725), 1)
    9.8
    """
    return figure(86.4 * drive_power_uw(inertia_g_mm2, arc_deg, period_s, q))


def drive_lengthening(
    drive_deg_per_s2: Callable[[FloatArray], npt.ArrayLike],
    arc_deg: float,
    period_s: float,
    steps_at_deg: Sequence[float] = (),
) -> float:
    """Relative lengthening of the period by any drive (Airy's integral).

    Parameters
    ----------
    drive_deg_per_s2 : callable
        Drive torque per unit of inertia, in degrees per second squared, as a function of the phase in
        degrees (array in, array out). Phase 0 is the middle of the swing going to positive angles, 90 the
        turning point. Positive drive pushes to positive angles.
    arc_deg, period_s : float
        Arc and full period.
    steps_at_deg : sequence of float
        Phases (0 to 360) at which the drive jumps; between them it is taken to be smooth.

    Returns
    -------
    float
        dT / T = (1 / (2 pi A w^2)) times the integral over one period of drive * sin(phase) d phase.

    Raises
    ------
    InputError
        The drive is not finite at every phase.

    Examples
    --------
    A push from rest position to 30 degrees of phase, both ways, lengthens the period:

    >>> push = lambda phase: 0.1 * ((phase < 30) * 1.0 - ((phase > 180) & (phase < 210)))
    >>> round(drive_lengthening(push, arc_deg=270, period_s=15, steps_at_deg=[30, 180, 210]), 6)
    0.00018
    """
    half, omega = (
        one_number("arc", arc_within(arc_deg)) / 2,
        2 * np.pi / one_number("period", period_within(period_s)),
    )
    steps = within("phase of a step", steps_at_deg, 0, 360, "deg", "", low_allowed=True)
    node, weight = np.polynomial.legendre.leggauss(48)
    # Sixteen pieces at least, so that a smooth drive with sharp turns is followed.
    edge = np.unique(np.concatenate([np.linspace(0, 360, 17), np.ravel(steps)]))
    middle, reach = (edge[1:] + edge[:-1]) / 2, np.diff(edge) / 2
    phase = middle[:, None] + reach[:, None] * node
    drive = np.broadcast_to(np.asarray(drive_deg_per_s2(phase), dtype=np.float64), phase.shape)
    if not np.all(np.isfinite(drive)):
        raise InputError(
            "the drive is not finite at every phase; give degrees per second squared from 0 to 360"
        )
    integral = np.sum(np.radians(reach)[:, None] * weight * drive * np.sin(np.radians(phase)))
    return float(integral / (2 * np.pi * half * omega**2))


@elementwise
def steady_push_lengthening(
    push_deg_per_s2: npt.ArrayLike,
    before_deg: npt.ArrayLike,
    after_deg: npt.ArrayLike,
    arc_deg: npt.ArrayLike,
    period_s: npt.ArrayLike,
) -> Figure:
    """Relative lengthening of the period by a constant push on every swing, in closed form.

    Parameters
    ----------
    push_deg_per_s2 : array_like
        Torque per unit of inertia along the motion, degrees per second squared.
    before_deg, after_deg : array_like
        The push begins so far before the middle of the swing (rest) and ends so far after it; negative for
        a push that begins after, or ends before the middle.
    arc_deg, period_s : array_like
        Arc and full period.

    Returns
    -------
    float or ndarray
        dT / T = push / (pi A^2 w^2) * (sqrt(A^2 - before^2) - sqrt(A^2 - after^2)) (E. Beckett, A
        Rudimentary Treatise on Clocks, Watches and Bells, 8th ed. 1903, p. 86, after Airy; his pendulum's
        force taken as an angular acceleration).
    """
    half, before, after = _impulse(before_deg, after_deg, arc_deg)
    push = within("push", push_deg_per_s2, -np.inf, 1e9, "deg/s2")
    omega = 2 * np.pi / period_within(period_s)
    return figure(push / (np.pi * half**2 * omega**2) * _asymmetry(half, before, after))


@elementwise
def impulse_lengthening(
    q: npt.ArrayLike, before_deg: npt.ArrayLike, after_deg: npt.ArrayLike, arc_deg: npt.ArrayLike
) -> Figure:
    """Relative lengthening by a constant push on every swing that just replaces what the swing loses.

    Parameters
    ----------
    q : array_like
        Quality factor.
    before_deg : array_like
        Where the push begins, before the middle.
    after_deg : array_like
        Where it ends, after the middle.
    arc_deg : array_like
        Arc, end to end.

    Returns
    -------
    float or ndarray
        dT / T = (sqrt(A^2 - before^2) - sqrt(A^2 - after^2)) / (2 Q (before + after)). For a short impulse
        at an angle after the middle it is tan(psi) / (2 Q), sin(psi) = angle / A. The period's 1 / (8 Q^2)
        by the damping itself is not in it.

    Examples
    --------
    >>> round(1e6 * impulse_lengthening(q=500, before_deg=2, after_deg=8, arc_deg=270), 2)
    22.24
    """
    half, before, after = _impulse(before_deg, after_deg, arc_deg)
    return figure(_asymmetry(half, before, after) / (2 * q_within(q) * (before + after)))


@elementwise
def impulse_rate_s_per_day(
    q: npt.ArrayLike, before_deg: npt.ArrayLike, after_deg: npt.ArrayLike, arc_deg: npt.ArrayLike
) -> Figure:
    """Rate that goes with `impulse_lengthening`, seconds per day; an impulse after the middle loses.

    Parameters
    ----------
    q : array_like
        Quality factor.
    before_deg : array_like
        Where the push begins, before the middle.
    after_deg : array_like
        Where it ends, after the middle.
    arc_deg : array_like
        Arc, end to end.

    Examples
    --------
    >>> round(impulse_rate_s_per_day(q=500, before_deg=2, after_deg=8, arc_deg=270), 2)
    -1.92
    """
    return figure(-DAY_S * impulse_lengthening(q, before_deg, after_deg, arc_deg))


@elementwise
def short_impulse_rate_s_per_day(
    q: npt.ArrayLike, after_deg: npt.ArrayLike, arc_deg: npt.ArrayLike
) -> Figure:
    """Rate by a short impulse on every swing that replaces the loss.

    Parameters
    ----------
    q, after_deg, arc_deg : array_like
        Q of the free swing at this arc; angle of the impulse after the middle (negative: before); arc.

    Returns
    -------
    float or ndarray
        -86400 tan(psi) / (2 Q) seconds per day, sin(psi) = angle / A.

    Examples
    --------
    >>> round(short_impulse_rate_s_per_day(q=500, after_deg=5, arc_deg=270), 2)
    -3.2
    """
    half, before, after = _impulse(0.0, after_deg, arc_deg, empty_allowed=True)
    return figure(
        -DAY_S * (after / np.sqrt((half - after) * (half + after))) / (2 * q_within(q)) + 0 * before
    )


def _asymmetry(half: FloatArray, before: FloatArray, after: FloatArray) -> FloatArray:
    """sqrt(A^2 - before^2) - sqrt(A^2 - after^2), written so that it stays precise near equality."""
    roots = np.sqrt(half**2 - before**2) + np.sqrt(half**2 - after**2)
    return np.asarray((after - before) * (after + before) / roots)


def _impulse(
    before_deg: npt.ArrayLike,
    after_deg: npt.ArrayLike,
    arc_deg: npt.ArrayLike,
    *,
    empty_allowed: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    half = arc_within(arc_deg) / 2
    before = within("start of the impulse", before_deg, -720, 720, "deg", "give degrees before the middle")
    after = within("end of the impulse", after_deg, -720, 720, "deg", "give degrees after the middle")
    if np.any(np.abs(before) >= half) or np.any(np.abs(after) >= half):
        raise InputError(
            f"impulse from {np.min(-before):g} to {np.max(after):g} deg; it must lie within half the arc, "
            f"{np.min(half):g} deg: give angles from the middle of the swing"
        )
    if not empty_allowed and np.any(before + after <= 0):
        raise InputError(
            f"impulse from {np.max(-before):g} to {np.min(after):g} deg; it must end after it begins: "
            "give degrees before the middle and degrees after it"
        )
    return half, before, after
