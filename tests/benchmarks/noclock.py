"""Sound without a torsion clock, from quiet to loud: in how many recordings is one reported?

Run: python tests/benchmarks/noclock.py [seeds]

Seven kinds of sound (a quiet room, rain, a fire, a dripping tap, speech, a quartz clock alone, a quartz clock and
another), 2 to 20 minutes long, each seed heard with a nominal period told and without. Target: none reported.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import multiprocessing
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from torsionbeat.errors import NothingHeardError
from torsionbeat.reading.analysis import analyse_fully
from torsionbeat.reading.figures import Clock
from torsionbeat.twin import SCENES

KINDS = ("quiet_room", "rain", "fire", "drip", "speech", "quartz_alone", "ordinary_clocks")
NOMINALS = (60.0, 12.0, 6.0, 20.0)


def run(job: tuple[str, int]) -> list[str]:
    """What was reported for one sound, with and without a nominal period."""
    np.seterr(under="ignore")
    name, seed = job
    duration_s = 60 * float(np.random.default_rng([seed, 5]).uniform(2, 20))
    out = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sound.flac"
        SCENES[name](seed, duration_s).render().write(path, with_truth=False)
        for nominal in (NOMINALS[seed % len(NOMINALS)], None):
            try:
                reading = analyse_fully(path, Clock("", nominal)).reading
            except NothingHeardError:
                continue
            out.append(
                f"{name} {seed}, {duration_s:.0f} s, told {nominal}: {reading.period_s} from {reading.beats_heard} beats"
            )
    return out


def main() -> int:
    """Run all, print what was reported; exit 1 where anything was."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    jobs = [(name, seed) for name in KINDS for seed in range(300, 300 + seeds)]
    started = time.monotonic()
    with multiprocessing.get_context("spawn").Pool() as pool:
        reported = [line for lines in pool.map(run, jobs, chunksize=1) for line in lines]
    print(
        f"{len(jobs)} recordings without a clock, each heard twice: {len(reported)} clocks reported (target 0)"
    )
    print(*reported, sep="\n")
    print(f"{time.monotonic() - started:.0f} s")
    return 1 if reported else 0


if __name__ == "__main__":
    raise SystemExit(main())
