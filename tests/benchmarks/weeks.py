"""Hidden clocks brought to time through the commands alone: clock add, readings kept, correct --keep, note.

Run from the top folder: ``python tests/benchmarks/weeks.py [CLOCKS] [--case NAME] [--words]``.

Each clock is one of `regulation.py`, with its own answer to weights and regulator, of either sign. A night is eight hours of
beats with 0.4 ms of scatter; its mean rate differs from the long-run rate by a normal deviate, and for two clocks in three
nothing of that shows within it. Notes are made, forgotten, late, twice or without amount. A reading that the program finds
odd is kept all the same, as by somebody who does not listen. ``--words`` prints what the program said to a person. For each
clock: promises (JSON: ``expected_interval_s_per_day``) that held the next night's true mean, their widths (``!`` where one
did not hold), the night called done, and the true long-run rates.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import math
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from regulation import BenchClock, draw

from torsionbeat.cli import main as torsionbeat
from torsionbeat.jobs.keep_reading import ReadingRequest, keep_reading
from torsionbeat.theory.rate import fit_beats

START = datetime(2025, 3, 1, 21, tzinfo=UTC)
NIGHT_S = 8 * 3600.0
STEPS = 96
SCATTER_S = 4e-4
CRYSTAL_PPM = 0.5
NIGHTS = 10
SHOWS = 1 / 3
WEIGHT_ERROR = 0.01
"""Half-width of what all weights of one change err by together."""

HELD_WEIGHTS = ("--weights", "0.05,0.1,0.2,0.5,1,2,5", "--regulator-step", "0.02", "--to", "1")


@dataclass(frozen=True, slots=True)
class Case:
    """What is wrong: wander (s/day), a guess of the regulator off by a factor, its scale, and a note of one night."""

    name: str
    wander: float = 0.5
    guess: float | None = 1.0
    scale: tuple[float, float, float] = (-5.0, 5.0, 0.0)
    fault: tuple[int, str] = (-1, "")
    memory: float | None = None
    effect: float = 1.0  # what the regulator does, against what it would: 0 is one that slips
    away_days: int = 0  # how long the clock was away before its third night
    bounces: tuple[int, float] = (-1, 0.0)  # a night that was odd, and by how much
    looked: bool = True  # whether somebody said where the regulator stands


FAULTS = (
    "forgotten",
    "late",
    "twice",
    "no amount",
    "a side's grams",
    "milligrams",
    "kept twice",
    "a day early",
    "two halves",
    "not done",
    "wrong way",
)
"""What one note is, after those of the first four names: the grams of one side as those of all; a thousand times the grams;
kept by two commands that tell the same; dated before the reading it followed; in two notes of half each; kept though
nothing was done; of what was done the other way round (weights taken off that should be put on)."""

CASES = (
    Case("calm", 0.3),
    Case("wander 1", 1.0),
    Case("wander 3", 3.0),
    Case("wrong sign", 1.0, -1.0, (0.0, 10.0, 5.0)),
    Case("three times", 1.0, 3.0),
    Case("unknown", 1.0, None),
    Case("memory", memory=1.6),
    *(Case(what, fault=(1, what)) for what in FAULTS),
    Case("dead regulator", 0.5, effect=0.0),
    Case("weak regulator", 0.5, effect=0.1),
    Case("strong regulator", 0.5, effect=8.0),
    Case("nobody looked", 0.5, scale=(-5.0, 5.0, 2.0), looked=False),
    Case("another clock", 0.5, bounces=(2, 600.0)),
    Case("a year away", 0.5, away_days=365),
    Case("odd night", 0.5, bounces=(1, 40.0)),
)


@dataclass(slots=True)
class Bench:
    """A clock on the bench, its log, and what was said."""

    clock: BenchClock
    case: Case
    log: str
    rng: np.random.Generator
    said: list[str] = field(default_factory=list)
    late: list[tuple[str, ...]] = field(default_factory=list)

    def evening(self, number: int) -> datetime:
        """When a night begins."""
        return START + timedelta(days=number + (self.case.away_days if number > 1 else 0))

    def do(self, *words: str) -> str:
        """Run a command on the log; give its output."""
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = torsionbeat([*words, "--log", self.log])
        if "--json" not in words:
            self.said.append(f"$ {' '.join(words)}\n{out.getvalue()}{err.getvalue()}")
        if status and ("note" in words or self.case.fault[1] == "kept twice"):
            self.said[-1] += "(refused)\n"
        elif status:
            raise RuntimeError(f"{words}: {err.getvalue()}")
        return out.getvalue()

    def night(self, number: int, rate: float) -> None:
        """Hear a night of this mean rate and keep its reading."""
        rng, nominal = self.rng, self.clock.nominal_s
        share = math.exp(-NIGHT_S / STEPS / (12 * 3600.0))
        course = [rng.normal()]
        for _ in range(STEPS - 1):
            course.append(share * course[-1] + math.sqrt(1 - share**2) * rng.normal())
        wander = np.array(course) - np.mean(course)
        shown = self.case.wander * wander * (rng.uniform() < SHOWS)
        periods = np.concatenate([[0.0], np.cumsum((1 + (rate + shown) / 86400) * NIGHT_S / STEPS)]) / nominal
        beat = np.arange(1, int(2 * periods[-1]))
        time_s = np.interp(beat / 2, periods, np.linspace(0, NIGHT_S, STEPS + 1))
        time_s = time_s + SCATTER_S * rng.standard_normal(beat.size)
        period = fit_beats(time_s, beat).period_s
        u_rate = 86400 * math.hypot(period.std_dev / nominal, 1e-6 * CRYSTAL_PPM)
        swings = [
            {"time_s": float(t), "side": "ab"[int(n) % 2], "period_s": nominal, "arc_deg": 300.0}
            for t, n in zip(time_s, beat, strict=True)
        ]
        heard = int(beat.size)
        document = {
            "schema": 1,
            "recording": {"name": "n.flac", "duration_s": NIGHT_S, "sample_rate_hz": 48000.0, "channels": 1},
            "timebase": {"source": "stated", "offset_ppm": 0.0, "standard_uncertainty_ppm": CRYSTAL_PPM},
            "clock": {"nominal_period_s": nominal},
            "period_s": {"value": period.nominal_value, "standard_uncertainty": u_rate * nominal / 86400},
            "rate_s_per_day": {
                "value": 86400 * (nominal / period.nominal_value - 1),
                "standard_uncertainty": u_rate,
            },
            "beats": {"expected": heard, "heard": heard},
            "swings": swings,
        }
        began = self.evening(number)
        kept = keep_reading(ReadingRequest("Lamp", document, None, began, log=self.log))
        if kept.entry is None:
            self.said.append(f"Not kept: {' '.join(kept.odd)}")
            keep_reading(ReadingRequest("Lamp", document, None, began, keep_anyway=True, log=self.log))

    def adjust(self, number: int, grams: float, move: float, given: tuple[str, ...]) -> None:
        """Do what was advised, and note it as the case has it."""
        rng, when = self.rng, (self.evening(number) + timedelta(hours=12)).isoformat()
        night, fault = self.case.fault
        done = {"not done": 0.0, "wrong way": -1.0}.get(fault, 1.0) if number == night else 1.0
        self.clock.mass_g += done * grams * (1 + WEIGHT_ERROR * rng.uniform(-1, 1))
        self.clock.setting += done * move + 0.01 * rng.uniform(-1, 1) * bool(move)
        if number != night or fault in ("kept twice", "not done", "wrong way"):
            for _ in range(1 + (number == night and fault == "kept twice")):
                self.do("correct", "--clock", "Lamp", *given, "--keep", "--when", when)
            return
        grams *= {"a side's grams": 0.5, "milligrams": 1000.0, "two halves": 0.5}.get(fault, 1.0)
        move *= 0.5 if fault == "two halves" else 1.0
        if fault == "a day early":
            when = (self.evening(number) - timedelta(hours=12)).isoformat()
        notes = [("weights", "weights", f"added_g={grams:.4f}")] if grams else []
        notes += [("regulator", "regulator", f"moved={move:.4f}")] if move else []
        for what, kind, detail in notes:
            amount = () if fault == "no amount" else ("--detail", detail)
            note = ("note", "Lamp", f"{what} changed", "--work", kind, *amount, "--when", when)
            if fault == "late":
                self.late.append(note)
            for _ in range({"forgotten": 0, "late": 0, "twice": 2, "two halves": 2}.get(fault, 1)):
                self.do(*note)


def follow(number: int, case: Case, folder: str) -> tuple[str, list[str]]:
    """Bring one clock to time; give its line and all that was said."""
    rng = np.random.default_rng([41, number])
    clock = draw(rng)
    clock.low, clock.high, clock.start = case.scale
    clock.effect *= rng.choice([-1, 1])
    said_to_do, clock.effect = clock.effect, clock.effect * case.effect
    bench = Bench(clock, case, f"{folder}/{number}-{case.name}.sqlite", rng)
    low, high, stands = (str(one) for one in case.scale)
    scale = ("--regulator-low", low, "--regulator-high", high)
    scale += ("--regulator-setting", stands) if case.looked else ()
    told = (
        ()
        if case.guess is None
        else ("--regulator-effect", f"{said_to_do * case.guess / rng.uniform(0.7, 1.4):.3g}")
    )
    bench.do("clock", "add", "Lamp", "--period", str(clock.nominal_s), *scale, *told)
    given = HELD_WEIGHTS
    if case.memory is not None:
        per_gram = -43200 * clock.radius_mm**2 / clock.inertia_g_mm2
        given = (*given, "--earlier", f"3:{6 * per_gram * case.memory:.0f}")
    rates, widths, held, done, ends = [], [], [], "-", None
    for night in range(NIGHTS):
        rates.append(clock.long_run())
        true = rates[-1] + case.wander * rng.normal()
        bench.night(night, true + (case.bounces[1] if night == case.bounces[0] else 0.0))
        if ends is not None:
            held.append(ends["low"] <= true <= ends["high"])
            widths.append(f"{ends['high'] - ends['low']:.3g}{'' if held[-1] else '!'}")
        for note in bench.late:
            bench.do(*note)
        bench.late.clear()
        advice = json.loads(bench.do("correct", "--clock", "Lamp", *given, "--json"))
        bench.do("correct", "--clock", "Lamp", *given)
        if advice["action"] == "leave":
            done = str(night)
            break
        ends = advice["expected_interval_s_per_day"]
        grams = advice["weights"]["total_g"] if advice["weights"] else 0.0
        if night < NIGHTS - 1 and (grams or advice["regulator_move"]):
            bench.adjust(night, grams, advice["regulator_move"], given)
    course = " ".join(f"{rate:+.1f}" for rate in rates)
    line = f"{case.name:12}{number:3}  held {sum(held)}/{len(held)}  done {done:>2}  {'/'.join(widths)}  {course}"
    return line, bench.said


def main() -> None:
    """Print a line for each clock."""
    asked = argparse.ArgumentParser()
    asked.add_argument("clocks", type=int, nargs="?", default=3)
    asked.add_argument("--case", action="append")
    asked.add_argument("--words", action="store_true")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for case in CASES:
            if given.case is not None and case.name not in given.case:
                continue
            for number in range(given.clocks):
                line, said = follow(number, case, folder)
                print("\n".join([*said, line] if given.words else [line]), flush=True)


if __name__ == "__main__":
    main()
