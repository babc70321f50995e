"""The course of the arc: through one night, on its way to a steady value, or turned at once by its drive.

A balance answers a change of its drive as a first-order system. Where every impulse does the same work, the
square of the arc nears its new value with half the time constant of the free swing, Q T / (2 pi): energy goes
in at a constant rate and out in proportion to itself. So a night that begins away from its steady arc follows
nearly an exponential from the start (settling), and one whose drive changes at some moment is steady first and
follows one from there (a step). Each course is fitted by least squares to the means of short blocks, its time
constant and moment searched on a grid; the courses are held against each other by what they leave of the
straight line's squares (`arc_course`). Of a single recording, often shorter than a time constant, two things are
asked besides: how long there is to wait (`settling_of`), and whether the drive was lost or came back (`turn_of`).
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
"""Fewer means are too few for the four figures of a step."""

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


LEAST_BEATS = 24
"""Arcs below which a bend cannot be distinguished from scatter: six for each of the four figures fitted."""

CLOSE_SHARE = 0.01
"""Within one per cent of its steady value an arc counts as settled: it moves the rate by less than 0.1 s a day (strip's
own stiffening), and it cannot be seen (common practice, no source)."""

CORNER_OF_LINE, CORNER_OF_BEND, CORNER_F = 0.5, 0.75, 25.0
"""A corner must leave less than these shares of the squares of a line and of a parabola, and the parabola must lose to it
by an F ratio that chance reaches in one of a million records (F of 1 and 60 degrees of freedom), as 80 places are tried."""

TOLD_WITHIN = 6.0
"""Ends of the time constant's interval farther apart than this leave the goal open by as much as the way gone."""


@dataclass(frozen=True, slots=True)
class Settling:
    """An arc under way: time constant with its 95 % interval, the arc at the end and the one it nears.

    ``wait_s`` is how long after the last beat the arc will be within one per cent of its steady value; all that is
    nan where the travel is too straight for the steady value to be known.
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
    if high / low > TOLD_WITHIN:
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
    """The moment at which the arc turned at once (the drive was lost, or came back); None where it did not.

    Two straight lines that meet are fitted to the arcs, at 80 meeting places or fewer; they must fit far better than
    one line and better than a bend without a corner. The moment is then sought at 240, with a bend after it.
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
    ) * freedom <= CORNER_F * corner  # an arc that is exactly even leaves nothing of either
    if corner > CORNER_OF_LINE * line or corner > CORNER_OF_BEND * bend or of_chance:
        return None
    there = float(solution[0] + solution[1] * hours[place])
    if abs(change) * (hours[-1] - hours[place]) < 2 * CLOSE_SHARE * there:
        return None
    # A fall bends, and two straight lines meet before its beginning: with a bend after it the corner is where it was.
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
    """Which arcs are of the swing without a drive, where the drive was lost or came back midway; else all, shape (n,)."""
    turn = turn_of(time_s, arc_deg)
    if turn is None:
        return np.ones(len(time_s), bool)
    lost = turn.slope_after_deg_per_hour < turn.slope_before_deg_per_hour
    return np.asarray(time_s >= turn.time_s if lost else time_s <= turn.time_s)
