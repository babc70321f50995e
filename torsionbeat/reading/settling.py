"""Settling: is the arc still on its way to a steady value, how fast, and how long is there to wait?

In go times (s) and arcs (deg, end to end); out comes the exponential approach that fits them, or None where the arc
is steady. After a disturbance the arc nears its steady value as exp(-t / tau) (a balance driven by equal impulses;
tau between Q T / (2 pi) and Q T / pi by the kind of drive).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Settling", "Turn", "settling_of", "turn_of"]

FloatArray = npt.NDArray[np.float64]

_LEAST_BEATS = 24
_CLOSE_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Settling:
    """An arc under way: time constant and its standard uncertainty, the arc at the end and the one it nears.

    ``wait_s`` is how long after the last beat the arc will be within one per cent of its steady value; all that is
    nan where the travel is too straight for the steady value to be told.
    """

    time_constant_s: float
    time_constant_uncertainty_s: float
    arc_now_deg: float
    arc_steady_deg: float
    wait_s: float


def settling_of(time_s: FloatArray, arc_deg: FloatArray) -> Settling | None:
    """Fit the approach of the arc to a steady value; None where it is steady within its scatter or within 1 %."""
    from scipy import optimize

    known = np.isfinite(arc_deg)
    if np.count_nonzero(known) < _LEAST_BEATS:
        return None
    at, arc = time_s[known] - time_s[known][0], arc_deg[known]
    span = float(at[-1])
    quarter = max(len(arc) // 5, 4)
    travel = float(np.median(arc[-quarter:]) - np.median(arc[:quarter]))
    scatter = 1.4826 * float(np.median(np.abs(np.diff(arc)))) / np.sqrt(2) + 1e-6
    if abs(travel) < max(6 * scatter / np.sqrt(quarter), _CLOSE_SHARE * float(np.median(arc))):
        return None

    def course(when: FloatArray, steady: float, begin: float, tau: float) -> FloatArray:
        out: FloatArray = steady + begin * np.exp(-when / tau)
        return out

    start = (float(np.median(arc[-quarter:])), -travel, span / 2)
    try:
        with np.errstate(all="ignore"):
            best, covariance = optimize.curve_fit(
                course,
                at,
                arc,
                p0=start,
                bounds=([0, -2000, span / 50], [3000, 2000, 20 * span]),
                loss="soft_l1",
                f_scale=2 * scatter,
                max_nfev=2000,
            )
    except (RuntimeError, ValueError):
        return None
    steady, begin, tau = (float(value) for value in best)
    left = begin * float(np.exp(-span / tau))
    line = np.polyval(np.polyfit(at, arc, 1), at)
    curve = course(at, steady, begin, tau)
    straight = float(np.mean(np.abs(arc - line))) < 1.15 * float(np.mean(np.abs(arc - curve)))
    if not straight and abs(left) < max(_CLOSE_SHARE * steady, 2 * scatter / np.sqrt(quarter)):
        return None
    spread = float(np.sqrt(max(covariance[2, 2], 0.0))) if np.isfinite(covariance[2, 2]) else float("inf")
    now = steady + left
    if straight or spread > tau:
        nan = float("nan")
        return Settling(nan, nan, now if not straight else float(line[-1]), nan, nan)
    wait = (
        tau * float(np.log(abs(left) / (_CLOSE_SHARE * steady))) if abs(left) > _CLOSE_SHARE * steady else 0.0
    )
    return Settling(tau, spread, now, steady, max(wait, 0.0))


@dataclass(frozen=True, slots=True)
class Turn:
    """A moment at which the arc turned: slopes before and after it (deg an hour), the arc there and at the end."""

    time_s: float
    slope_before_deg_per_hour: float
    slope_after_deg_per_hour: float
    arc_there_deg: float
    arc_end_deg: float


def turn_of(time_s: FloatArray, arc_deg: FloatArray) -> Turn | None:
    """The moment at which the arc turned at once (the drive was lost, or came back); None where it did not.

    Two straight lines that meet are laid through the arcs, at every possible meeting place; they must fit far better
    than one line and better than a bend without a corner.
    """
    known = np.isfinite(arc_deg)
    if np.count_nonzero(known) < _LEAST_BEATS:
        return None
    at, arc = time_s[known], arc_deg[known]
    hours = (at - at[0]) / 3600
    ones = np.ones(len(at))

    def misfit(*columns: FloatArray) -> tuple[float, npt.NDArray[np.floating[Any]]]:
        design = np.column_stack(columns)
        solution = np.linalg.lstsq(design, arc, rcond=None)[0]
        return float(np.sum((arc - design @ solution) ** 2)), solution

    line, _ = misfit(ones, hours)
    bend, _ = misfit(ones, hours, hours**2)
    places = np.linspace(6, len(at) - 7, min(len(at) - 12, 80)).astype(int)
    trials = [(*misfit(ones, hours, np.maximum(hours - hours[place], 0)), int(place)) for place in places]
    corner, solution, place = min(trials, key=lambda trial: trial[0])
    freedom = len(at) - 4
    change = float(solution[2])
    if corner > 0.5 * line or corner > 0.75 * bend or (bend - corner) / (corner / freedom) < 25:
        return None
    end = float(solution[0] + solution[1] * hours[-1] + change * (hours[-1] - hours[place]))
    there = float(solution[0] + solution[1] * hours[place])
    if abs(change) * (hours[-1] - hours[place]) < 2 * _CLOSE_SHARE * there:
        return None
    return Turn(float(at[place]), float(solution[1]), float(solution[1]) + change, there, end)
