"""The computer's own clocks, and the state that its system reports of them.

Output: counts in ns for the rows that compare frames with time; whether network time keeps the clock: True, False or None
(unknown); and the error that the system states for it, by adjtimex(2) of Linux.
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["HostClock", "HostState", "host_clock_state", "host_clock_synchronised"]


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
