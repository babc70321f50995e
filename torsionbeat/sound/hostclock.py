"""The computer's own clocks, and whether network time keeps them.

Out: counts in ns for the rows that set frames against time, and True, False or None (nobody can say).
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["HostClock", "host_clock_synchronised"]


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
        ("rest", ctypes.c_long * 24),
    )


STA_UNSYNC = 0x0040
TIME_ERROR = 5


def host_clock_synchronised() -> bool | None:
    """Whether the computer's clock is kept by network time now; None where that cannot be found out.

    Linux alone steers its monotonic clock together with the clock of day, so elsewhere the answer is None.
    """
    if sys.platform != "linux":
        return None
    try:
        asked = _Timex()
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked))
        if state >= 0:
            return state != TIME_ERROR and not asked.status & STA_UNSYNC
    except (OSError, AttributeError):
        pass
    return _asked_of_timedatectl()


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


@dataclass(frozen=True, slots=True)
class HostClock:
    """The computer's clocks in ns, and whether they are kept by network time."""

    monotonic_ns: Callable[[], int] = _monotonic_ns
    utc_ns: Callable[[], int] = time.time_ns
    synchronised: Callable[[], bool | None] = host_clock_synchronised
