"""The process that reads one recording for the page: a file that crashes its decoder harms nothing else.

Input: a request as JSON on standard input. Output: lines of JSON: the share that is read, then the reading with its
sentences and plots, or the error as a sentence. A request with ``minute`` assembles beats of a recording instead.
Time and memory are limited before the file is opened.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path
from typing import Any

from torsionbeat.errors import TorsionbeatError

__all__ = ["main"]

# Any seed would do.
SAMPLE_MINUTES, SAMPLE_SEED = 12.0, 7
SAMPLE_RATE_HZ = 16_000
"""Twelve minutes hold two dozen beats, enough for every figure; at 16 kHz making and reading take seconds."""

NICENESS = 10
"""Reading yields the processor to listening."""


def main() -> int:
    """Read the recording named by the request on standard input."""
    request = json.loads(sys.stdin.read())
    _limit(float(request["reading_s"]), int(request["memory_bytes"]))
    told = [-1.0]

    def tell(row: dict[str, Any]) -> None:
        print(json.dumps(row, allow_nan=False), flush=True)

    def progress(share: float) -> None:
        if share >= told[0] + 0.02 or share >= 1:
            told[0] = share
            tell({"share": round(share, 3)})

    try:
        tell(_put_together(request) if "minute" in request else _read(request, progress))
    except TorsionbeatError as error:
        tell({"error": str(error)})
    except MemoryError:
        tell(
            {
                "error": "The file asks for more memory than a recording needs. Export it anew as WAV or FLAC and send that."
            }
        )
    return 0


def _limit(reading_s: float, memory_bytes: int) -> None:
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    with contextlib.suppress(
        ImportError, OSError, ValueError
    ):  # Windows has no such limits; the time limit of the supervisor remains
        import resource

        os.nice(NICENESS)
        resource.setrlimit(resource.RLIMIT_CPU, (int(reading_s), int(reading_s) + 5))
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _read(request: dict[str, Any], progress: Any) -> dict[str, Any]:
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.display.words import reading_sentences
    from torsionbeat.jobs.hear import HearRequest, hear
    from torsionbeat.page.plots import reading_plots
    from torsionbeat.reading.document import reading_document

    if request["make_sample"]:
        make_sample(Path(request["path"]))
    known = KnownClock(
        request["clock"],
        nominal_period_s=request["period_s"],
        lift_deg=request["lift_deg"],
        log=request["log"],
    )
    found = hear(HearRequest((Path(request["path"]),), known), progress=progress).analysis
    return {
        "document": reading_document(found.reading),
        "sentences": reading_sentences(found.reading),
        "plots": reading_plots(found.reading, found.heard.voices),
    }


def _put_together(request: dict[str, Any]) -> dict[str, Any]:
    from torsionbeat.history.nights import reading_from_document
    from torsionbeat.jobs.beat_sounds import DigestRequest, digest

    recording, output = Path(request["path"]), Path(request["minute"])
    reading = reading_from_document(request["document"])
    made = digest(
        DigestRequest(recording, output, beats=int(request["beats"]), levelled=True, reading=reading)
    )
    return {"beats": made.beats}


def make_sample(path: Path, seed: int = SAMPLE_SEED) -> None:
    """Make the sample: an invented clock of 60 s in a quiet room, gaining a little and somewhat out of beat.

    Parameters
    ----------
    path : Path
    seed : int
        Seed of the random parts: another seed gives another night of the same clock.
    """
    from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, at_sigmas, simulate

    clock = TwinClock(
        balance=Balance(60.0, q=300.0),
        escapement=Escapement(lift_deg=20.0, offset_deg=3.0),
        drive=Drive(arc_deg=438.0, wander_percent=0.5),
        start_s=-7.0,
    ).with_period(59.974)
    clock, room = at_sigmas(clock, Room(), drop_sigma=2000.0, contact_sigma=400.0)
    rendering = simulate(clock, room, Recorder(SAMPLE_RATE_HZ), SAMPLE_MINUTES * 60, seed)
    rendering.write(path)


if __name__ == "__main__":
    sys.exit(main())
