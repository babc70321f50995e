"""Files that are there whole or not at all, whatever ends the writing: a kill, a full disk, an error on the way.

Input: a path. Output: another path in the same folder to write to, which takes the first one's place once all is written.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

__all__ = ["written_whole"]


@contextlib.contextmanager
def written_whole(path: Path, *, private: bool = False, secure: bool = False) -> Iterator[Path]:
    """Give a path to write to; what is written there takes the place of ``path`` when the block ends well.

    Where the block raises, or the program ends in its midst, the file that was there stays as it was.

    Parameters
    ----------
    path : Path
        The file that is to be, or the folder: what is made at the path given is what it becomes. A folder that is there is
        not replaced; take it away before the block ends.
    private : bool
        Make it readable by its owner alone, from its first byte.
    secure : bool
        Wait until it is on the disk, safe against a power cut.

    Raises
    ------
    OSError
        The disk refused it.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        if private:
            os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        yield part
        if secure:
            handle = os.open(part, os.O_RDWR)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        part.replace(path)
    finally:
        if part.is_dir():
            shutil.rmtree(part, ignore_errors=True)
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
