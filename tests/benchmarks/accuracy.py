"""How well the hearing does, scene by scene, against its targets. Run: python tests/benchmarks/accuracy.py [seeds]

Each scene is rendered by the twin to a file and analysed from it. Printed: the worst of the seeds, the target, and
how often the 95 % interval held the truth.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import multiprocessing
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from scoring import Score, holds, score_scene

from torsionbeat.twin import SCENES

MINUTE = 60.0
CLEAR = {
    "time": 0.7,
    "period": 1.0,
    "arc": 0.5,
    "arc_rms": 2.0,
    "beat": 1.0,
    "offset": 0.1,
    "found": 1.0,
    "false": 0.0,
}
CASES: list[tuple[str, float, dict[str, float]]] = [
    ("clear", 40 * MINUTE, CLEAR),
    ("extra_sounds", 40 * MINUTE, CLEAR),
    ("four_hundred_day", 40 * MINUTE, CLEAR),
    ("gaps", 40 * MINUTE, CLEAR),
    ("clipped", 40 * MINUTE, CLEAR),
    ("lossy", 40 * MINUTE, CLEAR),
    ("phone16k", 40 * MINUTE, CLEAR),
    ("stereo", 40 * MINUTE, CLEAR),
    ("fast_crystal", 40 * MINUTE, CLEAR),
    ("changing_arc", 60 * MINUTE, {"arc_rms": 2.0}),
    ("drive_lost", 60 * MINUTE, {"arc_rms": 2.0}),
    ("noisy", 60 * MINUTE, {"found": 0.98, "false": 0.01, "period": 2.0, "arc": 1.0}),
    ("buried", 95 * MINUTE, {"period": 3.0, "arc": 5.0, "beat": 40.0}),
    ("quartz_room", 40 * MINUTE, {"found": 0.95, "false": 0.0}),
    ("pendulum_room", 40 * MINUTE, {"found": 0.95, "false": 0.0}),
    ("balance_room", 40 * MINUTE, {"found": 0.95, "false": 0.0}),
    ("two_torsion_clocks", 40 * MINUTE, {"found": 0.95, "false": 0.0}),
    *[
        (name, 10 * MINUTE, {"none": 0.0})
        for name in ("quiet_room", "rain", "fire", "drip", "speech", "quartz_alone", "ordinary_clocks")
    ],
]


def run(job: tuple[str, float, int]) -> Score:
    """One recording."""
    np.seterr(under="ignore")
    name, duration_s, seed = job
    return score_scene(SCENES[name](seed, duration_s), name, seed)


def figure(scores: list[Score], what: str) -> float:
    """The worst of a scene's seeds in one figure."""
    if what == "none":
        return float(sum(score.heard for score in scores))
    if what == "found":
        return min(score.beats_found / score.beats_true for score in scores)
    if what == "false":
        return max(score.beats_false / max(score.beats_true, 1) for score in scores)
    field = {
        "time": "time_rms_ms",
        "period": "period_ppm",
        "arc": "arc_deg",
        "arc_rms": "arc_rms_deg",
        "beat": "beat_error_ms",
        "offset": "offset_deg",
    }[what]
    values = np.abs([getattr(score, field) for score in scores])
    if np.isnan(values).all():
        return float("nan")
    return float(np.max(values[np.isfinite(values)]))


UNITS = {
    "time": "ms rms",
    "period": "ppm",
    "arc": "deg",
    "arc_rms": "deg rms",
    "beat": "ms",
    "offset": "deg",
    "found": "share found",
    "false": "share false",
    "none": "clocks heard",
}


def main() -> int:
    """Run all, print the table; exit 1 where a target is missed."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    jobs = [(name, duration_s, seed) for name, duration_s, _ in CASES for seed in range(100, 100 + seeds)]
    started = time.monotonic()
    with multiprocessing.get_context("spawn").Pool() as pool:
        scores = pool.map(run, jobs, chunksize=1)
    missed = 0
    print(f"{'scene':20} {'figure':13} {'worst':>9} {'target':>8}")
    for name, _, targets in CASES:
        own = [score for score in scores if score.name == name]
        for what, target in targets.items():
            worst = figure(own, what)
            if np.isnan(worst) and all(score.heard for score in own):
                continue
            within = worst >= target if what == "found" else worst <= target
            missed += not within
            print(f"{name:20} {UNITS[what]:13} {worst:9.3f} {target:8.3g} {'' if within else '  MISSED'}")
    for label, error, spread in (
        ("period", "period_ppm", "period_u_ppm"),
        ("beat error", "beat_error_ms", "beat_error_u_ms"),
        ("arc", "arc_deg", "arc_u_deg"),
    ):
        kept = [holds(getattr(score, error), getattr(score, spread)) for score in scores]
        counted = [one for one in kept if one is not None]
        print(f"95 % interval of the {label} held the truth in {sum(counted)} of {len(counted)}")
    print(f"{len(jobs)} recordings, {missed} targets missed, {time.monotonic() - started:.0f} s")
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
