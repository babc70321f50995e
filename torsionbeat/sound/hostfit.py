"""Frames against the computer's clock: the recorder's pace, and the unreported losses of sound.

Input: the count of frames at moments of the computer's clock, about one a second. Output: one pace for all, and steps in the
residual. An unreported loss makes every later block late permanently, and the length of a reported gap is only as good as
the two seconds in which it was measured.

A block of sound never arrives before it was recorded but may arrive late. So the earliest arrivals give the time, and the late
ones show how busy the computer was. The line is fitted to the lower decile of the lateness in some forty segments, with
Huber's weights (P. J. Huber, Robust Estimation of a Location Parameter, 1964): one slope for all, and one height for each
stretch between interruptions. The scatter of the segments about the line gives the uncertainty.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.robust import COVERAGE, median_deviation

__all__ = ["CHANCE", "HostFit", "fit_host"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SEGMENTS = 40
"""This many segments give 38 degrees of freedom, where Student's factor is within 3 % of its limit."""

LEAST_SEGMENTS = 8
"""Below this the scatter of the segments is too poorly known: Student's factor exceeds 1.25."""

LEAST_ROWS_A_SEGMENT = 5
"""The lower decile of fewer is their minimum, which a single early stamp determines."""

LEAST_SPAN_S = 60.0
"""In less than a minute 5 ms of lateness are 100 ppm, more than any crystal is off."""

HUBER = 1.345
"""Huber's constant for 95 % efficiency on normal scatter."""

DECILE = 0.1
"""On a computer that is busy nine tenths of the time the remaining tenth still gives the time."""

WINDOWS = (10, 40, 160)
"""Rows on either side that are compared to find a step: the first for losses close together, the last for small ones."""

LEAST_STEP_S = 0.003
"""Smaller steps are left in: desktop sound systems hand blocks over to within a few ms (common practice, no source)."""

STEP_RATIO = 8.0
"""Least step, in units of the scatter found without steps: chance comes to 7 in an hour of 60 ms of jitter."""

CHANCE = 1 + 3 / STEP_RATIO
"""A window may miss a step up to three standard deviations of its scatter above the window's limit."""

LEAST_ROWS_BEHIND = 20
"""A loss is detected by the rows behind it; with fewer a busy moment at the end would be taken for a loss."""

MOST_STEPS = 60
"""A night with more losses is not worth correcting."""
LEVEL_ROWS = 60
"""Rows that give the height on either side of a step: a minute, in which no crystal drifts."""

TOLD_LATE_S = 0.07
"""Half of the shortest loss that is reported (0.15 s): rows this late before a reported gap already follow its loss."""

LONGEST_PIECE = 40_000
"""Rows searched for steps at a time, to limit memory: eleven hours."""


class HostFit(NamedTuple):
    """Result of the count of frames against the computer's clock.

    ``slope`` is lateness gained a counted second, ``error`` its standard error with Student's factor as a share of the
    time, ``span_s`` the seconds of the computer's clock that it covers. ``steps`` are (frame, seconds): behind the frame the
    sound is this much later than counted; ``silent`` are those steps that are unreported losses. ``least_step_s`` is the
    smallest loss that would have been detected; ``bend_s`` the long-lasting deviation of the lateness from its line;
    ``place_s`` the standard uncertainties of the places of the ``silent`` losses, in seconds.
    """

    slope: float
    error: float
    span_s: float
    steps: tuple[tuple[int, float], ...]
    silent: tuple[tuple[int, float], ...]
    least_step_s: float
    bend_s: float
    place_s: tuple[float, ...] = ()


def fit_host(
    stretch: IntArray,
    frame: IntArray,
    host_s: FloatArray,
    sample_rate_hz: float,
    gap_starts: Sequence[int] = (),
) -> HostFit | None:
    """Fit frames against the computer's clock.

    Parameters
    ----------
    stretch, frame : int64 array, shape (n,)
        The run of sound between reported interruptions, and the frames counted until then.
    host_s : array, shape (n,)
        The computer's clock, from any origin.
    sample_rate_hz : float
        The nominal rate.
    gap_starts : sequence of int
        Frames at which reported gaps begin, in order. A gap without one is assumed to begin behind the last row before it.

    Returns
    -------
    HostFit or None
        None where the rows span less than a minute or are too few.
    """
    if len(frame) < LEAST_SEGMENTS * LEAST_ROWS_A_SEGMENT:
        return None
    counted_s = (frame - frame[0]) / sample_rate_hz
    lateness_s = host_s - host_s[0] - counted_s
    losses, windows, least_step_s = _silent_losses(stretch, lateness_s)
    late = _told_late(stretch, lateness_s)
    losses = dict(sorted((losses | late).items()))
    told = np.cumsum(np.concatenate([[0], np.diff(stretch) != 0]))
    placed_again = False
    while True:
        group = told + np.searchsorted(list(losses), np.arange(len(frame)), "right")
        line = _line_through(group, counted_s, lateness_s)
        if line is None:
            return None
        slope, error, span_s, bend_s = line
        sizes_s = _sizes(group, lateness_s - slope * counted_s)
        # a busy moment is no step when compared over a whole minute
        left = {
            row: size_s
            for row, size_s in losses.items()
            if row in late or sizes_s[row] >= max(size_s / 2, LEAST_STEP_S)
        }
        if len(left) == len(losses):
            if placed_again:
                break
            placed_again = True
            level_s = lateness_s - slope * counted_s
            left = {
                row if row in late else _again(level_s, group, row, windows[row]): size_s
                for row, size_s in losses.items()
            }
        losses = dict(sorted(left.items()))
    at = {row: _place(frame, row, row in losses, gap_starts) for row in sizes_s}
    steps = tuple((at[row], size_s) for row, size_s in sizes_s.items())
    silent = tuple((at[row], sizes_s[row]) for row in losses)
    host_s_a_counted = 1 + slope
    place_s = tuple(_place_s(counted_s, lateness_s - slope * counted_s, group, row) for row in losses)
    return HostFit(
        slope,
        error / host_s_a_counted,
        span_s * host_s_a_counted,
        steps,
        silent,
        least_step_s,
        bend_s,
        place_s,
    )


def _place_s(counted_s: FloatArray, level_s: FloatArray, group: IntArray, row: int) -> float:
    """Standard uncertainty of a loss's place: anywhere between two rows, and rows before it that came late may seem behind it.

    If a share p of the rows is late by more than half the loss, k of them lie before the loss with a chance of p^k (1 - p).
    """
    before = level_s[max(row - LEVEL_ROWS, int(np.argmax(group == group[row - 1]))) : row]
    behind = level_s[row : min(row + LEVEL_ROWS, len(group) - int(np.argmax(group[::-1] == group[row])))]
    middle_s = (_height(before) + _height(behind)) / 2
    late = min(float(np.mean(before >= middle_s)), 1 - 1 / len(before))
    return float(counted_s[row] - counted_s[row - 1]) * math.sqrt(1 / 12 + late / (1 - late) ** 2)


def _place(frame: IntArray, row: int, silent: bool, gap_starts: Sequence[int]) -> int:
    """The frame of a step: halfway between two rows, or where the reported gap between them begins."""
    before, behind = int(frame[row - 1]), int(frame[row])
    if silent:
        return (before + behind) // 2
    at = bisect.bisect_left(gap_starts, before)
    return gap_starts[at] if at < len(gap_starts) and gap_starts[at] < behind else before


def _told_late(stretch: IntArray, lateness_s: FloatArray) -> dict[int, float]:
    """Rows before which sound was lost whose gap was reported only seconds later, with sizes.

    A loss near the reporting limit is reported when jitter lifts it over that limit; the blocks before that are late.
    """
    found = {}
    for row in (np.flatnonzero(np.diff(stretch)) + 1).tolist():
        first = max(row - LEVEL_ROWS, int(np.searchsorted(stretch, stretch[row - 1])))
        before = lateness_s[first:row]
        if len(before) < 2 * WINDOWS[0]:
            continue
        # the first half of the minute before is in time even if its end is not
        tilt = _slope_of(before[: len(before) // 2])
        rest = before - tilt * np.arange(len(before))
        late_s = rest - _height(rest[: len(rest) // 2])
        in_time = np.flatnonzero(late_s < TOLD_LATE_S)
        behind = int(in_time[-1]) + 1 if len(in_time) else len(late_s)
        if behind < len(late_s):
            found[first + behind] = float(late_s[behind:].min())
    return found


def _slope_of(values: FloatArray) -> float:
    """Slope from one value to the next: the median of the rises over half of them."""
    half = len(values) // 2
    return float(np.median(values[half : 2 * half] - values[:half])) / half


def _sizes(group: IntArray, level_s: FloatArray) -> dict[int, float]:
    """Size of the upward step at the first row of each group except the first group."""
    rows = (np.flatnonzero(np.diff(group)) + 1).tolist()
    edges = [0, *rows, len(group)]
    return {
        row: _height(level_s[row : min(row + LEVEL_ROWS, end)])
        - _height(level_s[max(row - LEVEL_ROWS, begin) : row])
        for begin, row, end in zip(edges, rows, edges[2:], strict=False)
    }


def _height(level_s: FloatArray) -> float:
    return float(np.quantile(level_s, DECILE))


def _silent_losses(
    stretch: IntArray, lateness_s: FloatArray
) -> tuple[dict[int, float], dict[int, int], float]:
    """Rows, in order, before which sound was lost unreported, with sizes; the windows that detected them, in rows; and the
    smallest loss that would be detected."""
    pieces = _pieces(stretch)
    found, seen_by, least_s = _seen_by_windows(lateness_s, pieces)
    sudden = _sudden(found, lateness_s, pieces)
    behind = {row: np.count_nonzero(stretch[row:] == stretch[row]) for row in sudden}
    sure = sorted(row for row in sudden if behind[row] >= LEAST_ROWS_BEHIND)[:MOST_STEPS]
    places = {row: _placed(lateness_s, row, pieces) for row in sure}
    windows = {places[row]: seen_by[row] for row in sure}
    return {places[row]: found[row] for row in sure}, windows, least_s


def _pieces(stretch: IntArray) -> list[tuple[int, int]]:
    """The rows of each stretch, cut where it is too long to be searched at once: (first row, one past the last)."""
    edges = [0, *(np.flatnonzero(np.diff(stretch)) + 1).tolist(), len(stretch)]
    return [
        (first, min(first + LONGEST_PIECE, end))
        for begin, end in pairwise(edges)
        for first in range(begin, end, LONGEST_PIECE)
    ]


def _seen_by_windows(
    lateness_s: FloatArray, pieces: Sequence[tuple[int, int]]
) -> tuple[dict[int, float], dict[int, int], float]:
    """Rows at which the lateness steps up and stays up, with sizes; the windows that detected them, in rows; and the smallest
    step that would be detected."""
    found: dict[int, float] = {}
    seen_by: dict[int, int] = {}
    seen_s: list[float] = []
    # at each row the largest step found by shorter windows, in units of their limits
    judged = np.zeros(len(lateness_s))
    for window in WINDOWS:
        scans = [(first, _scan(lateness_s[first:end], window)) for first, end in pieces]
        every = np.concatenate([scan for _, scan in scans])
        every = every[np.isfinite(every)]
        if len(every) < 2 * window:
            continue
        limit_s = max(LEAST_STEP_S, STEP_RATIO * median_deviation(every))
        # a step that a shorter window can detect was judged there, and rejected if it was temporary
        shorter_s = min(seen_s, default=math.inf)
        seen_s.append(limit_s)
        steps = [
            (first + row, size_s) for first, scan in scans for row, size_s in _losses(scan, window, limit_s)
        ]
        for at, size_s in steps:
            missed = judged[max(at - window, 0) : at + window].max() < 1
            new = all(abs(at - known) > window for known in found)
            if new and size_s <= (CHANCE * shorter_s if missed else shorter_s):
                found[at], seen_by[at] = size_s, window
        for first, scan in scans:
            height = np.where(np.isfinite(scan), np.abs(scan), 0.0) / limit_s
            judged[first : first + len(scan)] = np.maximum(judged[first : first + len(scan)], height)
    return found, seen_by, min(seen_s, default=math.inf)


def _sudden(
    found: Mapping[int, float], lateness_s: FloatArray, pieces: Sequence[tuple[int, int]]
) -> list[int]:
    """Rows of the steps that are sudden: a changing pace bends the level over minutes."""
    sharp = np.full(len(lateness_s), -math.inf)
    for first, end in pieces:
        scan = _scan(lateness_s[first:end], WINDOWS[0])
        sharp[first:end] = np.where(np.isfinite(scan), scan, -math.inf)
    return [
        row
        for row, size_s in found.items()
        if sharp[max(row - WINDOWS[1], 0) : row + WINDOWS[1]].max() >= size_s / 2
    ]


def _scan(lateness_s: FloatArray, window: int) -> FloatArray:
    """For each row: the level behind it minus the level before it, minus the local slope.

    The earliest arrivals of a window give its level. The rise of the two outer pairs of windows is taken as the slope, so
    a wrong or changing pace makes no step.
    """
    step = np.full(len(lateness_s), np.nan)
    if len(lateness_s) < 4 * window:
        return step
    views = np.lib.stride_tricks.sliding_window_view(lateness_s, window)
    rank = int(DECILE * window)
    low = np.partition(views, rank, axis=1)[:, rank]
    at = np.arange(2 * window, len(lateness_s) - 2 * window + 1)
    rise = low[at] - low[at - window]
    outer = (low[at - window] - low[at - 2 * window] + low[at + window] - low[at]) / 2
    step[at[at < len(step)]] = (rise - outer)[at < len(step)]
    return step


def _losses(scan: FloatArray, window: int, limit_s: float) -> list[tuple[int, float]]:
    """Rows at which the lateness steps up and stays up, with sizes; a step that comes down again is a busy computer."""
    size = np.where(np.isfinite(scan), scan, 0.0)
    found: list[tuple[int, float]] = []
    taken = np.zeros(len(size), bool)
    for row in np.argsort(-np.abs(size)):
        if abs(size[row]) < limit_s or len(found) >= 4 * MOST_STEPS:
            break
        if not taken[row]:
            # a step also appears one window away on either side, with the other sign and half its size
            taken[max(row - 2 * window, 0) : row + 2 * window] = True
            found.append((int(row), float(size[row])))
    standing: list[tuple[int, float, float]] = []
    for row, height in sorted(found):
        if height > 0:
            standing.append((row, height, height))
            continue
        down = -height
        while standing and down > 0:
            at, left, whole = standing.pop()
            if left > down:
                standing.append((at, left - down, whole))
            down -= left
    return [(row, left) for row, left, whole in standing if left > max(limit_s, whole / 2)]


def _placed(lateness_s: FloatArray, row: int, pieces: Sequence[tuple[int, int]]) -> int:
    """The row before which the sound was lost: the one behind the last that was still in time."""
    first, end = next(piece for piece in pieces if piece[0] <= row < piece[1])
    window = WINDOWS[0]
    low, high = max(row - window, first + 1), min(row + window, end - 1)
    before = float(np.quantile(lateness_s[max(low - window, first) : low], DECILE))
    behind = float(np.quantile(lateness_s[high : min(high + window, end)], DECILE))
    in_time = np.flatnonzero(lateness_s[low:high] < (before + behind) / 2)
    return low + int(in_time[-1]) + 1 if len(in_time) else low


def _again(level_s: FloatArray, group: IntArray, row: int, window: int) -> int:
    """The place of a loss once the pace is known: within the window that detected it, by the heights on either side.

    An early row cannot lie behind the loss. So the loss lies behind the last row that is nearer to the height before.
    """
    own, before = np.flatnonzero(group == group[row]), np.flatnonzero(group == group[row - 1])
    low = max(row - window, int(before[0]) + LEAST_ROWS_A_SEGMENT)
    high = min(row + window, int(own[-1]) + 1 - LEAST_ROWS_A_SEGMENT)
    if not low < row < high:
        return row
    middle_s = (
        _height(level_s[max(low - LEVEL_ROWS, int(before[0])) : low])
        + _height(level_s[high : min(high + LEVEL_ROWS, int(own[-1]) + 1)])
    ) / 2
    in_time = np.flatnonzero(level_s[low:high] < middle_s)
    return low + int(in_time[-1]) + 1 if len(in_time) else low


def _line_through(
    group: IntArray, counted_s: FloatArray, lateness_s: FloatArray
) -> tuple[float, float, float, float] | None:
    """Slope common to all groups, its standard error (Student's factor included), the span in s, the bend in s."""
    segments = _segments(group)
    if len(segments) < LEAST_SEGMENTS:
        return None
    which = np.array([group[rows.start] for rows in segments])
    middle_s = np.array([counted_s[rows].mean() for rows in segments])
    span_s = float(counted_s[segments[-1]][-1] - counted_s[segments[0]][0])
    _, height = np.unique(which, return_inverse=True)
    freedom = len(segments) - int(height.max()) - 2
    if span_s < LEAST_SPAN_S or freedom < LEAST_SEGMENTS - 2:
        return None
    slope = 0.0
    for _ in range(3):  # the slope found so far removes the tilt within a segment
        level = lateness_s - slope * counted_s
        decile_s = np.array([np.quantile(level[rows], DECILE) for rows in segments])
        change, error = _line(middle_s, decile_s, height, freedom)
        slope += change
    from scipy.special import stdtrit

    student = float(stdtrit(freedom, 0.975)) / COVERAGE
    return slope, error * student, span_s, _bend(middle_s, decile_s - change * middle_s, height)


def _bend(middle_s: FloatArray, level_s: FloatArray, height: IntArray) -> float:
    """Deviation of eighths of the record from the line: the highest minus the lowest."""
    rest = (
        level_s
        - np.array([np.median(level_s[height == one]) for one in range(int(height.max()) + 1)])[height]
    )
    scatter = median_deviation(np.diff(rest)) / math.sqrt(2)
    by_chance = (
        5 * 1.25 * scatter / math.sqrt(len(rest) / 8)
    )  # range of eight medians that one of a thousand records exceeds
    seen = float(np.ptp([np.median(part) for part in np.array_split(rest, 8)]))
    return math.sqrt(max(seen**2 - by_chance**2, 0.0))


def _segments(group: IntArray) -> list[slice]:
    """Cut the rows into runs of equal length, none across an interruption; leftovers are left out."""
    length = max(len(group) // SEGMENTS, LEAST_ROWS_A_SEGMENT)
    edges = [0, *(np.flatnonzero(np.diff(group)) + 1).tolist(), len(group)]
    return [
        slice(first, first + length)
        for begin, end in pairwise(edges)
        for first in range(begin, end - length + 1, length)
    ]


def _line(x: FloatArray, y: FloatArray, group: IntArray, freedom: int) -> tuple[float, float]:
    """Slope common to all groups by Huber's weights, and its standard error."""

    def centred(values: FloatArray, weight: FloatArray) -> FloatArray:
        mean = np.bincount(group, weight * values) / np.bincount(group, weight)
        return values - mean[group]

    weight = np.ones_like(x)
    for _ in range(30):
        dx, dy = centred(x, weight), centred(y, weight)
        slope = float((weight * dx * dy).sum() / (weight * dx * dx).sum())
        residual = dy - slope * dx
        scale = max(median_deviation(residual), 1e-9)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
    clipped = weight * residual
    inside = float((np.abs(residual) <= HUBER * scale).mean())
    variance = float((clipped**2).sum()) / freedom / inside**2
    neighbours = group[1:] == group[:-1]
    power = max(float((clipped**2).sum()), 1e-30)  # zero for rows exactly on a line
    together = float((clipped[1:] * clipped[:-1])[neighbours].sum()) / power
    # a fitted line also removes slow scatter, which lowers the correlation of the rest by about 4/n (Kendall, 1954)
    memory = min(max(together + 4 / len(x), 0.0), 0.8) if together > 1.0 / math.sqrt(len(x)) else 0.0
    dx = centred(x, np.ones_like(x))
    return slope, math.sqrt(variance / float((dx**2).sum()) * (1 + memory) / (1 - memory))
