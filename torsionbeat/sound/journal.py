"""The journal of a recording folder: what happened, line by line, readable whatever ended it.

In: entries while recording. Out: one JSON object a line in ``journal.jsonl``, only ever added to and handed
to the operating system whole, so a killed program loses at most the line it was writing. On reading, lines
that cannot be read are counted and passed over.

Every entry has ``what``; counts are frames from the start of the recording:

============ ============================================ ============================================
what         further keys                                 meaning
============ ============================================ ============================================
begun        format, sample_rate_hz, channels, keeps,     the recording was begun
             synchronised, identity
clock        stretch, frame, monotonic_ns, utc_ns         a ``ClockRow``, about one a second
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
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from torsionbeat.sound.timebase import Timebase, host_timebase

__all__ = ["JOURNAL_NAME", "Journal", "JournalRecord", "read_journal"]

JOURNAL_NAME = "journal.jsonl"
FORMAT = 1


class Journal:
    """A journal being written, a new file. Every method may raise OSError when the disk is full or gone.

    Raises
    ------
    FileExistsError
        There is a journal already, be it made at the same instant.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._file = os.open(path, flags, 0o600)  # a workshop's nights are its own
        self._whole = True

    def add(self, what: str, **details: Any) -> None:
        """Add an entry; when this returns, a kill of the program cannot take it back."""
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
    rows: list[tuple[int, int, int, int]] = field(default_factory=list)
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

    def clock_rows(self) -> npt.NDArray[np.int64]:
        """The clock rows, shape (n, 4), columns as in ``ClockRow``."""
        return np.array(self.rows, dtype=np.int64).reshape(-1, 4)

    def timebase(self, sample_rate_hz: float) -> Timebase:
        """The recorder's crystal against a reference clock if one was heard, else against the computer's clock.

        ``unknown`` where the journal is too short for either.
        """
        if self.reference is not None:
            return self.reference
        said = self.synchronised
        synchronised = False if False in said else True if said == {True} else None
        return host_timebase(self.clock_rows(), sample_rate_hz, synchronised)

    @property
    def identity(self) -> str:
        """What tells this recording from every other, wherever its folder lies: given at its birth, never changed.

        Journals that were begun without one are told by their first clock row; "" where there is none.
        """
        given = str((self.begun or {}).get("identity", ""))
        if given or not self.rows:
            return given
        return "-".join(str(count) for count in self.rows[0])

    def begun_utc_ns(self, sample_rate_hz: float) -> int | None:
        """Clock of day at frame 0 in ns since 1970, as first noted; None without a clock row."""
        if not self.rows:
            return None
        _, frame, _, utc_ns = self.rows[0]
        return utc_ns - round(1e9 * frame / sample_rate_hz)

    def _enter(self, entry: dict[str, Any]) -> None:
        match entry["what"]:
            case "begun":
                self.synchronised.add(entry.get("synchronised"))
                _ = int(entry["channels"]), float(entry["sample_rate_hz"]), str(entry["keeps"])
                self.begun = entry
            case "clock":
                row = tuple(int(entry[key]) for key in ("stretch", "frame", "monotonic_ns", "utc_ns"))
                self.rows.append(row)  # type: ignore[arg-type]
            case "sound":
                place = int(entry["file_frame"]), int(entry["start_frame"])
                self.sound.setdefault(str(entry["file"]), []).append(place)
            case "closed":
                self.closed[str(entry["file"])] = int(entry["frames"])
            case "gap":
                gap = int(entry["start_frame"]), int(entry["stop_frame"]), str(entry["why"])
                self.gaps.append(gap)
                self.last_frame = max(self.last_frame, gap[1])
            case "overflow":
                self.overflows += 1
            case "clock set":
                self.clock_steps.append((int(entry["frame"]), float(entry["step_s"])))
            case "network time":
                self.synchronised.add(entry["synchronised"])
            case "reference":
                ppm, doubt_ppm = float(entry["offset_ppm"]), float(entry["standard_uncertainty_ppm"])
                self.reference = Timebase("reference ticks", ppm, doubt_ppm)
            case "stopped":
                self.stopped = str(entry["why"])
            case "ended":
                self.ended_frame = int(entry["frame"])
        self.last_frame = max(self.last_frame, int(entry.get("frame", 0)))


def read_journal(path: Path) -> JournalRecord:
    """Read a journal, whole or damaged, still growing or long ended. A missing one reads as empty."""
    record = JournalRecord()
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError:
        return record
    for line in lines:
        if not line.strip():
            continue
        try:
            record._enter(json.loads(line))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
            record.lines_lost += 1
    return record
