"""How sample numbers become seconds, and how well that is known.

In: what the user states, or rows that set the count of frames captured against the computer's clock. Out: a
``Timebase``, the recorder's crystal in ppm with a standard uncertainty (GUM, JCGM 100).

A block of sound is never seen before it was recorded but may be seen late, so the earliest arrivals tell
the time and the late ones tell how busy the computer was: the line is laid along the lower decile of the
lateness in some forty segments, with Huber's weights (P. J. Huber, Robust Estimation of a Location
Parameter, 1964), one slope for all and its own height for each stretch between interruptions. The scatter
of the segments about the line gives the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError

__all__ = [
    "ClockRow",
    "Timebase",
    "clock_steps",
    "host_timebase",
    "stated_timebase",
    "unknown_timebase",
]

FloatArray = npt.NDArray[np.float64]

UNKNOWN_HALF_WIDTH_PPM = 50.0
"""Sound cards and computers alike: crystals are sold to 20 to 50 ppm (common practice, no source)."""

STATED_UNCERTAINTY_PPM = 0.5

HOST_HALF_WIDTH_S = 2e-3
"""A clock kept by network time is right to within this at either end of a recording (common practice, no
source).
"""

SEGMENTS = 40
LEAST_SEGMENTS = 8
LEAST_ROWS_A_SEGMENT = 5
LEAST_SPAN_S = 60.0
HUBER = 1.345
"""Huber's constant for 95 % efficiency on normal scatter."""


@dataclass(frozen=True, slots=True)
class Timebase:
    """How sample numbers become seconds.

    Parameters
    ----------
    source : str
        ``host clock``, ``stated``, ``reference ticks`` or ``unknown``.
    offset_ppm : float
        How fast the recorder's crystal runs: above 0, a true second holds more samples than the rate says.
    standard_uncertainty_ppm : float
    synchronised : bool or None
        For ``host clock``: whether the computer's clock was kept by network time; None where nobody could
        say.
    """

    source: str
    offset_ppm: float
    standard_uncertainty_ppm: float
    synchronised: bool | None = None

    def __post_init__(self) -> None:
        if self.source not in ("host clock", "stated", "reference ticks", "unknown"):
            raise InputError(
                f"timebase source is {self.source!r}; use host clock, stated, reference ticks or unknown"
            )
        if not abs(self.offset_ppm) <= 20_000:
            raise InputError(
                f"the recorder's crystal is said to be off by {self.offset_ppm:g} ppm; "
                "at most 20000 can be right"
            )
        if not self.standard_uncertainty_ppm >= 0:
            raise InputError(
                f"the timebase's standard uncertainty is {self.standard_uncertainty_ppm:g} ppm; "
                "it must be 0 or more"
            )


class ClockRow(NamedTuple):
    """The count of frames at one moment.

    ``stretch`` numbers the uninterrupted runs of sound; ``frame`` is one past the last frame that had
    arrived; ``monotonic_ns`` and ``utc_ns`` are the computer's clocks at that moment.
    """

    stretch: int
    frame: int
    monotonic_ns: int
    utc_ns: int


Rows = Sequence[ClockRow] | npt.NDArray[np.int64]


def unknown_timebase() -> Timebase:
    """The timebase of a saved file and nothing else.

    >>> round(unknown_timebase().standard_uncertainty_ppm, 2)
    28.87
    """
    return Timebase("unknown", 0.0, UNKNOWN_HALF_WIDTH_PPM / math.sqrt(3))


def stated_timebase(offset_ppm: float, standard_uncertainty_ppm: float = STATED_UNCERTAINTY_PPM) -> Timebase:
    """The timebase that the user gives: how many ppm the recorder's crystal runs fast."""
    return Timebase("stated", offset_ppm, standard_uncertainty_ppm)


def host_timebase(rows: Rows, sample_rate_hz: float, synchronised: bool | None) -> Timebase:
    """Fit the recorder's crystal against the computer's clock.

    Parameters
    ----------
    rows : sequence of ClockRow, or int64 array of shape (n, 4) with the same columns
        In order of time, evenly spaced to within scheduling; about one a second.
    sample_rate_hz : float
        The nominal rate.
    synchronised : bool or None
        What `torsionbeat.sound.hostclock` said; unless True, the computer's own crystal is as little known as
        any.

    Returns
    -------
    Timebase
        ``unknown`` where the rows span less than a minute or are too few.
    """
    fit = _fit(rows, sample_rate_hz)
    if fit is None:
        return unknown_timebase()
    offset_ppm, fit_ppm, span_s = fit
    if synchronised:
        host_ppm = 1e6 * HOST_HALF_WIDTH_S / math.sqrt(3) * math.sqrt(2) / span_s
    else:
        host_ppm = UNKNOWN_HALF_WIDTH_PPM / math.sqrt(3)
    return Timebase("host clock", offset_ppm, math.hypot(fit_ppm, host_ppm), synchronised)


def _fit(rows: Rows, sample_rate_hz: float) -> tuple[float, float, float] | None:
    """Offset and its standard uncertainty in ppm (Student's factor within), and the span in s."""
    if len(rows) < LEAST_SEGMENTS * LEAST_ROWS_A_SEGMENT:
        return None
    table = np.array(rows, dtype=np.int64)
    stretch = table[:, 0]
    counted_s = (table[:, 1] - table[0, 1]) / sample_rate_hz
    lateness_s = (table[:, 2] - table[0, 2]) * 1e-9 - counted_s
    segments = _segments(stretch)
    if len(segments) < LEAST_SEGMENTS:
        return None
    which = np.array([stretch[rows.start] for rows in segments])
    middle_s = np.array([counted_s[rows].mean() for rows in segments])
    span_s = float(counted_s[segments[-1]][-1] - counted_s[segments[0]][0])
    _, group = np.unique(which, return_inverse=True)
    freedom = len(segments) - int(group.max()) - 2
    if span_s < LEAST_SPAN_S or freedom < LEAST_SEGMENTS - 2:
        return None
    slope = 0.0
    for _ in range(3):  # the tilt within a segment is taken out with the slope found so far
        level = lateness_s - slope * counted_s
        decile_s = np.array([np.quantile(level[rows], 0.1) for rows in segments])
        change, error = _line(middle_s, decile_s, group, freedom)
        slope += change
    from scipy.special import stdtrit

    student = float(stdtrit(freedom, 0.975)) / 1.959964
    return -1e6 * slope / (1 + slope), 1e6 * error * student, span_s


def _segments(stretch: npt.NDArray[np.int64]) -> list[slice]:
    """Cut the rows into runs of equal length, none across an interruption; leftovers are left out."""
    length = max(len(stretch) // SEGMENTS, LEAST_ROWS_A_SEGMENT)
    edges = [0, *(np.flatnonzero(np.diff(stretch)) + 1).tolist(), len(stretch)]
    return [
        slice(first, first + length)
        for begin, end in pairwise(edges)
        for first in range(begin, end - length + 1, length)
    ]


def _line(x: FloatArray, y: FloatArray, group: npt.NDArray[np.int64], freedom: int) -> tuple[float, float]:
    """Slope common to all groups by Huber's weights, and its standard error."""

    def centred(values: FloatArray, weight: FloatArray) -> FloatArray:
        mean = np.bincount(group, weight * values) / np.bincount(group, weight)
        return values - mean[group]

    weight = np.ones_like(x)
    for _ in range(30):
        dx, dy = centred(x, weight), centred(y, weight)
        slope = float((weight * dx * dy).sum() / (weight * dx * dx).sum())
        residual = dy - slope * dx
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-9)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
    clipped = weight * residual
    inside = float((np.abs(residual) <= HUBER * scale).mean())
    variance = float((clipped**2).sum()) / freedom / inside**2
    neighbours = group[1:] == group[:-1]
    together = float((clipped[1:] * clipped[:-1])[neighbours].sum() / (clipped**2).sum())
    # a line takes out scatter that lasts long, which lowers what is left by about 4/n (Kendall, 1954)
    memory = min(max(together + 4 / len(x), 0.0), 0.8) if together > 1.0 / math.sqrt(len(x)) else 0.0
    dx = centred(x, np.ones_like(x))
    return slope, math.sqrt(variance / float((dx**2).sum()) * (1 + memory) / (1 - memory))


def clock_steps(rows: Rows, least_s: float = 0.1) -> list[tuple[int, float]]:
    """Steps of the computer's clock of day against its monotonic clock.

    Returns
    -------
    list of (frame, step_s)
        The count of frames after each step, and by how much the clock of day went ahead.

    >>> rows = [ClockRow(0, 48000 * n, n * 10**9, (n + 3 * (n > 2)) * 10**9) for n in range(6)]
    >>> clock_steps(rows)
    [(144000, 3.0)]
    """
    if len(rows) < 2:
        return []
    table = np.array(rows, dtype=np.int64)
    ahead_s = np.diff(table[:, 3] - table[:, 2]) * 1e-9
    return [(int(table[n + 1, 1]), float(ahead_s[n])) for n in np.flatnonzero(np.abs(ahead_s) >= least_s)]
