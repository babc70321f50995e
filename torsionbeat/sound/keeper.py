"""Keeping live sound: a folder of numbered FLAC files and a journal, safe against kill and full disk.

Input: live blocks. Output: ``sound-0001.flac`` and so on, 24 bits (no loss to any microphone; 16-bit sound takes no
more room than in 16 bits), and ``journal.jsonl``. Each file is closed and on the disk before the next is begun.
`torsionbeat.sound.recording.open_recording` reads the folder like a file.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import tempfile
from collections import deque
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, NoReturn, Self
from uuid import uuid4

import numpy as np

from torsionbeat.errors import DeviceError, InputError
from torsionbeat.sound.block import Block
from torsionbeat.sound.journal import FORMAT, JOURNAL_NAME, Journal
from torsionbeat.sound.timebase import ClockRow

__all__ = ["KEEPS", "Keeper", "planned_bytes"]

KEEPS = ("sound", "beats", "figures")

RESERVE_BYTES = 16 << 20
"""Writing stops while this much is free, so that files can be closed and the computer keeps working."""

BYTES_A_SAMPLE = 3
"""Sound is kept as FLAC of 24 bits, counted without compression."""
BEATS_SHARE = 0.1
"""Upper estimate of the share of sound in the stretches around the beats."""

JOURNAL_BYTES_A_SECOND = 200
"""Upper estimate for a row a second with its clocks."""


def planned_bytes(keeps: str, planned_s: float, sample_rate_hz: float, channels: int) -> int:
    """The most room that a recording of this length can take.

    Parameters
    ----------
    keeps : str
        Kept data: sound, beats or figures.
    planned_s : float
        Length.
    sample_rate_hz : float
        Samples a second.
    channels : int
        How many channels.

    Examples
    --------
    >>> planned_bytes("sound", 8 * 3600, 48_000, 1) / 1e9
    4.15296
    """
    share = {"sound": 1.0, "beats": BEATS_SHARE, "figures": 0.0}[keeps]
    return math.ceil(
        planned_s * (share * BYTES_A_SAMPLE * sample_rate_hz * channels + JOURNAL_BYTES_A_SECOND)
    )


def _free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free


class Keeper:
    """A recording folder being written; a context manager.

    Parameters
    ----------
    folder : path-like
        Is created; must not hold a recording already, and belongs to this recording alone from the first instant.
    sample_rate_hz : float
    channels : int
        At most 8, FLAC's limit.
    keeps : str
        ``sound``: all of it. ``beats``: the stretches named by `keep`, out of the last ``memory_s`` heard.
        ``figures``: the journal alone.
    planned_s : float, optional
        Planned length of the recording; the free space is checked against it.
    segment_s : float
        Length of a file.
    memory_s : float
        Length of the latest sound that is held for `keep`.
    synchronised : bool, optional
        Whether network time keeps the computer's clock; None where that is unknown.
    recorder : str
        The recording device: the microphone and its connection.
    free_bytes : callable, optional
        Free space of the disk under a folder, in bytes.

    Raises
    ------
    InputError
        The folder holds a recording, or an option is out of range.
    DeviceError
        The disk has too little room, or cannot be written.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        sample_rate_hz: float,
        channels: int,
        *,
        keeps: str = "sound",
        planned_s: float | None = None,
        segment_s: float = 300.0,
        memory_s: float = 120.0,
        synchronised: bool | None = None,
        recorder: str = "",
        free_bytes: Callable[[Path], int] = _free_bytes,
    ) -> None:
        if keeps not in KEEPS:
            raise InputError(f"what to keep is {keeps!r}; use sound, beats or figures")
        if not 1 <= channels <= 8:
            raise InputError(f"{channels} channels cannot be kept; use 1 to 8")
        self.folder = Path(folder)
        self.keeps = keeps
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self._free_bytes = free_bytes
        self._segment_frames = max(int(segment_s * sample_rate_hz), 1)
        self._memory: deque[Block] = deque()
        self._memory_frames = int(memory_s * sample_rate_hz)
        self._file: Any = None
        self._number = self._file_frames = 0
        self._written_to: int | None = None
        self._heard_to = self._checked_at = self._secured_at = 0
        self.kept_frames = 0
        self._failure: str | None = None
        self._closed = False
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._check_plan(planned_s)
            self._journal = self._new_journal()
            self._journal.add(
                "begun",
                format=FORMAT,
                sample_rate_hz=sample_rate_hz,
                channels=channels,
                keeps=keeps,
                synchronised=synchronised,
                identity=uuid4().hex,
                recorder=recorder,
            )
            self._journal.secure()
        except OSError as error:
            raise DeviceError(
                f"{self.folder} cannot be written: {error.strerror or error}; "
                "give a folder on a disk that can be written"
            ) from None

    def _new_journal(self) -> Journal:
        """Create the journal, which claims the folder: of two recordings at the same instant only one succeeds."""
        taken = InputError(f"{self.folder} already holds a recording; give another folder")
        if any(self.folder.glob("sound-*.flac")):
            raise taken
        try:
            return Journal(self.folder / JOURNAL_NAME)
        except FileExistsError:
            raise taken from None

    def _check_plan(self, planned_s: float | None) -> None:
        free = self._free_bytes(self.folder)
        needed = RESERVE_BYTES
        if planned_s is not None:
            needed += planned_bytes(self.keeps, planned_s, self.sample_rate_hz, self.channels)
        if free < needed:
            length = f" for {planned_s / 3600:.1f} h" if planned_s is not None else ""
            raise DeviceError(
                f"the disk under {self.folder} has {free / 1e9:.2f} GB free; keeping {self.keeps}{length} "
                f"can take {needed / 1e9:.2f} GB. Free some room, record for less long, "
                "or keep only beats or figures"
            )

    def hear(self, block: Block) -> None:
        """Take in the next block heard; blocks come in order of time.

        Raises
        ------
        DeviceError
            The disk is full or failed. What was kept until then is intact.
        """
        self._ready()
        self._heard_to = block.stop_frame
        if self.keeps == "sound":
            self._write(block)
        elif self.keeps == "beats":
            self._memory.append(block)
            while self._memory[0].stop_frame < self._heard_to - self._memory_frames:
                self._memory.popleft()
        if self._heard_to - self._checked_at >= self.sample_rate_hz:
            self._checked_at = self._heard_to
            try:
                free = self._free_bytes(self.folder)
            except OSError as error:
                self._fail(error.strerror or str(error))
            if free < RESERVE_BYTES:
                self._fail("the disk is full")

    def keep(self, start_frame: int, stop_frame: int) -> int:
        """Keep a stretch (in mode ``beats``) of what is still in memory; stretches come in order of time.

        Returns
        -------
        int
            Frames kept now: fewer than requested where they were kept before, were lost or have left the memory.
        """
        self._ready()
        if self.keeps != "beats":
            return 0
        first = max(start_frame, self._written_to or 0)
        kept = 0
        for block in self._memory:
            low = max(first, block.start_frame) - block.start_frame
            high = min(stop_frame, block.stop_frame) - block.start_frame
            if low < high:
                self._write(Block(block.start_frame + low, block.samples[low:high]))
                kept += high - low
        return kept

    def clock(self, row: ClockRow) -> None:
        """Enter a clock row in the journal."""
        self.note("clock", **row._asdict())

    def note(self, what: str, **details: Any) -> None:
        """Enter something in the journal; see `torsionbeat.sound.journal` for the entries."""
        self._ready()
        try:
            self._journal.add(what, **details)
            if self._heard_to - self._secured_at >= 10 * self.sample_rate_hz:
                self._secured_at = self._heard_to
                self._journal.secure()
        except OSError as error:
            self._fail(error.strerror or str(error))

    def _write(self, block: Block) -> None:
        import soundfile

        full_scale = np.float32(1 << 23)  # scaled here: libsndfile's own scaling from floats is not exact
        steps = np.rint(block.samples * full_scale)
        np.clip(steps, -full_scale, full_scale - 1, out=steps)
        if np.isnan(steps.sum()):
            steps = np.nan_to_num(steps)
        samples = steps.astype(np.int32) << 8
        try:
            if self._file is None:
                self._begin_file(block.start_frame)
            elif block.start_frame != self._written_to:
                self._place(block.start_frame)
            self._file.write(samples)
            self._file_frames += len(samples)
            self.kept_frames += len(samples)
            self._written_to = block.stop_frame
            if self._file_frames >= self._segment_frames:
                self._end_file()
        except soundfile.SoundFileRuntimeError:
            self._fail(self._why_not_written())
        except OSError as error:
            self._fail(error.strerror or str(error))

    def _begin_file(self, start_frame: int) -> None:
        import soundfile

        self._number += 1
        self._file_frames = 0
        self._file = soundfile.SoundFile(
            self._file_path(),
            "w",
            samplerate=round(self.sample_rate_hz),
            channels=self.channels,
            format="FLAC",
            subtype="PCM_24",
        )
        with contextlib.suppress(OSError):
            self._file_path().chmod(0o600)  # a workshop's recordings are private
        self._file.comment = f"start_frame={start_frame}"
        self._place(start_frame)

    def _place(self, start_frame: int) -> None:
        """Note the place of the sound that follows, before it is written."""
        self._journal.add(
            "sound", file=self._file_path().name, file_frame=self._file_frames, start_frame=start_frame
        )

    def _end_file(self) -> None:
        """Close the file, wait until it is on the disk, then note it in the journal."""
        file, self._file = self._file, None
        file.close()
        for path in (self._file_path(), self.folder):
            _secure(path)
        self._journal.add("closed", file=self._file_path().name, frames=self._file_frames)
        self._journal.secure()

    def _file_path(self) -> Path:
        return self.folder / f"sound-{self._number:04d}.flac"

    def _ready(self) -> None:
        if self._failure:
            raise DeviceError(self._failure)
        if self._closed:
            raise DeviceError(f"{self.folder} is closed; begin another recording to keep more")

    def _fail(self, why: str) -> NoReturn:
        """Stop permanently; what was kept stays intact."""
        heard_s = self._heard_to / self.sample_rate_hz
        if self.folder.is_dir():
            left = "What was kept until then is intact; "
            left += (
                "make room on the disk, then begin a new recording"
                if "full" in why
                else "mend that, then begin a new recording"
            )
        else:
            why = "the folder was removed or its disk was taken away"
            left = "What was kept went with it; begin a new recording in a folder that stays"
        self._failure = f"writing to {self.folder} stopped at {heard_s:.1f} s: {why}. {left}"
        self._shut("stopped", why=why)
        raise DeviceError(self._failure) from None

    def _why_not_written(self) -> str:
        """The cause of a failed write; libsndfile only reports the failure."""
        try:
            if self._free_bytes(self.folder) < RESERVE_BYTES:
                return "the disk is full"
            handle, probe = tempfile.mkstemp(dir=self.folder, prefix=".probe-")
            os.close(handle)
            os.unlink(probe)
        except OSError as error:
            return error.strerror or str(error)
        return "the disk failed"

    def close(self) -> None:
        """End the recording; a recording without any sound leaves no files. Closing twice does nothing."""
        if self._closed or self._failure:
            return
        self._shut("ended")
        if not self._heard_to:
            with contextlib.suppress(OSError):
                (self.folder / JOURNAL_NAME).unlink()
                self.folder.rmdir()  # fails if anything else is in it

    def _shut(self, what: str, **details: Any) -> None:
        import soundfile

        self._closed = True
        self._memory.clear()
        with contextlib.suppress(OSError, soundfile.SoundFileRuntimeError):
            if self._file is not None:
                self._end_file()
        with contextlib.suppress(OSError):
            self._journal.add(what, frame=self._heard_to, **details)
            self._journal.secure()
        self._journal.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _secure(path: Path) -> None:
    """Wait until a file or folder is on the disk; folders cannot be waited for on Windows."""
    flags = os.O_RDONLY if path.is_dir() or os.name != "nt" else os.O_RDWR
    try:
        handle = os.open(path, flags)
    except PermissionError:
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
