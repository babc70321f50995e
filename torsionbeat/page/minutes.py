"""A night in a minute: beats of a recording one after the other, assembled once and then played from disk.

Input: a recording on this computer and its reading. Output: a sound file that a browser plays. The recording is decoded
in a separate process, within the limits of the page's uploads.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import threading
from pathlib import Path
from typing import Any

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.page.reader import Limits

__all__ = ["BEATS", "Minutes"]

BEATS = 60
"""A beat has at most a second of sound, so this is at most a minute."""

WITHIN_S = 120.0
"""Time limit: about sixty short pieces of a file are read, which takes seconds for a night."""


class Minutes:
    """The assembled minutes, in a folder of their own."""

    def __init__(self, folder: Path, limits: Limits) -> None:
        self._folder, self._limits = folder, limits
        self._lock = threading.Lock()

    def made(self, name: str, recording: Path, document: dict[str, Any]) -> Path:
        """Assemble the minute of a recording, unless it exists already.

        Parameters
        ----------
        name : str
            Name of the recording: letters, digits and hyphens.
        recording : Path
            A sound file, or the folder of a night.
        document : dict
            Its reading (schema 1).

        Raises
        ------
        InputError
            The sound is no longer there, or cannot be read.
        DeviceError
            Writing to the disk failed.
        """
        found = self.find(name, recording)
        if found is not None:
            return found
        if not recording.exists():
            raise InputError("the sound of it is no longer on this computer, so it cannot be played")
        with self._lock:  # one at a time: listening needs the processor too
            path = self._path(name, recording)
            if not path.exists():
                self.forget(name)
                self._make(path, recording, document)
        return path

    def find(self, name: str, recording: Path) -> Path | None:
        """Give the minute of a recording if it was assembled from the present sound; else None."""
        path = self._path(name, recording) if recording.exists() else None
        return path if path is not None and path.exists() else None

    def forget(self, name: str) -> None:
        """Delete the minutes assembled under a name."""
        if self._folder.is_dir():
            for old in self._folder.glob(f"{name}.*"):
                old.unlink(missing_ok=True)

    def _path(self, name: str, recording: Path) -> Path:
        state = recording.stat()
        mark = f"{recording.absolute()} {state.st_mtime_ns} {state.st_size}"
        return self._folder / f"{name}.{hashlib.sha256(mark.encode()).hexdigest()[:16]}.flac"

    def _make(self, path: Path, recording: Path, document: dict[str, Any]) -> None:
        try:
            self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise DeviceError(f"the folder for what is played cannot be made: {error.strerror}") from error
        request = {
            "minute": str(path), "beats": BEATS, "path": str(recording.absolute()), "document": document,
            "reading_s": WITHIN_S, "memory_bytes": self._limits.memory_bytes,
        }  # fmt: skip
        try:
            ended = subprocess.run(
                self._limits.command,
                input=json.dumps(request),
                stdout=subprocess.PIPE,
                stderr=None if os.environ.get("TORSIONBEAT_DEBUG") == "1" else subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
                timeout=3 * WITHIN_S,
                check=False,
            )
            answer = json.loads(ended.stdout.splitlines()[-1])
        except (subprocess.TimeoutExpired, ValueError, IndexError):
            raise InputError(
                "the sound could not be put together: it took too much time or memory, or its decoder failed"
            ) from None
        if "error" in answer:
            raise InputError(str(answer["error"]))
