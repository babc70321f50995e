"""Recordings from the page: written to disk, read in a process of their own, kept or thrown away.

Input: uploads as they arrive, and data of the clock. Output: readings as documents, sentences and plots. A recording
is named by a random number; the sender's name for it is only shown. The state of each is saved beside it, so that
none is lost when the server ends.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import secrets
import shutil
import subprocess
import threading
import time
import traceback
from collections.abc import AsyncIterator
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.page.feed import Feed
from torsionbeat.page.reader import BROKEN, SAMPLE_NAME, Limits, Recording, read_recording
from torsionbeat.whole_files import written_whole

__all__ = ["ENDINGS", "Limits", "Recording", "Recordings", "TooBigError", "TooSlowError", "too_big"]

ENDINGS = (
    "wav",
    "flac",
    "mp3",
    "m4a",
    "mp4",
    "ogg",
    "oga",
    "opus",
    "aac",
    "aif",
    "aiff",
    "caf",
    "w64",
    "webm",
    "3gp",
    "amr",
)
"""Suffixes that a stored recording may have: its decoder needs them."""

CANCELLED = "Reading was cancelled."


class TooBigError(InputError):
    """The recording is larger than allowed."""


def too_big(limits: Limits) -> TooBigError:
    """Say that a recording is too big."""
    return TooBigError(
        f"the recording is larger than {limits.upload_bytes / 1e9:g} GB; a night at 48 kHz and 16 bit is smaller: "
        "send it in pieces, or read it with torsionbeat analyse"
    )


class TooSlowError(InputError):
    """The recording came too slowly, or not to its end."""


class Recordings:
    """All recordings of the page, and the process that reads them one at a time."""

    def __init__(self, folder: Path, log: str | None, feed: Feed, limits: Limits) -> None:
        self._folder, self._log, self._feed, self.limits = folder, log, feed, limits
        self._all: dict[str, Recording] = {}
        self._lock = threading.Lock()
        self._queue: queue.Queue[str | None] = queue.Queue()
        self._receiving = 0
        self._process: subprocess.Popen[str] | None = None
        self._reading = ""
        self._cancelled: set[str] = set()
        self._over = False
        self._thread: threading.Thread | None = None

    # the recordings

    def all(self) -> list[Recording]:
        """All recordings, the newest first."""
        with self._lock:
            return sorted(self._all.values(), key=lambda one: one.came_at, reverse=True)

    def get(self, number: str) -> Recording:
        """Give a recording.

        Raises
        ------
        InputError
            No recording has that number.
        """
        with self._lock:
            found = self._all.get(number)
        if found is None:
            raise InputError("this recording is no longer here: it was thrown away")
        return found

    def start(self) -> None:
        """Find the stored recordings, and begin to read those that wait."""
        for path in self._folder.glob("*.json") if self._folder.is_dir() else ():
            with contextlib.suppress(OSError, ValueError, TypeError):
                row = json.loads(path.read_text(encoding="utf-8"))
                one = Recording(**row | {"sentences": tuple(row.get("sentences", ()))})
                self._all[one.id] = replace(one, state="waiting") if one.state == "reading" else one
        for part in self._folder.glob("*.part") if self._folder.is_dir() else ():
            part.unlink(missing_ok=True)
        self._thread = threading.Thread(target=self._work, name="reading recordings", daemon=True)
        self._thread.start()
        for one in self.all():
            if one.state == "waiting":
                self._queue.put(one.id)

    def stop(self) -> None:
        """End the reading process; unread recordings are read at the next start."""
        self._queue.put(None)
        with self._lock:
            self._over = True
            process = self._process
        if process is not None:
            process.kill()
        if self._thread is not None:
            self._thread.join(5)

    # adding and removing

    async def take(
        self, name: str, pieces: AsyncIterator[bytes], began_s: float | None, clock: str
    ) -> Recording:
        """Write an upload to disk as it arrives.

        Parameters
        ----------
        name : str
            The sender's name for it; only shown.
        pieces : async iterator of bytes
        began_s : float or None
            When it was recorded, seconds since 1970, according to the sender's file.
        clock : str
            The clock's name, or empty.

        Raises
        ------
        InputError
            It is empty, too big or too slow, or there are too many uploads at once.
        DeviceError
            The disk is full.
        """
        if self._receiving >= self.limits.uploads:
            raise TooSlowError(
                f"{self._receiving} recordings are being sent already; send this one when they are here"
            )
        self._receiving += 1
        try:
            number, path, size = await self._to_disk(_ending(name), pieces)
        finally:
            self._receiving -= 1
        if began_s is not None and 0 < began_s < time.time() + 86_400:
            os.utime(path, (began_s, began_s))
        return self._add(number, name, path, size, clock=clock, began_s=began_s)

    async def _to_disk(self, ending: str, pieces: AsyncIterator[bytes]) -> tuple[str, Path, int]:
        import asyncio

        self._make_folder()
        number = secrets.token_hex(8)
        path = self._folder / f"{number}.{ending}"
        size, began = 0, time.monotonic()
        try:
            with written_whole(path) as part, part.open("xb") as file:
                while True:
                    try:
                        piece = await asyncio.wait_for(anext(pieces, b""), self.limits.piece_s)
                    except TimeoutError:
                        raise TooSlowError(
                            "the recording stopped coming; nothing of it was kept, send it again"
                        ) from None
                    if not piece:
                        break
                    size += len(piece)
                    self._check_size(size, time.monotonic() - began)
                    file.write(piece)
                if not size:
                    raise InputError("the recording is empty; choose another")
        except OSError as error:
            raise DeviceError(
                f"the recording could not be taken down ({error.strerror or 'the disk refused it'}); nothing of it was kept: "
                "make room on the disk, then send it again"
            ) from error
        return number, path, size

    def _check_size(self, size: int, gone_s: float) -> None:
        limits = self.limits
        if size > limits.upload_bytes:
            raise too_big(limits)
        if gone_s > limits.piece_s and size < limits.slowest_bytes_per_s * gone_s:
            raise TooSlowError(
                "the recording comes too slowly to be taken; send it again by a better connection"
            )
        if shutil.disk_usage(self._folder).free < limits.free_bytes:
            raise DeviceError(
                f"the disk has less than {limits.free_bytes / 1e6:.0f} MB left; nothing of the recording was kept: "
                "make room, then send it again"
            )

    def _make_folder(self) -> None:
        try:
            self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as error:
            raise DeviceError(f"the folder for recordings cannot be made: {error.strerror}") from error

    def add_sample(self) -> Recording:
        """Add the sample recording; it is generated before it is read."""
        self._make_folder()
        number = secrets.token_hex(8)
        path = self._folder / f"{number}.flac"
        return self._add(number, SAMPLE_NAME, path, 0, period_s=60.0, lift_deg=20.0)

    def add_read(
        self, name: str, folder: Path, document: dict[str, Any], sentences: list[str], plots: dict[str, Any]
    ) -> Recording:
        """Add a night without a clock of the log, with its reading.

        Parameters
        ----------
        name : str
            Name to show.
        folder : Path
            The night's folder.
        document : dict
            The reading.
        sentences : list of str
            Sentences of the reading.
        plots : dict
        """
        number = secrets.token_hex(8)
        return self._put(
            Recording(
                number, name, str(folder), 0, _now(), state="read", share=1.0,
                document=document, sentences=tuple(sentences), plots=plots,
            )
        )  # fmt: skip

    def _add(self, number: str, name: str, path: Path, size: int, **known: Any) -> Recording:
        shown = "".join(sign for sign in name if sign.isprintable())[:120] or "recording"
        made = self._put(Recording(number, shown, str(path), size, _now(), **known))
        self._queue.put(number)
        return made

    def read_again(
        self, number: str, clock: str, period_s: float | None, lift_deg: float | None
    ) -> Recording:
        """Read a recording again with another clock, period or lift.

        Parameters
        ----------
        number : str
        clock : str
            The clock's name; empty: none.
        period_s : float or None
            Nominal full period.
        lift_deg : float or None
            Angle from contact to drop.

        Raises
        ------
        InputError
            It is being read now, or no longer exists.
        """
        one = self.get(number)
        if self._reading == number:
            raise InputError("it is being read now; cancel that, or wait until it is read")
        again = self._put(
            replace(
                one,
                clock=clock,
                period_s=period_s,
                lift_deg=lift_deg,
                state="waiting",
                share=0.0,
                error="",
                document=None,
            )
        )
        self._cancelled.discard(number)
        self._queue.put(number)
        return again

    def mark_kept(self, number: str, clock: str) -> None:
        """Remember that the reading is in the log; the sound stays."""
        self._put(replace(self.get(number), state="kept", kept_for=clock))

    def throw_away(self, number: str) -> None:
        """Remove a recording and its reading from the page; a file is deleted, the folder of a night stays."""
        one = self.get(number)
        self.cancel(number)
        path = Path(one.path)
        with self._lock:
            self._all.pop(number, None)
            for gone in (self._folder / f"{number}.json", path):
                if gone.parent == self._folder and not gone.is_dir():
                    gone.unlink(missing_ok=True)

    def cancel(self, number: str) -> None:
        """Stop reading a recording, or remove it from the queue."""
        with self._lock:
            one = self._all.get(number)
            if one is None or one.state not in ("waiting", "reading"):
                return
            self._cancelled.add(number)
            process = self._process if self._reading == number else None
        if process is not None:
            process.kill()
        elif one.state == "waiting":
            self._put(replace(one, state="failed", error=CANCELLED))

    def _put(self, one: Recording) -> Recording:
        with self._lock:
            self._all[one.id] = one
            self._write(one)
        self._tell(one)
        return one

    def _update(self, one: Recording) -> Recording:
        """Save the new state of a recording, unless it was thrown away meanwhile."""
        with self._lock:
            if one.id not in self._all:
                return one
            self._all[one.id] = one
            self._write(one)
        self._tell(one)
        return one

    def _write(self, one: Recording) -> None:
        path = self._folder / f"{one.id}.json"
        with (
            contextlib.suppress(OSError),
            written_whole(path) as part,
        ):  # a full disk is reported where sound is written
            part.write_text(json.dumps(asdict(one)), encoding="utf-8")

    def _tell(self, one: Recording) -> None:
        from torsionbeat.page.views import fragment

        self._feed.show(
            f"recording-{one.id}", f"recording-{one.id}", fragment("recording.html", "whole", one)
        )
        self._feed.show("recordings", f"row-{one.id}", fragment("recording.html", "row", one))

    # reading

    def _work(self) -> None:
        while (number := self._queue.get()) is not None:
            with self._lock:
                one = self._all.get(number)
                if one is None or one.state != "waiting" or number in self._cancelled:
                    continue
                self._reading = number
            try:
                read = read_recording(
                    replace(one, state="reading"), self._log, self.limits, self._update, self._hold
                )
            except Exception:
                if os.environ.get("TORSIONBEAT_DEBUG") == "1":
                    traceback.print_exc()
                read = replace(one, state="failed", error=BROKEN)
            with self._lock:
                self._reading = ""
                cancelled, over = number in self._cancelled, self._over
            if cancelled:
                read = replace(read, state="failed", error=CANCELLED)
            if not over:  # a reading cut off by the server's end is repeated at the next start
                self._update(read)

    def _hold(self, process: subprocess.Popen[str] | None) -> None:
        """Remember the reading process; if it was cancelled before it began, end it at once."""
        with self._lock:
            self._process = process
            unwanted = self._over or self._reading in self._cancelled
        if process is not None and unwanted:
            process.kill()


def _ending(name: str) -> str:
    ending = name.rpartition(".")[2].lower()
    return ending if ending in ENDINGS else "sound"


def _now() -> str:
    return datetime.now(UTC).isoformat()
