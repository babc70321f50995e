"""The computer's own clocks, and the state that its system reports of them.

Output: counts in ns for the rows that compare frames with time; whether network time keeps the clock: True, False or None
(unknown); and the error that the system states for it, by adjtimex(2) of Linux. From these and from what is known of crystals:
how fast a recorder truly runs that was measured against this clock (``true_pace``).

A clock may be slewed while it is compared, so the comparison is made with the raw crystal where there is one, and what that
crystal runs at is asked of four witnesses at once (Bayes' rule on a grid): how the recorder's and the computer's crystals are
sold, how far network time may be off at both ends, and the correction that the kernel has learned. Each witness may be wrong.
"""

from __future__ import annotations

import ctypes
import math
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.robust import COVERAGE

__all__ = ["HostClock", "HostState", "host_clock_state", "host_clock_synchronised", "true_pace"]

FloatArray = npt.NDArray[np.float64]


class _Timex(ctypes.Structure):
    """``struct timex`` of adjtimex(2)."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("time_s", ctypes.c_long),
        ("time_us", ctypes.c_long),
        ("tick_us", ctypes.c_long),
        ("rest", ctypes.c_long * 24),
    )


STA_UNSYNC = 0x0040
"""adjtimex(2): the clock is not synchronised."""
STA_NANO = 0x2000
"""adjtimex(2): the parts of a second are nanoseconds."""
TIME_ERROR = 5
"""adjtimex(2): return value for a clock that is not synchronised."""
NOMINAL_TICK_US = 10_000
"""adjtimex(2): ``tick`` of 10 000 us adds nothing; each us more is 100 ppm; ``freq`` counts ppm in 1/65536."""

SOLD_PPM = 50.0
"""Sound cards and computers alike: crystals are sold to 20 to 50 ppm (common practice, no source)."""

BEYOND_SHARE, BEYOND_PPM = 0.1, 30.0
"""Share of crystals that are worse than they are sold, and how far beyond they are in the mean: cheap ones, cold rooms and old
age (common practice, no source)."""

ODD_SHARE, ODD_PPM = 0.01, 1e7
"""Share of recorders whose rate is not that of their crystal (a sound server resamples, a driver states another rate), with
any deviation, each factor as likely as the next, up to this (no source)."""

HOST_HALF_WIDTH_S = 0.030
"""Network time is "within a few tens of milliseconds" over most of the Internet (D. L. Mills, RFC 1128, 1989, abstract):
the error of a kept clock at either end, unless its system states a better one."""

SLEW_PPM = 500.0
"""Largest rate at which a kernel slews its clock to correct it (adjtime, and the phase lock of RFC 5905)."""

CORRECTED_SHARE = 0.2
"""Share of recordings in which a clock is corrected by more than the error of its ends, because the computer has just been
switched on or woken (no source)."""

LEARNED_PPM = 2.0
"""A crystal differs so much from the correction that the kernel has learned for it: a few kelvin (common practice, no source)."""

UNLEARNED_SHARE, UNLEARNED_SHARE_CORRECTED = 0.2, 0.5
"""Share of recordings in which the kernel has not yet learned its correction, since it may begin anew with every start; more
where the clock is being corrected, which a start brings as well (no source)."""

GRID = 1200
"""Points of the grid around each witness: neighbours are 2 % of their distance from it apart."""


class HostState(NamedTuple):
    """The state of the clock at one moment, as the system reports it.

    ``maxerror_s`` and ``esterror_s`` are the bound and the estimate that the daemon of network time gave to the kernel.
    ``offset_s`` is the correction still to be slewed, ``frequency_ppm`` the permanent correction of the crystal. Unknown
    figures are None.
    """

    synchronised: bool | None = None
    maxerror_s: float | None = None
    esterror_s: float | None = None
    offset_s: float | None = None
    frequency_ppm: float | None = None

    @property
    def half_width_s(self) -> float | None:
        """Largest error of the clock; None if its system does not state one.

        Some daemons estimate no error: they write 0 for both and let the bound grow by 500 ppm. Their bound is then not
        used either.
        """
        if not self.esterror_s or self.maxerror_s is None:
            return None
        return max(self.maxerror_s, self.esterror_s) + abs(self.offset_s or 0.0)


def _adjtimex() -> tuple[int, _Timex] | None:
    """The kernel's answer to a query that changes nothing; None without an answer."""
    if sys.platform != "linux":
        return None
    try:
        asked = _Timex()
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    return (state, asked) if state >= 0 else None


def host_clock_synchronised() -> bool | None:
    """Whether network time keeps the computer's clock now; None if that cannot be found out.

    Only Linux corrects its monotonic clock together with the clock of day, so elsewhere the answer is None.
    """
    if sys.platform != "linux":
        return None
    answer = _adjtimex()
    if answer is None:
        return _asked_of_timedatectl()
    state, asked = answer
    return state != TIME_ERROR and not asked.status & STA_UNSYNC


def host_clock_state() -> HostState | None:
    """The kernel's state of its clock; None if it reports none."""
    answer = _adjtimex()
    if answer is None:
        return None
    state, asked = answer
    return HostState(
        state != TIME_ERROR and not asked.status & STA_UNSYNC,
        asked.maxerror * 1e-6,
        asked.esterror * 1e-6,
        asked.offset * (1e-9 if asked.status & STA_NANO else 1e-6),
        asked.freq / 65536 + 100.0 * (asked.tick_us - NOMINAL_TICK_US),
    )


def _asked_of_timedatectl() -> bool | None:
    command = ["timedatectl", "show", "--property=NTPSynchronized", "--value"]
    try:
        said = subprocess.run(command, capture_output=True, text=True, timeout=5, check=True).stdout.strip()
    except (OSError, subprocess.SubprocessError):
        return None
    return {"yes": True, "no": False}.get(said)


def _monotonic_ns() -> int:
    """A clock that nobody sets; on Linux one that also counts while the computer sleeps."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return time.monotonic_ns()


def _raw_ns() -> int:
    """The computer's uncorrected crystal; 0 where it cannot be read."""
    if sys.platform == "linux" and hasattr(time, "CLOCK_MONOTONIC_RAW"):
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)
    return 0


def _no_raw_ns() -> int:
    return 0


def _no_state() -> HostState | None:
    return None


@dataclass(frozen=True, slots=True)
class HostClock:
    """The computer's clocks in ns, whether network time keeps them, and the state that the system reports.

    A stand-in for the computer's clock has no uncorrected crystal and no system state unless they are given.
    """

    monotonic_ns: Callable[[], int] = _monotonic_ns
    utc_ns: Callable[[], int] = time.time_ns
    synchronised: Callable[[], bool | None] = host_clock_synchronised
    raw_ns: Callable[[], int] | None = None
    state: Callable[[], HostState | None] | None = None

    def __post_init__(self) -> None:
        own = self.monotonic_ns is _monotonic_ns
        if self.raw_ns is None:
            object.__setattr__(self, "raw_ns", _raw_ns if own else _no_raw_ns)
        if self.state is None:
            object.__setattr__(self, "state", host_clock_state if own else _no_state)


def true_pace(
    measured_ppm: float,
    span_s: float,
    *,
    apart_ppm: float | None = None,
    states: Sequence[HostState] = (),
    bend_s: float = 0.0,
) -> tuple[float, float]:
    """How fast a recorder truly runs that was measured against a clock kept by network time.

    Parameters
    ----------
    measured_ppm : float
        How fast the recorder runs by the computer's raw crystal, or by its kept clock where there is no raw one.
    span_s : float
        Time over which it was measured.
    apart_ppm : float, optional
        How fast the kept clock runs by the raw crystal, from the first moment to the last; None without a raw crystal.
    states : sequence of HostState
        What the system reported of its clock.
    bend_s : float
        How far the kept clock left a straight line, by the raw crystal or else by the recorder: that of a clock within the
        error of its ends is at most twice this error.

    Returns
    -------
    offset_ppm, standard_uncertainty_ppm : float
        The median, and the half-width of the 95 % interval, counted to its further end, over 1.96: as a share of the true pace.

    Examples
    --------
    An hour; then ten minutes in which the clock was fast by what no crystal is, and not as the kernel has learned: it was slewed.

    >>> [round(figure) for figure in true_pace(20.0, 3600.0)]
    [20, 12]
    >>> slewed = true_pace(10.0, 600.0, apart_ppm=200.0, states=[HostState(True, frequency_ppm=-12.0)])
    >>> [round(figure) for figure in slewed]
    [21, 25]
    """
    stated = [state.half_width_s for state in states if state.half_width_s is not None]
    end_s = max(max(stated, default=HOST_HALF_WIDTH_S), 1e-9 * span_s)
    if apart_ppm is None:
        end_s = max(end_s, 2 * bend_s)  # the bend may be that of either, so nothing is made of it but doubt
    end_ppm, ahead_ppm = 1e6 * end_s / span_s, apart_ppm or 0.0
    most_ppm = SLEW_PPM + 2 * end_ppm
    near = end_ppm / 50 * np.sinh(np.linspace(0, np.arcsinh(50 * most_ppm / end_ppm), GRID))
    points = [np.concatenate([-near, near]) - ahead_ppm]
    known = [state.frequency_ppm for state in states if state.frequency_ppm is not None]
    learned = apart_ppm is not None and bool(known)
    if learned:
        learned_ppm = float(np.median(known))
        points.append(np.linspace(-8, 8, GRID) * LEARNED_PPM - learned_ppm)
    fast_ppm = np.unique(np.concatenate(points))  # how fast the clock runs that the recorder was measured by
    pace_ppm = measured_ppm + fast_ppm * (1 + 1e-6 * measured_ppm)
    gained_s = (fast_ppm + ahead_ppm) * 1e-6 * span_s
    kept = (1 - CORRECTED_SHARE) * _of_the_ends(gained_s, end_s)
    most_s = max(1e-6 * most_ppm * span_s, 4 * end_s)
    corrected = CORRECTED_SHARE * _of_a_correction(gained_s, end_s, most_s)
    if apart_ppm is not None:
        kept *= _of_a_bend(bend_s, end_s)
        corrected *= 0.5 * (_of_a_bend(bend_s, end_s) + _of_any_size(bend_s, end_s / 10, most_s))
    if learned:
        kept *= _of_the_kernel(fast_ppm + learned_ppm, UNLEARNED_SHARE)
        corrected *= _of_the_kernel(fast_ppm + learned_ppm, UNLEARNED_SHARE_CORRECTED)
    density = _of_a_crystal(pace_ppm, ODD_SHARE) * (kept + corrected)
    if apart_ppm is not None:
        density *= _of_a_crystal(fast_ppm, 0.0)
    median_ppm, half_ppm = _median_and_half_width(fast_ppm, density)
    return measured_ppm + median_ppm * (1 + 1e-6 * measured_ppm), half_ppm / COVERAGE


def _of_a_crystal(ppm: FloatArray, odd_share: float) -> FloatArray:
    """Density of a crystal's deviation, a ppm: as sold, a tail beyond, and the odd recorder with any pace."""
    size = np.abs(ppm)
    sold = np.where(size <= SOLD_PPM, 1 / (2 * SOLD_PPM), 0.0)
    beyond = np.where(size > SOLD_PPM, np.exp(-(size - SOLD_PPM) / BEYOND_PPM) / (2 * BEYOND_PPM), 0.0)
    odd = _of_any_size(size, SOLD_PPM, ODD_PPM) / 2
    return (1 - BEYOND_SHARE - odd_share) * sold + BEYOND_SHARE * beyond + odd_share * odd


def _of_the_ends(gained_s: FloatArray, end_s: float) -> FloatArray:
    """Density of what a kept clock gained by the errors of its two ends, a second.

    The difference of two rectangles is a triangle (GUM, JCGM 100, 4.3.9 and 4.4.6).
    """
    return np.maximum(1 - np.abs(gained_s) / (2 * end_s), 0.0) / (2 * end_s)


def _of_a_correction(gained_s: npt.ArrayLike, end_s: float, most_s: float) -> FloatArray:
    """Density of what a clock gained that is corrected by more than the error of its ends, a second.

    Twice as large a correction is half as likely: most services set a clock that is off by more than 0.1 to 0.4 s, some slew it
    whatever the size.
    """
    size = np.abs(gained_s)
    within = (size >= end_s) & (size <= most_s)
    return np.where(within, 0.5 / (1 / end_s - 1 / most_s) / np.maximum(size, end_s) ** 2, 0.0)


def _of_any_size(size: npt.ArrayLike, least: float, most: float) -> FloatArray:
    """Density of a size of which each factor is as likely as the next, between two limits."""
    size = np.asarray(size, np.float64)
    within = (size >= least) & (size <= most)
    return np.where(within, 1 / (np.maximum(size, least) * math.log(most / least)), 0.0)


def _of_a_bend(bend_s: float, end_s: float) -> float:
    """Density of a kept clock's deviation from a straight line, a second, where nothing corrects it."""
    return max(1 - bend_s / (2 * end_s), 0.0) / end_s


def _of_the_kernel(differs_ppm: FloatArray, unlearned_share: float) -> FloatArray:
    """Density of the difference between a crystal and the correction that the kernel has for it, a ppm."""
    learned = np.exp(-0.5 * (differs_ppm / LEARNED_PPM) ** 2) / (LEARNED_PPM * math.sqrt(2 * math.pi))
    return (1 - unlearned_share) * learned + unlearned_share * _of_a_crystal(differs_ppm, 0.0)


def _median_and_half_width(value: FloatArray, density: FloatArray) -> tuple[float, float]:
    """Median, and its distance from the further end of the 95 % interval."""
    weight = density * np.gradient(value)
    weight /= weight.sum()
    # the middle of a point's cell lies at half its weight
    low, median, high = np.interp([0.025, 0.5, 0.975], np.cumsum(weight) - weight / 2, value)
    return float(median), float(max(median - low, high - median))
