"""The course of the arc through one night: steady, on a line, settling, or stepped by its drive.

A balance answers a change of its drive as a first-order system. Where every impulse does the same work, the
square of the arc nears its new value with half the time constant of the free swing, Q T / (2 pi): energy goes
in at a constant rate and out in proportion to itself. So a night that begins away from its steady arc follows
nearly an exponential from the start (settling), and one whose drive changes at some moment is steady first and
follows one from there (a step). Each course is fitted by least squares to the means of short blocks, its time
constant and moment searched on a grid; the courses are held against each other by what they leave of the
straight line's squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from torsionbeat.reading.figures import FloatArray, Swings
from torsionbeat.reading.intervals import block_means

__all__ = ["ArcCourse", "Shape", "arc_course"]

Shape = Literal["line", "settling", "step"]

COURSE_BLOCKS = 36
LEAST_BLOCKS = 12

LEFT_OF_LINE = 0.35
"""A course is preferred to the straight line where it leaves less than this share of the line's squares."""

CLEAR_OF_EDGES = 0.08
"""A step this near to either end of the night (as a share of it) is no step."""


@dataclass(frozen=True, slots=True)
class ArcCourse:
    """What the arc did in a night.

    ``moved_deg`` from the first to the last moment of the fitted course; ``final_deg`` the arc it tends to
    (nan for a line); ``time_constant_s`` and ``at_s`` (the moment of a step) nan where they have no meaning;
    ``scatter_deg`` standard deviation of the block means about it.
    """

    shape: Shape
    moved_deg: float
    final_deg: float
    time_constant_s: float
    at_s: float
    scatter_deg: float


def arc_course(swings: Swings) -> ArcCourse | None:
    """Find the course of the arc; None with fewer than 12 blocks of three arcs.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(0.0, 28_800, 30)
    >>> arc = 430 - 60 * np.exp(-t / 5000)
    >>> night = Swings(np.arange(t.size), t, ["a", "b"] * (t.size // 2), t * np.nan, t * np.nan, arc)
    >>> course = arc_course(night)
    >>> course.shape, round(course.final_deg)
    ('settling', 430)
    """
    time, arc = _blocks(swings)
    if len(time) < LEAST_BLOCKS:
        return None
    span = float(time[-1] - time[0])
    since = (time - time[0]) / span
    line_rest, line = _fitted(since, arc)
    best: ArcCourse = _course("line", line, np.nan, np.nan, np.nan, line_rest, len(arc))
    bar = LEFT_OF_LINE * line_rest
    for tau in np.geomspace(0.03, 1.0, 40):
        rest, curve = _fitted(np.exp(-since / tau), arc)
        if rest < bar:
            final = float(curve[0] - (curve[0] - curve[-1]) / (1 - np.exp(-1 / tau)))
            best, bar = _course("settling", curve, final, tau * span, np.nan, rest, len(arc)), rest
    # A step has one parameter more than settling, so it must do clearly better.
    bar = bar if best.shape == "line" else 0.7 * bar
    for start in since[(since > CLEAR_OF_EDGES) & (since < 1 - CLEAR_OF_EDGES)]:
        after = np.maximum(since - start, 0)
        for tau in (0.01, *np.geomspace(0.03, 1.0, 10)):
            rest, curve = _fitted(1 - np.exp(-after / tau), arc)
            if rest < bar:
                moved = float(curve[-1] - curve[0])
                final = float(curve[0] + moved / (1 - np.exp(-(1 - start) / tau)))
                at = float(time[0] + start * span)
                best, bar = _course("step", curve, final, tau * span, at, rest, len(arc)), rest
    return best


def _blocks(swings: Swings) -> tuple[FloatArray, FloatArray]:
    known = np.isfinite(swings.arc_deg)
    if np.count_nonzero(known) < 3 * LEAST_BLOCKS:
        return np.zeros(0), np.zeros(0)
    blocks = min(COURSE_BLOCKS, int(np.count_nonzero(known)) // 4)
    time, arc = swings.time_s[known], swings.arc_deg[known]
    middles, means = block_means(time, time, blocks), block_means(time, arc, blocks)
    heard = np.isfinite(means)
    return middles[heard], means[heard]


def _fitted(shape: FloatArray, arc: FloatArray) -> tuple[float, FloatArray]:
    """Squares left by a + b shape, and the fitted course."""
    centred = shape - shape.mean()
    power = float(centred @ centred)
    slope = float(centred @ arc) / power if power > 0 else 0.0
    curve = arc.mean() + slope * centred
    rest = arc - curve
    return float(rest @ rest), curve


def _course(
    shape: Shape, curve: FloatArray, final: float, tau_s: float, at_s: float, rest: float, count: int
) -> ArcCourse:
    scatter = float(np.sqrt(rest / max(count - 3, 1)))
    return ArcCourse(shape, float(curve[-1] - curve[0]), final, float(tau_s), at_s, scatter)
