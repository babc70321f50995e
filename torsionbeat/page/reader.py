"""Reading one recording in a supervised process of its own; the record of it before and after.

Input: a recording on disk, limits of time and memory. Output: the recording with its reading or its error.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

__all__ = ["BROKEN", "SAMPLE_NAME", "Limits", "Recording", "read_recording"]

SAMPLE_NAME = "The sample: an invented clock of 60 s, twelve minutes"

BROKEN = (
    "Reading was broken off: the file took too much time or memory, or its decoder failed. The page is not harmed by it. "
    "Export the recording anew as WAV or FLAC and send that."
)


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of an upload and of its reading.

    Attributes
    ----------
    upload_bytes : int
        A night at 48 kHz and 24 bit takes 2.5 GB.
    free_bytes : int
        This much of the disk stays free for the log and for listening.
    piece_s, slowest_bytes_per_s : float
        Longest wait for a piece of an upload, and lowest average speed of the whole.
    uploads : int
        Most uploads at one time.
    reading_s, silence_s : float
        Most processor time of a reading, and longest time between two reports of its progress.
    memory_bytes : int
        Address space of the reading process.
    """

    upload_bytes: int = 4_000_000_000
    free_bytes: int = 500_000_000
    piece_s: float = 20.0
    slowest_bytes_per_s: float = 4_000.0
    uploads: int = 4
    reading_s: float = 1800.0
    silence_s: float = 120.0
    memory_bytes: int = 3_000_000_000
    command: tuple[str, ...] = (sys.executable, "-m", "torsionbeat.page.worker")


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording and its state.

    ``state`` is ``waiting``, ``reading``, ``read``, ``failed`` or ``kept``; ``share`` is how much is read. ``document``,
    ``sentences`` and ``plots`` are the reading's; ``error`` says why there is none. ``clock`` is the name that was chosen
    for it, ``kept_for`` the clock it is kept with.
    """

    id: str
    name: str
    path: str
    size: int
    came_at: str
    began_s: float | None = None
    clock: str = ""
    period_s: float | None = None
    lift_deg: float | None = None
    state: str = "waiting"
    share: float = 0.0
    document: dict[str, Any] | None = None
    sentences: tuple[str, ...] = ()
    plots: dict[str, Any] = field(default_factory=dict)
    error: str = ""
    kept_for: str = ""

    @property
    def came(self) -> datetime:
        """When it arrived."""
        return datetime.fromisoformat(self.came_at)


def read_recording(
    one: Recording,
    log: str | None,
    limits: Limits,
    told: Callable[[Recording], Recording],
    hold: Callable[[subprocess.Popen[str] | None], None],
) -> Recording:
    """Read a recording in a supervised process of its own; give it with its reading or its error.

    Parameters
    ----------
    one : Recording
    log : str or None
    limits : Limits
    told : callable
        Called with each new state of the recording; returns its current state.
    hold : callable
        Called with the process when it starts, and with None when it has ended.
    """
    told(one)
    request = {
        "path": one.path,
        "make_sample": one.name == SAMPLE_NAME and not Path(one.path).exists(),
        "clock": one.clock or None,
        "period_s": one.period_s,
        "lift_deg": one.lift_deg,
        "log": log,
        "reading_s": limits.reading_s,
        "memory_bytes": limits.memory_bytes,
    }
    process = subprocess.Popen(
        limits.command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=None if os.environ.get("TORSIONBEAT_DEBUG") == "1" else subprocess.DEVNULL,
        text=True,
        encoding="utf-8",
    )
    hold(process)
    heard_of = [time.monotonic()]
    over = threading.Event()

    def watch() -> None:
        began = time.monotonic()
        while not over.wait(0.5):
            now = time.monotonic()
            if now - heard_of[0] > limits.silence_s or now - began > 3 * limits.reading_s:
                process.kill()

    threading.Thread(target=watch, daemon=True).start()
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(json.dumps(request))
            process.stdin.close()
        for line in process.stdout:
            heard_of[0] = time.monotonic()
            answer = json.loads(line)
            if "share" in answer:
                one = told(replace(one, share=float(answer["share"])))
            elif "error" in answer:
                return replace(one, state="failed", error=_by_its_own_name(str(answer["error"]), one))
            else:
                return replace(
                    one, state="read", share=1.0, document=answer["document"],
                    sentences=tuple(answer["sentences"]), plots=answer["plots"],
                )  # fmt: skip
    except (ValueError, KeyError, TypeError):
        pass  # the output of the process makes no sense: it broke off
    finally:
        over.set()
        hold(None)
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()
    return replace(one, state="failed", error=BROKEN)


def _by_its_own_name(said: str, one: Recording) -> str:
    """A sentence about a recording that names it as its sender does, not by the number under which it is kept."""
    return said.replace(one.path, one.name).replace(Path(one.path).name, one.name)
