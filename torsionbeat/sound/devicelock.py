"""One program to one microphone: a lock that the operating system lets go of when its holder ends, however it ends.

In: a microphone's name. Out: a lock held until it is released, or a sentence that says who stands in the way.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path
from typing import Any

from torsionbeat.errors import DeviceError

__all__ = ["hold_device", "lock_folder"]


def lock_folder() -> Path:
    """Where this user's locks lie: the folder for what belongs to the running session."""
    from platformdirs import user_runtime_path

    return user_runtime_path("torsionbeat")


def hold_device(name: str, folder: Path | None = None) -> contextlib.ExitStack:
    """Hold a microphone for this program; closing what is given back lets it go, and so does the program's end.

    Where the machine has no place or no means for locks, nothing is held, and nothing is refused.

    Parameters
    ----------
    name : str
        The microphone's name and sound system, by which another program would open the same.
    folder : Path, optional
        Where the lock lies; by default `lock_folder`.

    Raises
    ------
    DeviceError
        Another program of this package is listening with it.
    """
    import filelock

    held = contextlib.ExitStack()
    where = folder or lock_folder()
    digest = hashlib.sha256(name.encode(errors="replace")).hexdigest()[:16]  # any name makes a fit file name
    try:
        where.mkdir(parents=True, exist_ok=True)
        lock: Any = filelock.FileLock(os.fspath(where / f"microphone-{digest}.lock"), timeout=0)
        held.enter_context(lock)
    except filelock.Timeout:
        raise DeviceError(
            f"{name} is being listened to already; end that listening first, or choose another microphone"
        ) from None
    except (OSError, NotImplementedError):
        held.close()
    return held
