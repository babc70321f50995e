"""The command line: commands that parse, make one call, show the result, and return.

Only ``main`` ends the program and knows the exit statuses: 0 all went well, 1 an unforeseen error, 2 to 5 those of
``torsionbeat.errors``, 130 stopped by the user, 141 the reader of the output went away.
"""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
from collections.abc import Sequence

from torsionbeat.errors import DeviceError, TorsionbeatError
from torsionbeat.terminal.telling import tell

__all__ = ["DEBUG_VARIABLE", "main"]

DEBUG_VARIABLE = "TORSIONBEAT_DEBUG"
"""Environment variable: if set to 1, an unforeseen error shows its traceback."""

UNFORESEEN, BAD_INPUT, STOPPED, READER_GONE = 1, 2, 130, 141
"""Exit statuses: 130 and 141 are those of shells for SIGINT and SIGPIPE (128 plus the signal's number, POSIX)."""

NAMES_THAT_CANNOT_BE = (errno.ENAMETOOLONG, errno.ELOOP, errno.ENOTDIR, errno.EACCES, errno.EPERM)
"""Errors of a named file that are due to its name or its folder."""

DISK_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
"""Errors of a write to standard output other than a pipe whose reader went away."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; give the exit status."""
    try:
        return _status_of(list(sys.argv[1:] if arguments is None else arguments))
    finally:
        if (
            arguments is None
        ):  # all is done and reported: an interrupt while Python ends must not change the status
            with contextlib.suppress(ValueError):  # not in the main thread: the caller handles signals
                signal.signal(signal.SIGINT, signal.SIG_IGN)


def _status_of(arguments: list[str]) -> int:
    # The matrices here are small: threads in the algebra library cost much more time than they save.
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    _take_any_letter()
    try:
        status = _run(arguments)
        sys.stdout.flush()
    except BrokenPipeError:
        return _leave_quietly(READER_GONE)
    except OSError as error:
        if error.errno in NAMES_THAT_CANNOT_BE and error.filename is not None:
            tell(f"{error.filename!s:.200} cannot be used: {error.strerror}; check the name and its folder")
            return BAD_INPUT
        if error.filename is not None or error.errno not in DISK_FULL:
            return _unforeseen(error)
        tell(
            f"what was to be printed could not be: {error.strerror}; the disk under standard output is full. What was "
            "kept is kept"
        )
        return _leave_quietly(DeviceError.exit_status)
    except KeyboardInterrupt:
        tell("stopped")
        return STOPPED
    except TorsionbeatError as error:
        tell(str(error))
        return error.exit_status
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else UNFORESEEN
    except Exception as error:
        return _unforeseen(error)
    return status


def _run(arguments: list[str]) -> int:
    from torsionbeat.cli.app import app

    try:
        result = app(arguments, prog_name="torsionbeat", standalone_mode=False)
    except Exception as error:
        if not hasattr(error, "format_message"):
            raise
        if type(error).__name__ == "NoArgsIsHelpError":  # the help is printed already
            return BAD_INPUT
        context = getattr(error, "ctx", None)
        where = f"; see {context.command_path} --help" if context is not None else ""
        tell(error.format_message().rstrip(".") + where)
        return BAD_INPUT
    return result if isinstance(result, int) else 0


def _unforeseen(error: Exception) -> int:
    if os.environ.get(DEBUG_VARIABLE) == "1":
        import traceback

        traceback.print_exception(error)
    said = " ".join(str(error).split())
    tell(
        f"something went wrong that should not have: {type(error).__name__}{': ' if said else ''}{said}; "
        f"set {DEBUG_VARIABLE}=1 and try again to see where, and tell the makers"
    )
    return UNFORESEEN


def _take_any_letter() -> None:
    """Print letters that the terminal lacks as escapes instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def _leave_quietly(status: int) -> int:
    """Redirect standard output to nowhere, so that no later write fails, not even at the program's end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return status
