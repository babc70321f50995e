"""What can go wrong, in words a restorer can act on.

::

    TorsionbeatError            base of all errors of this package
    ├── InputError              the recording or an option cannot be used        exit status 2
    ├── NothingHeardError       the sound holds no clock that can be measured    exit status 3
    ├── DeviceError             microphone, sound system or disk failed          exit status 4
    ├── BenchLogError           the bench log cannot be read or written          exit status 5
    └── CancelledError          whoever asked for the work called it off         exit status 130

Every message gives the value received, what is allowed, and what to do at the bench. The command line turns
them into one sentence on standard error and the exit status; nothing else in the package ends the program.
"""

from __future__ import annotations

__all__ = [
    "BenchLogError",
    "CancelledError",
    "DeviceError",
    "InputError",
    "NothingHeardError",
    "TorsionbeatError",
]


class TorsionbeatError(Exception):
    """Base of all errors of this package."""

    exit_status = 1


class InputError(TorsionbeatError, ValueError):
    """A recording that cannot be read, or an option outside its range."""

    exit_status = 2


class NothingHeardError(TorsionbeatError):
    """The sound was read but holds no clock that can be measured."""

    exit_status = 3


class DeviceError(TorsionbeatError):
    """The microphone, the sound system or the disk under a recording failed."""

    exit_status = 4


class BenchLogError(TorsionbeatError):
    """The bench log cannot be read or written."""

    exit_status = 5


class CancelledError(TorsionbeatError):
    """The work was called off by whoever asked for it; nothing came of it."""

    exit_status = 130
