"""The lift from one free swing: arcs counted by eye, lift passages and the decay, all fitted together.

Times alone give only the ratio of arc to lift (at the same times the two are proportional), so at least one arc must be
counted. While the balance swings down, the ratio follows one curve through every beat. Each count, whenever it was
made, tests the same lift on this curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.theory.robust import median_deviation

__all__ = ["SwingLift", "swing_lift"]

LEAST_PASSAGES = 12
"""Fewest passages that determine a curve of three unknowns and its scatter."""

FAR = 4.0
"""A passage more deviations than this off the curve is rejected: a bang taken for a contact."""


@dataclass(frozen=True, slots=True)
class SwingLift:
    """The result of a free swing.

    Parameters
    ----------
    lift_deg : ufloat
    arcs_deg : ndarray, shape (counts,)
        Fitted arc at each count.
    off : ndarray, shape (counts,)
        Deviation of each count from the fitted arc, in its own standard uncertainties.
    passage_scatter_s : float
        Standard deviation of one passage about the curve.
    """

    lift_deg: UFloat
    arcs_deg: FloatArray
    off: FloatArray
    passage_scatter_s: float


def swing_lift(
    time_s: FloatArray,
    passage_s: FloatArray,
    period_s: float,
    counted_s: FloatArray,
    counted_deg: FloatArray,
    counted_u_deg: FloatArray,
    *,
    offset_of_lift: float = 0.0,
) -> SwingLift:
    """Fit lift, first arc and both losses to the passages and the counts.

    With a = arc / lift: da/dt = -air a - dry, and passage = T / (2 pi) (asin((2 d + 1) / a) - asin((2 d - 1) / a)), d the
    offset over the lift (`torsionbeat.theory.swing`). A counted arc is lift times a.

    Parameters
    ----------
    time_s, passage_s : ndarray, shape (n,)
        Beats of the free swing with contact and drop.
    period_s : float
    counted_s, counted_deg, counted_u_deg : ndarray, shape (counts,)
        Time of each count, its arc, and the standard uncertainty.
    offset_of_lift : float
        The offset over the lift.

    Raises
    ------
    InputError
        No count, fewer than `LEAST_PASSAGES` passages, or counts that lie far outside the recording.
    """
    from scipy.optimize import least_squares

    if not len(counted_deg) or len(time_s) < LEAST_PASSAGES:
        raise InputError(
            f"a free swing needs one count at least, and {LEAST_PASSAGES} beats with contact and drop; there are "
            f"{len(counted_deg)} and {len(time_s)}. Move the microphone until the contact is heard, or record a "
            "shorter part of the swing"
        )
    start, span = float(time_s[0]), float(np.ptp(time_s))
    if np.any((counted_s < start - 0.1 * span) | (counted_s > start + 1.1 * span)):
        raise InputError("an arc was counted before or after the beats heard; give its moment within them")

    def ratio(shape: FloatArray, at_s: FloatArray) -> FloatArray:
        first, air, dry = np.exp(shape[0]), shape[1], shape[2]
        x = air * (at_s - start) / span
        lasting = np.where(np.abs(x) < 1e-9, 1.0, -np.expm1(-x) / np.where(x == 0, 1.0, x))
        found: FloatArray = first * np.exp(-x) - dry * (at_s - start) / span * lasting
        return found

    def passages(shape: FloatArray) -> FloatArray:
        a = np.maximum(ratio(shape, time_s), 1.001 * (1 + 2 * abs(offset_of_lift)))
        high, low = (2 * offset_of_lift + 1) / a, (2 * offset_of_lift - 1) / a
        found: FloatArray = period_s / (2 * np.pi) * (np.arcsin(high) - np.arcsin(low))
        return found

    first = float(1 / np.sin(np.pi * np.median(passage_s[:LEAST_PASSAGES]) / period_s))
    unit_s = max(median_deviation(np.diff(passage_s)) / np.sqrt(2), 1e-6)
    guess = np.array([np.log(first), 0.3, 0.0])
    rough = least_squares(lambda shape: (passages(shape) - passage_s) / unit_s, guess, loss="soft_l1").x
    scatter_s = max(median_deviation(passages(rough) - passage_s), 1e-6)
    near = np.abs(passages(rough) - passage_s) < FAR * scatter_s
    free = max(int(near.sum()) - len(guess), 1)
    scatter_s = float(np.sqrt(np.sum((passages(rough) - passage_s)[near] ** 2) / free))

    def residuals(all_of: FloatArray) -> FloatArray:
        lift, shape = np.exp(all_of[3]), all_of[:3]
        counts = (lift * ratio(shape, counted_s) - counted_deg) / counted_u_deg
        return np.concatenate([((passages(shape) - passage_s) / scatter_s)[near], counts])

    lift_guess = float(np.median(counted_deg / ratio(rough, counted_s)))
    fit = least_squares(residuals, np.append(rough, np.log(lift_guess)), x_scale="jac")
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)
    lift = float(np.exp(fit.x[3]))
    off = residuals(fit.x)[-len(counted_deg) :]
    return SwingLift(
        ufloat(lift, lift * float(np.sqrt(covariance[3, 3]))),
        lift * ratio(fit.x[:3], counted_s),
        off,
        scatter_s,
    )
