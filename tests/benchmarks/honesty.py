"""Whether the stated 95 % intervals hold the truth as often as they say.

Run: python tests/benchmarks/honesty.py [recordings]

Seeded recordings of both kinds of clock: 5 minutes to 2 hours long, drops 12 to 2000 sigma above the room, jitter of
single sounds 0.2 to 20 ms, drive wandering by 0 to 3 %, the recorder's crystal off by up to 50 ppm and stated. The
true period is the mean over the stretch heard. Target: each interval holds the truth in 90 to 99 of 100.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import multiprocessing
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from scoring import Score, holds, score_scene

from torsionbeat.twin import SCENES, Recorder, at_sigmas


def scene_of(seed: int):
    """One random clock in one random room."""
    rng = np.random.default_rng([seed, 77])
    name = "clear" if rng.random() < 0.7 else "four_hundred_day"
    duration_s = 60 * float(np.exp(rng.uniform(np.log(5), np.log(120))))
    scene = SCENES[name](seed, duration_s)
    drop = float(np.exp(rng.uniform(np.log(12), np.log(2000))))
    clock = replace(
        scene.clock,
        jitter_ms=float(np.exp(rng.uniform(np.log(0.2), np.log(20)))),
        drive=replace(scene.clock.drive, wander_percent=float(rng.uniform(0, 3))),
    )
    recorder = Recorder(16_000, crystal_ppm=float(rng.uniform(-50, 50)))
    contact = drop / 3 if name == "clear" else None
    clock, room = at_sigmas(clock, scene.room, recorder, drop_sigma=drop, contact_sigma=contact)
    return replace(scene, clock=clock, room=room, recorder=recorder), name


def run(seed: int) -> Score:
    """Score one recording."""
    np.seterr(under="ignore")
    scene, name = scene_of(seed)
    return score_scene(scene, name, seed)


def main() -> int:
    """Run all, print the shares; exit 1 where one lies outside 90 to 99 %."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    started = time.monotonic()
    with multiprocessing.get_context("spawn").Pool() as pool:
        scores = pool.map(run, range(1000, 1000 + count), chunksize=1)
    missed = 0
    unheard = [score for score in scores if not score.heard]
    print(f"{count} recordings, {len(unheard)} in which no clock was heard")
    for label, error, spread in (
        ("period", "period_ppm", "period_u_ppm"),
        ("beat error", "beat_error_ms", "beat_error_u_ms"),
        ("arc", "arc_deg", "arc_u_deg"),
    ):
        for kind in ("clear", "four_hundred_day", "both"):
            own = [score for score in scores if kind in ("both", score.name)]
            pulls = [
                (getattr(score, error) / getattr(score, spread), score.seed)
                for score in own
                if holds(getattr(score, error), getattr(score, spread)) is not None
            ]
            if not pulls:
                continue
            held = sum(abs(pull) <= 1.96 for pull, _ in pulls)
            share = held / len(pulls)
            outside = kind == "both" and not 0.90 <= share <= 0.99
            missed += outside
            worst = sorted(pulls, key=lambda pair: -abs(pair[0]))[:4]
            far = ", ".join(f"{pull:+.1f} u in {seed}" for pull, seed in worst)
            print(
                f"{label:11} {kind:17} {held:4} of {len(pulls):4} {share:6.1%} {'MISSED' if outside else ''}  worst {far}"
            )
    print(f"{time.monotonic() - started:.0f} s")
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
