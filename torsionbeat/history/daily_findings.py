"""Signs in the arc over days: a step that stays, and a course that repeats every day.

An air-driven clock is driven by the changing warmth of the day: where this hardly suffices, the arc rises and falls
with the hours. A drive that changes once and stays so gives two levels of the arc. Both are searched for in all nights
of a clock together, with long recordings cut into hours.

Thresholds in degrees are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from torsionbeat.history.finding import Finding
from torsionbeat.history.nights import Night
from torsionbeat.reading.figures import FloatArray
from torsionbeat.reading.intervals import block_means, independent_count

__all__ = ["ArcStep", "arc_step", "day_signs", "step_signs"]

LEAST_MOVE_DEG = 8.0
"""Twice the wander that a healthy drive causes (common practice, no source)."""
LEAST_STEP_SCATTERS = 5.0
"""Size of a step in scatters of single nights: of many places tried for a step, chance brings one to four."""
LEAST_SCATTER_DEG = 1.0
"""Floor of that scatter: few nights may agree by chance."""
LEFT_OF_LINE = 0.45
"""A step is preferred to the straight line where its residual squares are less than this share of the line's."""

LEAST_NIGHTS_A_SIDE = 3
"""Two nights give no usable scatter."""
LEAST_DAYS = 1.9
"""Two nights and the day between, less a couple of hours."""
LEAST_HOURS_OF_DAY = 14
"""More than half of the day must be heard before a course of the day is reported."""
BY_CHANCE = 1e-3
"""Greatest probability that chance alone makes such a course."""
HOUR_S = 3600.0
"""Seconds of an hour."""

BELLOWS = (
    "The bellows of an air-driven clock hold a flammable, volatile filling under pressure: never heat, "
    "puncture or solder near it."
)


@dataclass(frozen=True, slots=True)
class ArcStep:
    """Arcs (deg) before and after a step, how single nights scatter about them, and the first night after it."""

    before_deg: float
    after_deg: float
    scatter_deg: float
    first_after: int


def arc_step(days: FloatArray, arcs: FloatArray) -> ArcStep | None:
    """Find one step between nights, with at least three on either side; None where a line fits nearly as well.

    Examples
    --------
    >>> import numpy as np
    >>> step = arc_step(np.arange(8.0), np.array([430, 431, 429, 430, 431, 402, 401, 403.0]))
    >>> step.first_after, round(step.after_deg - step.before_deg)
    (5, -28)
    """
    count = len(arcs)
    if count < 2 * LEAST_NIGHTS_A_SIDE:
        return None
    line = arcs - np.polyval(np.polyfit(days, arcs, 1), days)
    best, found = LEFT_OF_LINE * float(line @ line), None
    for cut in range(LEAST_NIGHTS_A_SIDE, count - LEAST_NIGHTS_A_SIDE + 1):
        sides = arcs[:cut], arcs[cut:]
        rest = sum(float(np.sum((side - side.mean()) ** 2)) for side in sides)
        if rest < best:
            scatter = max(math.sqrt(rest / (count - 2)), LEAST_SCATTER_DEG)
            best = rest
            found = ArcStep(float(sides[0].mean()), float(sides[1].mean()), scatter, cut)
    if found is None:
        return None
    size = abs(found.after_deg - found.before_deg)
    return found if size >= max(LEAST_MOVE_DEG, LEAST_STEP_SCATTERS * found.scatter_deg) else None


def step_signs(dates: Sequence[datetime], step: ArcStep, count: int) -> Iterator[Finding]:
    """One step between nights that stayed.

    Parameters
    ----------
    dates : sequence of datetime
        Dates of the nights.
    step : ArcStep
    count : int
        How many nights were looked at.
    """
    before, after = dates[step.first_after - 1], dates[step.first_after]
    way = "rose" if step.after_deg > step.before_deg else "fell"
    yield Finding(
        "drive steps",
        f"The arc {way} between {before:%Y-%m-%d} and {after:%Y-%m-%d}, and stayed.",
        (
            f"from {step.before_deg:.0f} to {step.after_deg:.0f} deg over {step.first_after} and "
            f"{count - step.first_after} readings",
            f"single readings scatter by {step.scatter_deg:.1f} deg about either level",
        ),
        "likely",
        "What changed that day: the room's warmth or the clock's place; then the drive (bellows, or a mainspring "
        "and its click); then the suspension, which a knock may have bent.",
        BELLOWS,
    )


def day_signs(nights: Sequence[Night]) -> Iterator[Finding]:
    """An arc that rises and falls with the hours of the day, seen over two days or more."""
    hours, arcs = _hourly(nights)
    if len(hours) < 24 or np.ptp(hours) < 24 * LEAST_DAYS:
        return
    if len(np.unique(hours.astype(int) % 24)) < LEAST_HOURS_OF_DAY:
        return
    plain = np.column_stack([np.ones_like(hours), hours - hours.mean()])
    waves = [wave(2 * math.pi * k * hours / 24) for k in (1, 2) for wave in (np.cos, np.sin)]
    whole = np.column_stack([plain, *waves])
    straight = arcs - plain @ np.linalg.lstsq(plain, arcs, rcond=None)[0]
    answer = np.linalg.lstsq(whole, arcs, rcond=None)[0]
    rest = arcs - whole @ answer
    clock = np.arange(0, 24, 0.25)
    course = np.column_stack(
        [wave(2 * math.pi * k * clock / 24) for k in (1, 2) for wave in (np.cos, np.sin)]
    )
    course = course @ answer[2:]
    moved = float(np.ptp(course))
    # Hours of one day are correlated, so only as many of them count as are independent in the residuals.
    freedom = independent_count(rest) - whole.shape[1]
    if moved < LEAST_MOVE_DEG or freedom < 2:
        return
    f = (float(straight @ straight) - float(rest @ rest)) / 4 / (float(rest @ rest) / freedom)
    f *= freedom / len(rest)
    if f < _f_limit(freedom):
        return
    share = 1 - float(rest @ rest) / float(straight @ straight)
    largest, smallest = clock[int(np.argmax(course))], clock[int(np.argmin(course))]
    yield Finding(
        "drive steps",
        "The arc rises and falls with the day.",
        (
            f"by {moved:.0f} deg, largest towards {largest:.0f} h and smallest towards {smallest:.0f} h",
            f"over {np.ptp(hours) / 24:.1f} days the hour of the day accounts for {100 * share:.0f} % of the "
            "arc's variance",
        ),
        "likely",
        "An air-driven clock: whether the room's warmth swings enough, and as evenly as the bellows need; then the "
        "bellows themselves. In any other clock: sun or heating on the case.",
        BELLOWS,
    )


def _f_limit(freedom: float) -> float:
    from scipy.special import fdtri

    return float(fdtri(4, freedom, 1 - BY_CHANCE))


def _hourly(nights: Sequence[Night]) -> tuple[FloatArray, FloatArray]:
    """Hours since midnight of the first day, local time, and arcs, an hour's mean each."""
    dated = [(night.taken_at, night.reading.swings) for night in nights if night.taken_at is not None]
    hours, arcs = [np.zeros(0)], [np.zeros(0)]
    if not dated:
        return hours[0], arcs[0]
    midnight = dated[0][0].astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
    for taken_at, swings in dated:
        known = np.isfinite(swings.arc_deg)
        if np.count_nonzero(known) < 6:
            continue
        times, values = swings.time_s[known], swings.arc_deg[known]
        blocks = max(int(np.ptp(times) // HOUR_S), 1)
        middles, means = block_means(times, times, blocks), block_means(times, values, blocks)
        heard = np.isfinite(means)
        hours.append((taken_at - midnight).total_seconds() / HOUR_S + middles[heard] / HOUR_S)
        arcs.append(means[heard])
    return np.concatenate(hours), np.concatenate(arcs)
