"""The free swing: what damps the balance, how long it swings, and the power that the drive must give.

Input: arcs (end to end, degrees) and their times (seconds), counted at the bench or heard. The two laws and their
mixture (`torsionbeat.theory.decay`) are fitted and compared by likelihood (Akaike's criterion). With two to five arcs
only one law at a time can be fitted, with the stated reading error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import FloatArray, UFloat
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory import decay
from torsionbeat.theory.escapement import energy_per_day_mj
from torsionbeat.theory.limits import arc_within, period_within, within
from torsionbeat.theory.rate import student_factor
from torsionbeat.theory.robust import COVERAGE
from torsionbeat.theory.swing import arc_deg as arc_of_passage

__all__ = ["FreeSwingResult", "arcs_from_counts", "arcs_from_mark", "arcs_from_passages", "free_swing"]

FEW = 6
"""Fewer arcs than this are fitted with the stated reading error, one law at a time."""

OPEN_RATIO = 20.0
"""A law is reported as valid when it is this many times likelier than the other."""

LEANING_RATIO = 3.0
"""Where neither law is reported as valid, dry rubbing is assumed only if it is this many times likelier."""

READING_ERROR_DEG = 3.0
"""Half-width assumed for an arc read off in degrees."""


@dataclass(frozen=True, slots=True)
class FreeSwingResult:
    """The result of a free swing.

    ``law`` is 'air', 'dry', 'both' or 'open' (the readings do not decide). ``likelihood`` gives the weight of each
    fitted law. ``q`` is valid at ``at_arc_deg``; ``dry_share`` is the part of the loss there that is dry rubbing. Times
    in seconds; ``None`` where a figure is not available.
    """

    law: str
    likelihood: dict[str, float]
    at_arc_deg: float
    q: UFloat
    settling_time_s: UFloat
    half_life_s: UFloat
    dry_share: UFloat
    loss_deg_per_swing: UFloat
    until_arc_deg: float | None
    until_s: UFloat
    energy_per_day_mj: UFloat
    power_nw: UFloat
    sigma_deg: float
    residual_deg: FloatArray
    sentences: tuple[str, ...]
    remarks: tuple[Remark, ...]


def arcs_from_counts(counts: npt.ArrayLike, spacing_deg: float) -> FloatArray:
    """Arc from ornaments counted past a pointer: 20 of them, 30 degrees apart, are 600 degrees.

    Examples
    --------
    >>> arcs_from_counts([20, 18.5], spacing_deg=30)
    array([600., 555.])
    """
    number = within("ornaments counted", counts, 0, 500, "", "count from turning point to turning point")
    spacing = within("spacing of the ornaments", spacing_deg, 0, 180, "deg", "360 over their number")
    return np.asarray(number * spacing)


def arcs_from_passages(
    contact_s: npt.ArrayLike, drop_s: npt.ArrayLike, period_s: float, lift_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Times (middle of the passage) and arcs from the two sounds of every passage; nan where impossible.

    Parameters
    ----------
    contact_s : array_like
        shape (n,): contacts, seconds from the start.
    drop_s : array_like
        shape (n,): drops.
    period_s : float
        Full period.
    lift_deg : float
        Angle between contact and drop.

    Raises
    ------
    InputError
        The numbers of contacts and drops differ.
    """
    first, second = np.asarray(contact_s, dtype=np.float64), np.asarray(drop_s, dtype=np.float64)
    if first.shape != second.shape or first.ndim != 1:
        raise InputError(f"{first.size} contacts and {second.size} drops; give one of each for every passage")
    return (first + second) / 2, np.asarray(arc_of_passage(second - first, period_s, lift_deg))


def arcs_from_mark(
    passage_s: npt.ArrayLike, period_s: float, mark_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Times and arcs from one sound at every passage of a mark that lies ``mark_deg`` from rest.

    Beyond the mark the balance spends the shorter of two successive intervals, u; half the arc is then
    mark / cos(pi u / T). No passage may be missing.

    Parameters
    ----------
    passage_s : array_like
        shape (n,): every passage of the mark, in order of time.
    period_s : float
        Full period.
    mark_deg : float
        Angle of the mark from rest.

    Raises
    ------
    InputError
        There are too few passages, or two intervals do not make the period.

    Examples
    --------
    >>> time, arc = arcs_from_mark([1.2765, 6.2235, 16.2765, 21.2235], period_s=15, mark_deg=90)
    >>> arc.round(0)
    array([353., 353.])
    """
    passage = np.asarray(passage_s, dtype=np.float64)
    period = float(period_within(period_s))
    mark = float(within("mark's distance from rest", mark_deg, 0, 360, "deg", "measure from rest"))
    if passage.ndim != 1 or passage.size < 4 or not np.all(np.diff(passage) > 0):
        raise InputError(f"{passage.size} passages; give at least 4, in order of time")
    gaps = np.diff(passage)
    if np.any(np.abs(gaps[:-1] + gaps[1:] - period) > 0.05 * period):
        raise InputError(
            f"two successive intervals must make the period of {period:g} s; a passage is missing or too much"
        )
    start = int(np.mean(gaps[0::2]) > np.mean(gaps[1::2]))
    short = gaps[start::2]
    middle = passage[:-1][start::2] + short / 2
    return middle, np.asarray(2 * mark / np.cos(np.pi * short / period))


def free_swing(
    time_s: npt.ArrayLike,
    arc_deg: npt.ArrayLike,
    period_s: float,
    *,
    reading_error_deg: float | None = None,
    at_arc_deg: float | None = None,
    until_arc_deg: float | None = None,
    inertia_g_mm2: float | None = None,
) -> FreeSwingResult:
    """Fit a free swing.

    Parameters
    ----------
    time_s, arc_deg : array_like, shape (n,)
        At least two; nan arcs are left out.
    period_s : float
        Full period.
    reading_error_deg : float, optional
        How far off an arc may be (half-width of a rectangular distribution). Needed to distinguish laws with few arcs.
        Default: with six or more arcs, the scatter gives it.
    at_arc_deg : float, optional
        Arc for which Q, settling and power are calculated (the running arc). Default: the middle of the swing.
    until_arc_deg : float, optional
        Arc to fall below, for example where the clock stops.
    inertia_g_mm2 : float, optional
        For energy and power.

    Raises
    ------
    InputError
        The arc falls by less than the readings can show.

    Examples
    --------
    >>> result = free_swing([0, 1800], [400, 330], period_s=60, reading_error_deg=3)
    >>> print(result.q, result.law)
    490+/-17 open
    """
    period = float(period_within(period_s))
    time, arc, sigma = _checked(time_s, arc_deg, reading_error_deg)
    fits = _fits(time, arc, sigma)
    weights = decay.akaike_weights(fits)
    belief = {str(fit.law): float(weight) for fit, weight in zip(fits, weights, strict=True)}
    law, best = _verdict(fits, belief, len(arc))
    factor = 1.0
    if sigma is None:
        factor = student_factor(len(arc) - (3 if best.law == "both" else 2))
    at = float(arc_within(at_arc_deg)) if at_arc_deg is not None else float((arc.max() + arc.min()) / 2)
    # Two arcs fit any law equally well; with more, each law is weighted by its likelihood.
    q = decay.q_over_laws(fits, at, period, factor) if len(arc) > 2 else _wide(best.q_at(at, period), factor)
    if not q.nominal_value > COVERAGE * q.std_dev or not math.isfinite(q.nominal_value):
        raise InputError(
            f"the arc falls by {arc[0] - arc[-1]:.1f} deg, no more than these readings can show; let it "
            "swing for longer, until a fifth of the arc is gone"
        )
    air, dry = _uncertain(best.air_per_s), _uncertain(best.dry_deg_per_s)
    dry_share = dry / at / (air + dry / at) if best.law == "both" else None
    remarks = _doubts(best, factor, len(arc), sigma)
    start = best.arc_start_deg.nominal_value
    energy, power = _drive(inertia_g_mm2, at, period, q)
    return FreeSwingResult(
        law=law,
        likelihood=belief,
        at_arc_deg=at,
        q=q,
        settling_time_s=q * period / (2 * math.pi),  # of a driven arc: energy in at a constant rate
        half_life_s=_time_to(start / 2, best, factor),
        dry_share=None if dry_share is None else _wide(dry_share, factor),
        loss_deg_per_swing=_wide(best.loss_deg_per_swing(at, period), factor),
        until_arc_deg=until_arc_deg,
        until_s=None if until_arc_deg is None else _time_to(_goal(until_arc_deg, start), best, factor),
        energy_per_day_mj=energy,
        power_nw=power,
        sigma_deg=best.sigma_deg,
        residual_deg=best.residual_deg,
        sentences=_points_to(law, best.law, dry_share, len(arc)),
        remarks=tuple(remarks),
    )


def _goal(until_arc_deg: float, start_deg: float) -> float:
    return float(within("arc to fall below", until_arc_deg, 0, start_deg, "deg", "below the first arc"))


def _drive(
    inertia_g_mm2: float | None, at_deg: float, period_s: float, q: UFloat
) -> tuple[UFloat | None, UFloat | None]:
    """Energy that the drive must give: millijoules a day, and nanowatts (1 mJ a day is 1000 / 86.4 nW)."""
    if inertia_g_mm2 is None:
        return None, None
    energy = energy_per_day_mj(inertia_g_mm2, at_deg, period_s, 1000.0) * 1000 / q
    return energy, 1e3 * energy / 86.4


def _checked(
    time_s: npt.ArrayLike, arc_deg: npt.ArrayLike, reading_error_deg: float | None
) -> tuple[FloatArray, FloatArray, float | None]:
    time = within("time", time_s, -1e12, 1e12, "s")
    arc = within("arc", arc_deg, 0, 1440, "deg", "stop before the balance rests", nan_allowed=True)
    if time.ndim != 1 or time.shape != arc.shape:
        raise InputError(f"{time.size} times and {arc.size} arcs; give one of each")
    order = np.argsort(time[np.isfinite(arc)], kind="stable")
    time, arc = time[np.isfinite(arc)][order], arc[np.isfinite(arc)][order]
    if arc.size < 2 or np.unique(time).size < 2:
        given = "1 arc was" if arc.size == 1 else f"{arc.size} arcs were"
        raise InputError(f"{given} read; at least 2, at different times, are needed")
    if not arc[-1] < arc[0]:
        raise InputError(
            f"the arc goes from {arc[0]:g} to {arc[-1]:g} deg; a free swing dies away: take the drive off "
            "and begin with a large arc"
        )
    sigma = None
    if reading_error_deg is not None:
        sigma = float(within("reading error", reading_error_deg, 0, 180, "deg")) / math.sqrt(3)
    elif arc.size < FEW:
        sigma = READING_ERROR_DEG / math.sqrt(3)
    return time - time[0], arc, sigma


def _fits(time: FloatArray, arc: FloatArray, sigma: float | None) -> tuple[decay.FreeSwing, ...]:
    if arc.size >= FEW:
        return decay.compare_laws(time, arc, sigma)
    assert sigma is not None
    laws: tuple[decay.Law, ...] = ("air", "dry")
    return tuple(sorted((_few(time, arc, law, sigma) for law in laws), key=lambda fit: fit.aicc))


def _few(time: FloatArray, arc: FloatArray, law: decay.Law, sigma: float) -> decay.FreeSwing:
    """Fit two parameters to two to five arcs of known error."""
    from uncertainties import correlated_values

    start, loss = arc[0], 0.0
    loss = math.log(arc[0] / arc[-1]) / time[-1] if law == "air" else (arc[0] - arc[-1]) / time[-1]
    for _ in range(50):
        if law == "air":
            share = np.exp(-loss * time)
            model, slope = start * share, np.stack([share, -start * time * share], axis=1)
        else:
            model, slope = start - loss * time, np.stack([np.ones_like(time), -time], axis=1)
        step = np.linalg.lstsq(slope, arc - model, rcond=None)[0]
        start, loss = start + step[0], loss + step[1]
    residual = arc - model
    values = correlated_values([start, loss], np.linalg.inv(slope.T @ slope) * sigma**2)
    likelihood = -0.5 * float(residual @ residual) / sigma**2
    return decay.FreeSwing(
        law=law,
        arc_start_deg=values[0],
        air_per_s=values[1] if law == "air" else 0.0,
        dry_deg_per_s=values[1] if law == "dry" else 0.0,
        sigma_deg=sigma,
        residual_deg=residual,
        log_likelihood=likelihood,
        aicc=-2 * likelihood,
    )


def _verdict(
    fits: tuple[decay.FreeSwing, ...], belief: dict[str, float], count: int
) -> tuple[str, decay.FreeSwing]:
    """The valid law, and the fit whose figures are reported."""
    by_law = {fit.law: fit for fit in fits}
    if count < 3:
        return "open", by_law["air"]
    pure, rival = sorted((by_law["air"], by_law["dry"]), key=lambda fit: fit.aicc)
    both = by_law.get("both")
    if both is not None and belief["both"] >= OPEN_RATIO * belief[pure.law]:
        parts = (both.air_per_s, both.dry_deg_per_s)
        if all(part.nominal_value > COVERAGE * part.std_dev for part in parts):
            return "both", both
    if belief[pure.law] >= OPEN_RATIO * belief[rival.law]:
        return pure.law, pure
    return "open", pure if belief[pure.law] >= LEANING_RATIO * belief[rival.law] else by_law["air"]


def _doubts(best: decay.FreeSwing, factor: float, count: int, sigma: float | None) -> list[Remark]:
    remarks = []
    for part, name in ((best.air_per_s, "air drag"), (best.dry_deg_per_s, "dry rubbing")):
        if part and part.nominal_value < -COVERAGE * factor * part.std_dev:
            remarks.append(
                Remark(
                    "negative-loss",
                    f"The fit asks for a negative {name}: neither law describes this swing. Was the drive "
                    "off, and the case still?",
                )
            )
    spread = float(np.sqrt(np.mean(best.residual_deg**2)))
    if sigma is not None and count > 3 and spread > 2 * sigma:
        remarks.append(
            Remark(
                "arcs-scatter",
                f"The arcs scatter by {spread:.1f} deg about the law, more than the reading error stated: "
                "read again or state a larger one.",
            )
        )
    if count < FEW:
        remarks.append(
            Remark(
                "few-arcs",
                f"{count} arcs give only a first idea; six or more also show what damps the balance.",
            )
        )
    return remarks


def _points_to(law: str, used: str, dry_share: Any, count: int) -> tuple[str, ...]:
    if law == "air":
        return (
            "Air drag holds: the same share of the arc is lost every swing. Nothing rubs that these arcs "
            "could show; what is left to gain is a stronger or better drive, not a freer balance.",
        )
    if law == "dry":
        return (
            "Dry rubbing holds: the same angle is lost every swing. Something touches: look for a hair or "
            "thread, a strip that grazes its guard, a fork that binds, a balance that brushes the base.",
        )
    if law == "both":
        share = 100 * dry_share.nominal_value
        return (
            f"Both hold: about {share:.0f} % of the loss is dry rubbing, the rest air drag. Look for what "
            "touches before blaming the drive.",
        )
    why = "two arcs fit any law" if count < 3 else "the readings speak for neither strongly enough"
    supposed = "air drag" if used == "air" else "dry rubbing"
    return (
        f"What damps it cannot be told ({why}); the figures suppose {supposed}. Let it swing down "
        "further, to half its arc, and read more often.",
    )


def _time_to(goal: float, fit: decay.FreeSwing, factor: float) -> UFloat:
    """Time until an arc is reached; None where the law never reaches it."""
    from uncertainties import wrap

    start, air, dry = fit.arc_start_deg, _uncertain(fit.air_per_s), _uncertain(fit.dry_deg_per_s)
    if air.nominal_value < 0 or dry.nominal_value < 0 or goal >= start.nominal_value:
        return None

    def formula(first: float, drag: float, rubbing: float) -> float:
        return float(decay.time_to_arc_s(first, goal, max(drag, 0.0), max(rubbing, 0.0)))

    time = wrap(formula)(start, air, dry)
    return _wide(time, factor) if math.isfinite(time.nominal_value) else None


def _wide(figure: UFloat, factor: float) -> UFloat:
    from uncertainties import ufloat

    return ufloat(figure.nominal_value, max(figure.std_dev * factor, 1e-12))


def _uncertain(value: Any) -> Any:
    from uncertainties import ufloat

    return value if hasattr(value, "std_dev") else ufloat(value, 1e-30)
