"""The course of the arc: through one night, settling to a steady value, or changed suddenly by its drive.

A balance answers a change of its drive as a first-order system. Where every impulse does the same work, the
square of the arc nears its new value with half the time constant of the free swing, Q T / (2 pi): energy goes
in at a constant rate and out in proportion to itself. So the arc of a night that begins away from its steady value
follows nearly an exponential from the start (settling). Where the drive changes at some moment, the arc is steady
first and follows an exponential from there (a step). Each course is fitted by least squares to the means of short
blocks, with a grid search for its time constant and moment. The courses are compared by their residual squares, as a
share of the straight line's (`arc_course`). A single recording is often shorter than a time constant. For it, two
more functions find how long there is to wait (`settling_of`), and whether the drive was lost or came back (`turn_of`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from torsionbeat.reading.arc_trend import settling_times_s
from torsionbeat.reading.figures import FloatArray, Swings
from torsionbeat.reading.intervals import block_means
from torsionbeat.theory.robust import median_deviation

__all__ = ["ArcCourse", "Settling", "Shape", "Turn", "arc_course", "settling_of", "turn_of", "without_drive"]

Shape = Literal["line", "settling", "step"]

COURSE_BLOCKS = 36
"""Blocks into which a night is cut: a quarter of an hour each in nine hours, shorter than what settles."""

LEAST_BLOCKS = 12
"""Fewer means are too few for the four parameters of a step."""

LEFT_OF_LINE = 0.35
"""A course is preferred to the straight line where its residual squares are less than this share of the line's."""

CLEAR_OF_EDGES = 0.08
"""A step this near to either end of the night (as a share of it) is not accepted."""


@dataclass(frozen=True, slots=True)
class ArcCourse:
    """What the arc did in a night.

    ``moved_deg`` from the first to the last moment of the fitted course; ``final_deg`` the arc it tends to
    (nan for a line); ``time_constant_s`` and ``at_s`` (the moment of a step) nan where they have no meaning;
    ``scatter_deg`` standard deviation of the block means about the course.
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
    """Residual squares of a + b shape, and the fitted course."""
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


LEAST_BEATS = 24
"""Arcs below which a bend cannot be distinguished from scatter: six for each of the four parameters fitted."""

CLOSE_SHARE = 0.01
"""Within one per cent of its steady value an arc counts as settled: the rest moves the rate by less than 0.1 s a day (the
strip's own stiffening), and cannot be seen (common practice, no source)."""

CORNER_OF_LINE, CORNER_OF_BEND, CORNER_F = 0.5, 0.75, 25.0
"""The residual squares of a corner must be less than these shares of those of a line and of a parabola. It must also beat
the parabola by an F ratio that chance reaches at a given place with a probability of 5e-6 (F of 1 and 60 degrees of
freedom), because 80 places are tried."""

TOLD_WITHIN = 6.0
"""Where the ends of the time constant's interval have a larger ratio than this, the steady value is uncertain by as much as
the arc has moved."""


@dataclass(frozen=True, slots=True)
class Settling:
    """An arc that is settling: time constant with its 95 % interval, the arc at the end and its steady value.

    ``wait_s`` is the time from the last beat until the arc is within one per cent of its steady value. All but
    ``arc_now_deg`` are nan where the course does not show the steady value: it is too straight, or would end below zero.
    """

    time_constant_s: float
    time_constant_low_s: float
    time_constant_high_s: float
    arc_now_deg: float
    arc_steady_deg: float
    wait_s: float


def settling_of(time_s: FloatArray, arc_deg: FloatArray) -> Settling | None:
    """Fit the approach of the arc to a steady value; None where it is steady within its scatter or within 1 %."""
    known = np.isfinite(arc_deg)
    if np.count_nonzero(known) < LEAST_BEATS:
        return None
    at, arc = time_s[known] - time_s[known][0], arc_deg[known]
    span = float(at[-1])
    fifth = max(len(arc) // 5, 4)
    travel = float(np.median(arc[-fifth:]) - np.median(arc[:fifth]))
    scatter = median_deviation(np.diff(arc)) / np.sqrt(2)
    if abs(travel) < max(6 * scatter / np.sqrt(fifth), CLOSE_SHARE * float(np.median(arc))):
        return None
    number = np.rint(at / np.median(np.diff(at))).astype(np.int64)
    tau, low, high = settling_times_s(at, number, arc)
    gone = np.expm1(-at / tau) / np.expm1(-span / tau)
    way, start = np.polyfit(gone, arc, 1)
    now = float(start + way)
    steady = float(start - way / np.expm1(-span / tau))
    left = abs(steady - now)
    if (
        high / low > TOLD_WITHIN or steady <= 0
    ):  # no arc settles below nothing: then it is not settling yet, or something else
        nan = float("nan")
        return Settling(nan, nan, nan, now, nan, nan)
    if left < max(CLOSE_SHARE * steady, 2 * scatter / np.sqrt(fifth)):
        return None
    return Settling(tau, low, high, now, steady, tau * float(np.log(left / (CLOSE_SHARE * steady))))


@dataclass(frozen=True, slots=True)
class Turn:
    """A moment at which the arc turned: mean slopes before and after it (deg an hour), the arc there and at the end."""

    time_s: float
    slope_before_deg_per_hour: float
    slope_after_deg_per_hour: float
    arc_there_deg: float
    arc_end_deg: float


def turn_of(time_s: FloatArray, arc_deg: FloatArray) -> Turn | None:
    """The moment at which the arc turned suddenly (the drive was lost, or came back); None where it did not.

    Two straight lines that meet are fitted to the arcs, at up to 80 meeting places; they must fit far better than one
    line, and better than a parabola. The moment is then searched for at up to 240 places, with a parabola after it.
    """
    known = np.isfinite(arc_deg)
    if np.count_nonzero(known) < LEAST_BEATS:
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
    of_chance = (
        bend - corner
    ) * freedom <= CORNER_F * corner  # an exactly straight arc leaves no residuals of either
    if corner > CORNER_OF_LINE * line or corner > CORNER_OF_BEND * bend or of_chance:
        return None
    there = float(solution[0] + solution[1] * hours[place])
    if abs(change) * (hours[-1] - hours[place]) < 2 * CLOSE_SHARE * there:
        return None
    # A falling arc bends, so two straight lines meet too early; with a parabola after the corner it is in its true place.
    bent = [
        (*misfit(ones, hours, ramp := np.maximum(hours - hours[place], 0), ramp**2), int(place))
        for place in np.unique(np.linspace(6, len(at) - 7, 240).astype(int))
    ]
    _, solution, place = min(bent, key=lambda trial: trial[0])
    left = float(hours[-1] - hours[place])
    before, there = float(solution[1]), float(solution[0] + solution[1] * hours[place])
    end = there + (before + float(solution[2])) * left + float(solution[3]) * left**2
    after = (end - there) / left
    return Turn(float(at[place]), before, after, there, end)


def without_drive(time_s: FloatArray, arc_deg: FloatArray) -> npt.NDArray[np.bool_]:
    """Which arcs were swung without a drive, where the drive was lost or came back midway; otherwise all, shape (n,)."""
    turn = turn_of(time_s, arc_deg)
    if turn is None:
        return np.ones(len(time_s), bool)
    lost = turn.slope_after_deg_per_hour < turn.slope_before_deg_per_hour
    return np.asarray(time_s >= turn.time_s if lost else time_s <= turn.time_s)
