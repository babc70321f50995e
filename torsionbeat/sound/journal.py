"""The journal of a recording folder: the events line by line, readable however the recording ended.

Input: entries while recording. Output: one JSON object a line in ``journal.jsonl``. Lines are only appended, and handed
to the operating system whole, so a killed program loses at most the line it was writing. On reading, unreadable lines
are counted and skipped.

Every entry has ``what``; counts are frames from the start of the recording:

============ ============================================ ============================================
what         further keys                                 meaning
============ ============================================ ============================================
begun        format, sample_rate_hz, channels, keeps,     the recording was begun
             synchronised, identity, recorder
clock        stretch, frame, monotonic_ns, utc_ns,        a ``ClockRow``, about one a second; raw_ns is new
             raw_ns
host clock   frame and the fields of ``HostState``        state of the computer's clock by its system
doubled      frame, frames                                total of frames handed over twice and left out
sound        file, file_frame, start_frame                from ``file_frame`` of ``file`` on, the sound
                                                          stands at ``start_frame``
closed       file, frames                                 this file is complete and on the disk
gap          start_frame, stop_frame, why                 nothing was heard between these
overflow     frame                                        the sound system said that it lost sound
device lost  frame                                        the microphone went away
device back  frame                                        and came back
clock set    frame, step_s                                the clock of day was set
network time frame, synchronised                          the computer's clock began or ceased to be kept
reference    offset_ppm, standard_uncertainty_ppm         the crystal by the ticks of a reference clock,
                                                          heard so far
stopped      frame, why                                   writing ended before its time
ended        frame                                        the recording was ended as planned
============ ============================================ ============================================
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.sound.hostclock import HostState
from torsionbeat.sound.timebase import Timebase, host_timebase

__all__ = ["JOURNAL_NAME", "Journal", "JournalRecord", "read_journal"]

JOURNAL_NAME = "journal.jsonl"
FORMAT = 1
"""Number of the journal's format; it goes up when an older reader would misread it."""

LARGEST_COUNT = 1 << 63
"""A clock's count in ns fits into 63 bits until the year 2262; a clock of day set beyond that is ignored."""

LARGEST_FRAME = 1 << 45
"""Three years at 384 kHz: a place beyond is a damaged line, not a recording."""

SLACK_S = 10.0
"""Difference that a late or early block may cause between two rows."""

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
"""As `torsionbeat.sound.recording` has them."""
MOST_CHANNELS = 8
"""Limits of the listener and of FLAC: a journal with other values is damaged."""


class Journal:
    """A journal being written, a new file. Every method may raise OSError when the disk is full or gone.

    Raises
    ------
    FileExistsError
        There is a journal already, possibly one made at the same instant.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._file = os.open(path, flags, 0o600)  # a workshop's recordings are private
        self._whole = True

    def add(self, what: str, **details: Any) -> None:
        """Add an entry; after the return a kill of the program cannot lose it.

        Raises
        ------
        OSError
            The disk refused it.
        """
        line = json.dumps({"what": what, **details}, separators=(",", ":")).encode() + b"\n"
        if not self._whole:
            line = b"\n" + line
        self._whole = False
        if os.write(self._file, line) < len(line):
            raise OSError("the journal could not be written whole")
        self._whole = True

    def secure(self) -> None:
        """Wait until the entries are on the disk, safe against a power cut."""
        os.fsync(self._file)

    def close(self) -> None:
        """Close the file; closing twice does nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


@dataclass(slots=True)
class JournalRecord:
    """A journal as read back.

    ``begun`` is the first entry or None; ``sound`` maps a file's name to its (file_frame, start_frame)
    pairs in order; ``closed`` maps it to its count of frames; ``gaps`` are (start_frame, stop_frame, why).
    """

    begun: dict[str, Any] | None = None
    rows: list[tuple[int, int, int, int, int]] = field(default_factory=list)
    host_states: list[HostState] = field(default_factory=list)
    doubled_frames: int = 0
    sound: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    closed: dict[str, int] = field(default_factory=dict)
    gaps: list[tuple[int, int, str]] = field(default_factory=list)
    overflows: int = 0
    clock_steps: list[tuple[int, float]] = field(default_factory=list)
    synchronised: set[bool | None] = field(default_factory=set)
    reference: Timebase | None = None
    stopped: str | None = None
    ended_frame: int | None = None
    last_frame: int = 0
    lines_lost: int = 0

    @property
    def recorder(self) -> str:
        """The recording device; empty where it was not noted."""
        return str((self.begun or {}).get("recorder") or "")

    def clock_rows(self) -> npt.NDArray[np.int64]:
        """The clock rows, shape (n, 5), columns as in ``ClockRow``."""
        rate_hz = float((self.begun or {}).get("sample_rate_hz", HIGHEST_RATE_HZ))
        kept: list[tuple[int, int, int, int, int]] = []
        for row, following in pairwise([*self.rows, *self.rows[-2:-1]]):
            # one damaged number would bias the line through all the others
            if (kept and _follows(kept[-1], row, rate_hz)) or (
                not kept and _follows(row, following, rate_hz)
            ):
                kept.append(row)
        return np.array(kept, dtype=np.int64).reshape(-1, 5)

    def timebase(self, sample_rate_hz: float) -> Timebase:
        """The recorder's crystal against a reference clock if one was heard, else against the computer's clock.

        ``unknown`` where the journal is too short for either.
        """
        if self.reference is not None:
            return self.reference
        said = self.synchronised
        synchronised = False if False in said else True if said == {True} else None
        return host_timebase(
            self.clock_rows(), sample_rate_hz, synchronised, self.host_states, sorted(self.gaps)
        )

    @property
    def identity(self) -> str:
        """Identity of this recording, independent of its folder: given at the beginning, never changed.

        A journal without one is identified by its first clock row; "" where there is none.
        """
        given = str((self.begun or {}).get("identity", ""))
        if given or not self.rows:
            return given
        return "-".join(str(count) for count in self.rows[0][:4])

    def begun_utc_ns(self, sample_rate_hz: float) -> int | None:
        """Clock of day at frame 0 in ns since 1970, as first noted; None without a clock row."""
        if not self.rows:
            return None
        known = next((row for row in self.rows if row[3]), None)
        return None if known is None else known[3] - round(1e9 * known[1] / sample_rate_hz)

    def _enter(self, entry: dict[str, Any]) -> None:
        match entry["what"]:
            case "begun":
                _check_begun(entry)
                self.synchronised.add(_true_false_or_none(entry.get("synchronised")))
                self.begun = entry
            case "clock":
                self.rows.append(_clock_row(entry))
            case "host clock":
                self.host_states.append(_host_state(entry))
            case "doubled":
                self.doubled_frames = max(self.doubled_frames, _frames(int(entry["frames"])))
            case "sound":
                place = _frames(int(entry["file_frame"])), _frames(int(entry["start_frame"]))
                self.sound.setdefault(str(entry["file"]), []).append(place)
            case "closed":
                self.closed[str(entry["file"])] = _frames(int(entry["frames"]))
            case "gap":
                gap = _frames(int(entry["start_frame"])), _frames(int(entry["stop_frame"])), str(entry["why"])
                self.gaps.append(gap)
                self.last_frame = max(self.last_frame, gap[1])
            case "overflow":
                self.overflows += 1
            case "clock set":
                self.clock_steps.append((_frames(int(entry["frame"])), _finite(entry["step_s"])))
            case "network time":
                self.synchronised.add(_true_false_or_none(entry["synchronised"]))
            case "reference":
                self.reference = _reference(entry)
            case "stopped":
                self.stopped = str(entry["why"])
            case "ended":
                self.ended_frame = _frames(int(entry["frame"]))
        self.last_frame = max(self.last_frame, _frames(int(entry.get("frame", 0))))


def _check_begun(entry: Mapping[str, Any]) -> None:
    """Refuse an entry ``begun`` that no recording can have."""
    rate_hz, channels = float(entry["sample_rate_hz"]), int(entry["channels"])
    if not (LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ and 1 <= channels <= MOST_CHANNELS):
        raise ValueError("a sound that cannot be")
    if entry["keeps"] not in ("sound", "beats", "figures"):
        raise ValueError("a way of keeping that there is not")


def _clock_row(entry: Mapping[str, Any]) -> tuple[int, int, int, int, int]:
    """A clock row: stretch, frame and the three clocks in ns."""
    stretch, frame, monotonic_ns = (int(entry[key]) for key in ("stretch", "frame", "monotonic_ns"))
    utc_ns, raw_ns = int(entry["utc_ns"]), int(entry.get("raw_ns", 0))
    if not (
        0 <= stretch <= LARGEST_COUNT and abs(monotonic_ns) < LARGEST_COUNT and 0 <= raw_ns < LARGEST_COUNT
    ):
        raise ValueError("a time that cannot be")
    # a clock of day outside the countable range is ignored
    known_utc_ns = utc_ns if 0 <= utc_ns < LARGEST_COUNT else 0
    return stretch, _frames(frame), monotonic_ns, known_utc_ns, raw_ns


def _reference(entry: Mapping[str, Any]) -> Timebase:
    """The crystal by the ticks of a reference clock."""
    ppm, doubt_ppm = float(entry["offset_ppm"]), float(entry["standard_uncertainty_ppm"])
    return Timebase("reference ticks", ppm, doubt_ppm)


def _follows(one: tuple[int, ...], next_one: tuple[int, ...], rate_hz: float) -> bool:
    """Whether a clock row can come after another: forwards, and at no more than four times the pace."""
    frames, seconds = next_one[1] - one[1], (next_one[2] - one[2]) * 1e-9
    return seconds > 0 and 0 < frames <= rate_hz * (4 * seconds + SLACK_S)


def _frames(count: int) -> int:
    if not 0 <= count <= LARGEST_FRAME:
        raise ValueError("a count of frames that cannot be")
    return count


def _finite(number: Any) -> float:
    if not math.isfinite(value := float(number)):
        raise ValueError("no number")
    return value


def _true_false_or_none(answer: Any) -> bool | None:
    if answer is not None and not isinstance(answer, bool):
        raise ValueError("neither yes nor no")
    return answer


def _host_state(entry: dict[str, Any]) -> HostState:
    said = [entry.get(name) for name in HostState._fields[1:]]
    numbers = [None if value is None else _finite(value) for value in said]
    return HostState(_true_false_or_none(entry.get("synchronised")), *numbers)


def read_journal(path: Path) -> JournalRecord:
    """Read a journal, whole or damaged, growing or ended. A missing one reads as empty."""
    record = JournalRecord()
    try:
        # reading anything but a plain file (a pipe, say) could block for ever
        lines = path.read_bytes().split(b"\n") if path.is_file() else []
    except OSError:
        return record
    for line in lines:
        if not line.strip():
            continue
        try:
            record._enter(json.loads(line))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            record.lines_lost += 1
    return record
