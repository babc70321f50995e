"""The arc of every passage, and the mean arc of a stretch with its uncertainty.

Input: beats with their passages, lift, period and beat error. Output: arcs in degrees, end to end. The sides are weighted
by how surely their passages are known, not by how many beats of each were heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from torsionbeat.hearing.account import ALIKE, ALIKE_SHARE, UNLIKE_SHARE
from torsionbeat.hearing.beginnings import SHARE_PAIRS, SHARE_WEIGHTS
from torsionbeat.hearing.heard import HeardSounds
from torsionbeat.reading.beats import ALIKE_FORKS, Beats, StackedPassage
from torsionbeat.reading.figures import Clock, FloatArray, IntArray, UFloat
from torsionbeat.reading.mean_period import USUAL_SCATTER_S, SteadyPeriod
from torsionbeat.theory.robust import median_deviation
from torsionbeat.theory.swing import arc_and_offset_deg, offset_deg
from torsionbeat.theory.two_sides import BY_BEAT_ERROR, BY_PASSAGE, Joint, SoundDoubt, beginnings_of_both

__all__ = [
    "EDGE_S",
    "beat_error_edge_s",
    "beginnings_of",
    "mean_arc_deg",
    "moved_by",
    "offset_of",
    "passages_differ_s",
    "single_arcs_deg",
]

EDGE_S = 0.00015
"""Standard uncertainty of where a mean sound begins, besides its own scatter and a share of its rise: the
beginnings of the twin's voices, from sharp to soft and from loud to weak, differ by this much."""

IMPULSE_SHARE = 0.0005
"""Standard uncertainty of the arc, as a share of it, from the impulse itself: unlocking slows the balance and the
push quickens it within the lift, so the passage is not quite that of a free swing (twin: 0.06 % at Q 300)."""

GREATEST_ARC_DEG = 750.0
"""No torsion balance swings so far (they knock above roughly 600: common practice, no source; and the lift may be stated a
fifth too great): a sound that gives a greater arc is not the contact."""

_SLOPE_STEP = 1e-4
"""Share of the period, and of the arc, over which the slopes of the offset are taken."""

LEAST_PASSAGES = 3
"""Fewer passages of a side give no usable scatter."""
LEAST_COMPARED = 2
"""Two passages a side show whether a sound was timed from another of its parts: that changes them by far more than scatter."""

LEAST_SHARE = 0.25
"""A side's arc counts where the contact was heard in more than this share of its beats: with fewer, the loudest may be other
sounds."""

BEYOND_CHANCE = 3.0
"""Standard uncertainties by which two sides must differ before the difference is taken for a fault (1 in 370)."""


def single_arcs_deg(beats: Beats, clock: Clock, steady: SteadyPeriod) -> FloatArray:
    """Arc (end to end) of each passage, shape (n,), nan where it gives none.

    Parameters
    ----------
    beats : Beats
    clock : Clock
        Its lift gives the arc.
    steady : SteadyPeriod
        The period that all beats share.
    """
    if clock.lift_deg is None:
        return np.full(len(beats.number), np.nan)
    error_ms = _finite_ms(steady)
    if abs(error_ms) >= 0.49 * steady.period_s * 1e3:  # half a period: the geometry has no answer
        error_ms = 0.0
    arc, _ = arc_and_offset_deg(beats.passage_s, error_ms, steady.period_s, clock.lift_deg)
    arcs = np.atleast_1d(np.asarray(arc, np.float64)).copy()
    arcs[(arcs <= clock.lift_deg) | (arcs > GREATEST_ARC_DEG)] = np.nan
    return arcs


def mean_arc_deg(
    beats: Beats,
    arcs: FloatArray,
    clock: Clock,
    steady: SteadyPeriod,
    *,
    together: dict[int, StackedPassage],
    beginnings: Joint,
) -> tuple[UFloat, float]:
    """Mean arc over the stretch heard, degrees, None where neither side gives one; and the part of its standard uncertainty that
    comes from where the sounds begin.

    Parameters
    ----------
    beats, arcs : Beats, array of shape (n,)
        Beats of the stretch and the arc of each.
    clock : Clock
        For the lift and how surely it is known.
    steady : SteadyPeriod
        Period and beat error of the same stretch.
    together : dict
        Mean passage by side where single contacts are not heard.
    beginnings : Joint
        Doubt of where the sounds begin, seconds.
    """
    if clock.lift_deg is None:
        return None, 0.0
    from uncertainties import ufloat

    per_side = {
        side: found
        for side in (0, 1)
        if (found := _side_arc(side, beats, arcs, clock, steady, together)) is not None
    }
    if not per_side:
        return None, 0.0
    values = np.array([found.arc for found in per_side.values()])
    scatters = np.array([found.scatter for found in per_side.values()])
    by_begin = np.array([found.by_begin for found in per_side.values()])
    leads = np.array([found.by_lead for found in per_side.values()])
    of_beginnings = by_begin @ beginnings.covariance @ by_begin.T
    of_beginnings += np.outer(leads, leads) * np.where(np.eye(len(leads)) > 0, 1.0, ALIKE_FORKS)
    covariance = of_beginnings + np.diag(scatters**2)
    weights = _weights_of(covariance)
    mean, spread = float(weights @ values), float(np.sqrt(weights @ covariance @ weights))
    by_beginnings = float(np.sqrt(weights @ of_beginnings @ weights))
    if len(values) == 2 and abs(values[0] - values[1]) > BEYOND_CHANCE * float(np.sqrt(np.trace(covariance))):
        # The balance swings as far one way as the other: where the sides disagree one was misheard, which one is unknown.
        mean, spread = float(np.mean(values)), max(spread, abs(float(values[0] - values[1])) / 2)
    of_arc = (clock.lift_tolerance_deg / np.sqrt(3) / clock.lift_deg, IMPULSE_SHARE)
    return ufloat(mean, float(np.hypot(spread, mean * np.linalg.norm(of_arc)))), by_beginnings


@dataclass(frozen=True, slots=True)
class _SideArc:
    """Mean arc of one side in degrees, its standard uncertainty from scatter, and its change with each of the four sounds (by one
    second later, shape (4,)).

    ``by_lead``: standard uncertainty from the part that the room hides of a contact heard only in the mean of all beats."""

    arc: float
    scatter: float
    by_begin: FloatArray
    by_lead: float = 0.0


def _weights_of(covariance: FloatArray) -> FloatArray:
    """Weights of one or two figures with which their mean is the surest; neither below zero."""
    if len(covariance) == 1:
        return np.ones(1)
    one, two, both = covariance[0, 0], covariance[1, 1], covariance[0, 1]
    differ = one + two - 2 * both
    share = float(np.clip((two - both) / differ, 0.0, 1.0)) if differ > 1e-12 * (one + two) else 0.5
    return np.array([share, 1 - share])


def _side_arc(
    side: int,
    beats: Beats,
    arcs: FloatArray,
    clock: Clock,
    steady: SteadyPeriod,
    together: dict[int, StackedPassage],
) -> _SideArc | None:
    """Mean arc of one side; None where it cannot be had."""
    assert clock.lift_deg is not None
    mine = beats.number % 2 == side
    if side in together:
        passage_s = together[side].mean_s
        arc, _ = arc_and_offset_deg(passage_s, _finite_ms(steady), steady.period_s, clock.lift_deg)
        if not (np.isfinite(arc) and clock.lift_deg < arc < GREATEST_ARC_DEG):
            return None
        per_second, lead_s = float(arc) / passage_s, together[side].lead_s
        by_begin = -per_second * _without_contacts(BY_PASSAGE[side], together)
        return _SideArc(float(arc), per_second * together[side].uncertainty_s, by_begin, per_second * lead_s)
    rows = mine & np.isfinite(arcs)
    count = int(np.count_nonzero(rows))
    if count < LEAST_PASSAGES or count <= LEAST_SHARE * np.count_nonzero(mine):
        return None
    scatter = _scatter(beats.number[rows], arcs[rows]) / np.sqrt(count)
    mean = _mean_over_stretch(beats.number[rows], arcs[rows], beats.number)
    by_begin = -mean / float(np.median(beats.passage_s[rows])) * BY_PASSAGE[side]
    return _SideArc(mean, float(scatter), by_begin)


def _without_contacts(weights: FloatArray, together: dict[int, StackedPassage]) -> FloatArray:
    """Weights of the four sounds, less the contacts that only the mean of all beats shows: their doubt is the passage's."""
    out = weights.copy()
    out[[2 * side for side, one in together.items() if one.lead_s]] = 0.0
    return out


def offset_of(error_ms: UFloat, arc: UFloat, period_s: float, lift_deg: float | None) -> UFloat:
    """Offset from beat error and arc, with the uncertainties of both propagated; None where either or the lift is missing.

    Parameters
    ----------
    error_ms : ufloat
        Beat error.
    arc : ufloat
        End to end, deg.
    period_s : float
        Full period.
    lift_deg : float or None
    """
    if error_ms is None or arc is None or lift_deg is None:
        return None
    from uncertainties import ufloat

    b, a, t = error_ms.nominal_value, arc.nominal_value, period_s
    if abs(b) >= 0.45 * t * 1e3:  # near half a period the balance would not clear its lift
        return None
    value = float(offset_deg(b, a, t, lift_deg))
    # Slopes, not the values a whole uncertainty away: an arc that is hardly known may be beyond any balance there.
    step_b, step_a = _SLOPE_STEP * t * 1e3, _SLOPE_STEP * a
    by_b = (float(offset_deg(b + step_b, a, t, lift_deg)) - value) / step_b
    by_a = (float(offset_deg(b, a + step_a, t, lift_deg)) - value) / step_a
    return ufloat(value, np.hypot(by_b * error_ms.std_dev, by_a * arc.std_dev))


def beginnings_of(beats: Beats, sounds: HeardSounds, seconds_per_sample: float) -> Joint:
    """How much later than stated each sound begins, in seconds, with the doubt of that, from both sides together.

    Parameters
    ----------
    beats : Beats
        As the sounds were stated.
    sounds : HeardSounds
        With the choices of where each kind begins.
    seconds_per_sample : float
    """
    doubts = [
        _doubt_of(sounds, side, kind, seconds_per_sample) for side in (0, 1) for kind in ("contact", "drop")
    ]
    apart = _passages_apart_s(beats) if all(doubt is not None for doubt in doubts) else None
    longest = 0.0 if apart is None else float(np.nanmedian(beats.passage_s))
    return beginnings_of_both(
        doubts,
        SHARE_PAIRS,
        alike_forks=ALIKE_FORKS,
        apart=apart,
        alike=(ALIKE, ALIKE_SHARE * longest, UNLIKE_SHARE * longest),
    )


def _doubt_of(sounds: HeardSounds, side: int, kind: str, seconds_per_sample: float) -> SoundDoubt | None:
    """Choices of where one kind of sound of one side begins, and its scatter; None where it is not heard."""
    chosen = (sounds.beat % 2 == side) & (sounds.kind == kind) & sounds.certain
    if not chosen.any():
        return None
    choices = np.median(sounds.choices[chosen], axis=0)
    rest = float(np.median(sounds.edge_uncertainty[chosen])) ** 2 - float(SHARE_WEIGHTS @ choices**2)
    own_s = float(np.sqrt(max(rest, 0.0))) * seconds_per_sample
    return SoundDoubt(choices * seconds_per_sample, EDGE_S, own_s)


def moved_by(beginnings: Joint, together: dict[int, StackedPassage]) -> dict[int, StackedPassage]:
    """The passages by side, as the sounds begin later than stated."""
    return {
        side: replace(
            one, mean_s=one.mean_s + float(_without_contacts(BY_PASSAGE[side], together) @ beginnings.later)
        )
        for side, one in together.items()
    }


def beat_error_edge_s(beginnings: Joint, together: dict[int, StackedPassage]) -> float:
    """Standard uncertainty that the beginnings add to the beat error, by the middles of both sides or by both drops."""
    middles = all(side in together or beginnings.covariance[2 * side, 2 * side] > 0 for side in (0, 1))
    weights = _without_contacts(BY_BEAT_ERROR, together) if middles else np.array([0.0, -1.0, 0.0, 1.0])
    return beginnings.spread_of(weights)


def _passages_apart_s(beats: Beats) -> tuple[float, float] | None:
    """How much longer the passage of side a is than that of side b, and its standard uncertainty from single beats' scatter."""
    means, scatters = [], []
    for side in (0, 1):
        rows = (beats.number % 2 == side) & np.isfinite(beats.passage_s)
        count = int(np.count_nonzero(rows))
        if count < LEAST_COMPARED:
            return None
        # the usual scatter counts as one passage more, so that two that agree by luck do not look sure
        scatter = np.hypot(
            _scatter(beats.number[rows], beats.passage_s[rows]), USUAL_SCATTER_S / np.sqrt(count - 1)
        )
        scatters.append(scatter / np.sqrt(count))
        means.append(_mean_over_stretch(beats.number[rows], beats.passage_s[rows], beats.number))
    return means[0] - means[1], float(np.linalg.norm(scatters))


def passages_differ_s(beats: Beats, beginnings: Joint) -> float:
    """How much the lift passages of both sides differ, where that is more than chance: they should be equal."""
    apart = _passages_apart_s(beats)
    return abs(apart[0]) if apart is not None and beginnings.unlike > 0.5 else 0.0


def _finite_ms(steady: SteadyPeriod) -> float:
    return steady.beat_error_s * 1e3 if np.isfinite(steady.beat_error_s) else 0.0


def _scatter(number: IntArray, values: FloatArray) -> float:
    """Scatter of single values about their neighbours: the noise of the measurement, not the travel of the arc.

    A second difference of independent values has six times their variance. Outliers raise the root mean square, which
    counts for half.
    """
    if len(values) < 4:
        return float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    second = values[:-2] - 2 * values[1:-1] + values[2:]
    even = np.diff(number)[1:] == np.diff(number)[:-1]
    chosen = second[even] if np.count_nonzero(even) >= 3 else second
    return max(median_deviation(chosen), 0.5 * float(np.sqrt(np.mean(chosen**2)))) / float(np.sqrt(6))


def _mean_over_stretch(number: IntArray, values: FloatArray, whole: IntArray) -> float:
    """Mean over all beats of the stretch; those without a value are interpolated between their neighbours."""
    every = np.arange(whole[0], whole[-1] + 1)
    return float(np.mean(np.interp(every, number, values)))
