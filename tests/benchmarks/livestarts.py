"""The first figures of a live start: are they ever wrong, and how soon do they come?

    python tests/benchmarks/livestarts.py                   # 20 starts of each kind, asked at every quarter of a period
    python tests/benchmarks/livestarts.py 300 --steps 10    # asked at every tenth
    python tests/benchmarks/livestarts.py 500 --as-shown --last 10.5 --kinds clean noisy    # asked when `torsionbeat listen` asks
    python tests/benchmarks/livestarts.py 50 --first 1000 --results starts.txt    # in pieces, a line a start
    python tests/benchmarks/livestarts.py --told starts.txt    # the table of all pieces so far

Clean twins, noisy twins, real ticks (`real_ticks.py`, where its clips are) and a second simulator (`resonances.py`), of 6 to 60
s, listened to from a random moment on and asked again and again from one period to ten. Target: at most 1 of 200 figures shown
is five or more of its standard uncertainties off; the first figures come by four periods in 90 % of the clean starts. Stricter,
and printed too: how many starts show such a figure at any asking.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from itertools import count, takewhile
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
import real_ticks
import resonances
from realsounds import FAR, FIGURES
from scoring import score_reading

from torsionbeat.errors import NothingHeardError
from torsionbeat.hearing.listener import Listener
from torsionbeat.live.session import first_asking
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.measuring import reading_of
from torsionbeat.sound.timebase import stated_timebase
from torsionbeat.tracks.bands import plan_bands
from torsionbeat.twin import Balance, Recorder, at_sigmas, simulate
from torsionbeat.twin.scenes import BUSY, Room, four_hundred_day_clock, sixty_second_clock

KINDS = ("clean", "noisy", "real", "resonances")
LAST = 10.0
RATE = 16_000


@dataclass(frozen=True)
class Start:
    """One start: after how many periods the first figures came (nan: never), and what was wrong, at which asking."""

    kind: str
    seed: int
    first: float
    wrong: tuple[str, ...]
    shown: int = 0
    """Figures shown, all askings together."""


def twin(kind: str, seed: int):
    """Sound, truth, nominal period, lift and rate of a clean or a noisy twin, from a random moment on."""
    rng = np.random.default_rng([seed, 31])
    clock = sixty_second_clock(seed) if rng.random() < 0.4 else four_hundred_day_clock(seed)
    nominal = float(min((12.0, 15.0, 20.0, 60.0), key=lambda s: abs(s - clock.balance.period_s)))
    clock = replace(clock, sounds=("contact", "drop"))
    if rng.random() < 0.3:
        nominal = 6.0
        clock = replace(clock, balance=Balance(6.0 * (1 + 3e-4 * float(rng.standard_normal())), q=300.0))
    drop, room = (
        (2000.0, Room()) if kind == "clean" else (float(np.exp(rng.uniform(np.log(12), np.log(100)))), BUSY)
    )
    recorder = Recorder(RATE)
    clock, room = at_sigmas(
        clock, room, recorder, drop_sigma=drop, contact_sigma=drop / float(rng.uniform(2, 6))
    )
    made = simulate(clock, room, recorder, (LAST + 1) * nominal, seed)
    return made.samples(), made.truth, nominal, clock.escapement.lift_deg, RATE


def other(kind: str, seed: int):
    """The same of real ticks, or by the second simulator."""
    made = real_ticks.make(2 * seed) if kind == "real" else resonances.make(2 * seed)
    sound = made.sound[: int((LAST + 1) * made.nominal_period_s * made.rate_hz)]
    return sound, made.truth, made.nominal_period_s, made.lift_deg, made.rate_hz


def as_shown(nominal_s: float) -> Iterator[float]:
    """Periods after which a live session asks, if asking costs nothing: with a cost it asks more seldom."""
    asking = first_asking(nominal_s)
    while True:
        yield asking.next_s / nominal_s
        asking.asked(asking.next_s, 0.0, nominal_s)


def askings(steps: int, last: float, nominal_s: float) -> Iterator[float]:
    """Periods after which is asked; no ``steps`` a period: as the live session does."""
    every = as_shown(nominal_s) if not steps else (step / steps for step in count(steps))
    return takewhile(lambda periods: periods <= last, every)


def run(job: tuple[str, int, int, float]) -> Start:
    """Listen to one start, asking as it goes."""
    np.seterr(under="ignore")
    kind, seed, steps, last = job
    sound, truth, nominal, lift, rate = twin(kind, seed) if kind in ("clean", "noisy") else other(kind, seed)
    listener = Listener(rate, 1, nominal_period_s=nominal)
    first, wrong, shown, fed, asked_at = float("nan"), [], 0, 0, -1
    chunk = plan_bands(rate).chunk_samples
    for periods in askings(steps, last, nominal):
        upto = min(int(periods * nominal * rate), len(sound))
        listener.feed(sound[fed:upto])
        fed = upto
        if fed // chunk == asked_at:
            continue  # it hears chunk by chunk: within one it says the same again
        asked_at = fed // chunk
        try:
            reading = reading_of(
                listener.heard_so_far(), Clock("", nominal, lift), stated_timebase(0.0), f"{kind} {seed}"
            )
        except NothingHeardError:
            continue
        first = periods if np.isnan(first) else first
        score = score_reading(kind, seed, reading, truth, lift is not None, ())
        for label, error, spread in FIGURES:
            miss, u = getattr(score, error), getattr(score, spread)
            if not (np.isfinite(miss) and np.isfinite(u)):
                continue
            shown += 1
            if abs(miss) > FAR * u:
                wrong.append(f"{label} at {periods:.2f} periods {miss:+.2f} with {u:.2f} stated")
        if not score.beats_found:
            wrong.append(f"no true beat at {periods:.2f} periods")
    return Start(kind, seed, first, tuple(wrong), shown)


def told(path: Path) -> list[Start]:
    """The starts of a file of results, each once; of one run again the last."""
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    starts = [
        Start(
            one["kind"],
            one["seed"],
            float("nan") if one["first"] is None else one["first"],
            tuple(one["wrong"]),
            one.get("shown", 0),
        )
        for one in lines
    ]
    return list({(start.kind, start.seed): start for start in starts}.values())


def line_of(start: Start) -> str:
    """One start as a line of JSON; a start without figures has no first."""
    return json.dumps(asdict(start) | {"first": None if np.isnan(start.first) else start.first}) + "\n"


def show(starts: list[Start]) -> bool:
    """Print the table; whether a target is missed."""
    missed = False
    for kind in KINDS:
        own = [start for start in starts if start.kind == kind]
        if not own:
            continue
        firsts = np.array([start.first for start in own])
        wrong = [start for start in own if start.wrong]
        soon, seen = np.mean(firsts <= 4), firsts[np.isfinite(firsts)]
        shown, off = sum(start.shown for start in own), sum(len(start.wrong) for start in own)
        middle = float(np.median(seen)) if len(seen) else float("nan")
        print(
            f"{kind:10} {len(own)} starts, {shown} figures: {off} wrong, in {len(wrong)} starts; "
            f"figures by 4 periods {soon:.0%}, median {middle:.2f}"
        )
        for start in wrong:
            print(
                f"  seed {start.seed}: {start.wrong[0]}"
                + (f" and {len(start.wrong) - 1} more" if start.wrong[1:] else "")
            )
        missed |= off * 200 > shown or (kind == "clean" and soon < 0.9)
    return missed


def main() -> int:
    """Run, print; exit 1 where a target is missed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("starts", type=int, nargs="?", default=20)
    parser.add_argument("--steps", type=int, default=4, help="askings a period")
    parser.add_argument(
        "--as-shown", action="store_true", help="ask when a live session asks, and not by steps"
    )
    parser.add_argument("--last", type=float, default=LAST, help="periods after which it is asked no more")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--results", type=Path, help="add a line for each start to this file; those in it are not run again"
    )
    parser.add_argument("--told", type=Path, help="run nothing: print the table of such a file")
    options = parser.parse_args()
    if options.told is not None:
        return int(show(told(options.told)))
    seeds = range(options.first, options.first + options.starts)
    steps = 0 if options.as_shown else options.steps
    jobs = [(kind, seed, steps, options.last) for seed in seeds for kind in options.kinds]
    if options.results is not None and options.results.exists():
        known = {(start.kind, start.seed) for start in told(options.results)}
        jobs = [job for job in jobs if job[:2] not in known]
    began = time.monotonic()
    starts = []
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        for start in pool.imap_unordered(run, jobs):
            starts.append(start)
            if options.results is not None:
                with options.results.open("a", encoding="utf-8") as file:
                    file.write(line_of(start))
    missed = show(starts)
    print(f"{len(starts)} starts, {time.monotonic() - began:.0f} s")
    return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
