"""What the beats tell of the wheels: ``python tests/benchmarks/wheels.py [NIGHTS] [HEALTHY] [ROW]``.

Nights of 8 hours of a 60 s clock from the twin's beats (arc, passage, times to 0.5 ms, loudness to 1.5 dB, 1 % of the
beats not heard), with a bad tooth of the escape wheel, an escape wheel out of true, a bad tooth one and two wheels up,
and healthy ones: with a wandering drive, with noise that comes and goes, with another clock in the room. Prints the
share of nights in which a fault was found, with the right turn and in which any other was. Seeds 0 to NIGHTS - 1 for
each row; the set-aside half are those from 10 000 on (``--aside``), looked at once.

A part of a row's name runs the rows that bear it alone (``40 50 --aside "one wheel up"``).

Clocks without a train given are searched through all turns; "train" rows have it given.

``--flutter [NIGHTS] [HEALTHY]`` instead: 960 beats of a clock of 6 to 9 s, heard from the sound at 16 kHz, that flutters in
1 of 50 beats in bursts; and healthy ones of 480 beats with an echo, another clock, talk and bangs, unlocking and banking.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from pathlib import Path

import numpy as np

from torsionbeat.errors import TorsionbeatError
from torsionbeat.hearing.listener import Listener
from torsionbeat.reading.document import swing_levels_db
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.measuring import reading_of
from torsionbeat.reading.movement import with_movement
from torsionbeat.reading.wheels import find_wheels
from torsionbeat.sound.timebase import stated_timebase
from torsionbeat.theory.train import Train
from torsionbeat.twin import (
    BadTooth,
    Balance,
    Bangs,
    Drive,
    Eccentric,
    Escapement,
    Flutter,
    OtherClock,
    Recorder,
    Room,
    Talk,
    TwinClock,
    simulate,
)

NIGHT_S = 8 * 3600.0
TRAIN = Train(15, ((60, 8), (72, 10)))
CLOCK = Clock("", 60.0, 20.0)


def readings_of_beats():
    path = Path(__file__).parents[1] / "twin_readings.py"
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.reading_of_beats


READING = readings_of_beats()


def night(seed, faults=(), *, wander=1.0, room="quiet", hours=8.0):
    """Give swings, levels and intervals of other clocks of one night."""
    rng = np.random.default_rng([seed, 5])
    twin = TwinClock(
        balance=Balance(60.0, q=rng.uniform(300, 1000)),
        escapement=Escapement(lift_deg=20.0, offset_deg=rng.uniform(0, 2)),
        drive=Drive(arc_deg=rng.uniform(380, 470), wander_percent=wander),
        train_faults=tuple(faults),
    )
    beats, _ = twin.run(hours * 3600, seed)
    reading = READING(beats, CLOCK, duration_s=hours * 3600, seed=seed, missed=0.01)
    levels = {kind: swing_levels_db(reading, kind) for kind in ("contact", "drop")}
    number, others = reading.swings.number, ()
    worse = np.zeros(len(number))
    for fault in faults:
        if isinstance(fault, BadTooth):
            worse += [fault.drop_db * fault.passes(int(one)) for one in number]
    levels["drop"] = levels["drop"] + worse
    if room == "fridge":  # on for half of a cycle near a wheel's turn: 900 s are 30 beats
        every_s = rng.choice([900.0, 6750.0]) * (1 + rng.uniform(-0.01, 0.01))
        noise = 5.0 * (np.mod(reading.swings.time_s / every_s + rng.random(), 1.0) < 0.5)
        levels = {kind: row - noise for kind, row in levels.items()}
    if (
        room == "clock"
    ):  # its tick raises what falls on it; its interval comes round with the beats after some turns
        interval_s = 900.0 / rng.integers(500, 4000)
        drop_s = reading.swings.time_s + np.nan_to_num(reading.swings.lift_passage_s) / 2
        near = np.mod(drop_s / interval_s + rng.random(), 1.0) < 0.04
        levels["drop"] = levels["drop"] + 6.0 * near
        others = (interval_s * (1 + rng.uniform(-1e-4, 1e-4)),)  # as near as the hearing tells it
    return reading.swings, levels, others


def tooth(rng, **more):
    """Give a bad tooth of the escape wheel: two places a turn, on different sides."""
    first = int(rng.integers(30))
    return BadTooth(30, (first, (first + 2 * int(rng.integers(15)) + 1) % 30), **more)


ROWS = {
    "bad tooth, drop 2 dB softer": (lambda rng: tooth(rng, drop_db=-2.0), 30.0, None),
    "bad tooth, drop 4 dB softer": (lambda rng: tooth(rng, drop_db=-4.0), 30.0, None),
    "bad tooth, drop 8 dB softer": (lambda rng: tooth(rng, drop_db=-8.0), 30.0, None),
    "bad tooth, passage 2 % longer": (lambda rng: tooth(rng, passage_percent=2.0), 30.0, None),
    "bad tooth, passage 5 % longer": (lambda rng: tooth(rng, passage_percent=5.0), 30.0, None),
    "escape wheel out of true, 0.2 % of lift": (lambda rng: Eccentric(30, 0.2, 0.0, rng.uniform(0, 30)), 30.0, None),
    "escape wheel out of true, 0.5 % of lift": (lambda rng: Eccentric(30, 0.5, 0.0, rng.uniform(0, 30)), 30.0, None),
    "escape wheel out of true, 10 % of push": (lambda rng: Eccentric(30, 0.0, 10.0, rng.uniform(0, 30)), 30.0, None),
    "one wheel up, 30 % of push for 3.75 beats, train": (
        lambda rng: BadTooth(225, (int(rng.integers(225)),), 3.75, push_factor=0.7), 225.0, TRAIN),
    "one wheel up, 60 % of push for 3.75 beats, train": (
        lambda rng: BadTooth(225, (int(rng.integers(225)),), 3.75, push_factor=0.4), 225.0, TRAIN),
    "one wheel up, 60 % of push for 3.75 beats": (
        lambda rng: BadTooth(225, (int(rng.integers(225)),), 3.75, push_factor=0.4), 225.0, None),
    "two wheels up, 30 % of push for 22.5 beats, train, 60 h": (
        lambda rng: BadTooth(1620, (int(rng.integers(1620)),), 22.5, push_factor=0.7), 1620.0, TRAIN),
}  # fmt: skip

HEALTHY = {
    "drive steady to 1 %": {},
    "drive wanders by 3 %": {"wander": 3.0},
    "noise that comes and goes with a wheel": {"room": "fridge"},
    "another clock in the room": {"room": "clock"},
}


def main(nights=40, healthy=50, offset=0, only=""):
    began = time.time()
    print(f"{'fault':58s} {'nights':>6s} {'found':>6s} {'turn':>6s} {'other':>6s}")
    for name, (make, beats, train) in ROWS.items():
        if only not in name or not nights:
            continue
        found = right = other = 0
        for seed in range(offset, offset + nights):
            rng = np.random.default_rng([seed, 9])
            swings, levels, others = night(seed, (make(rng),), hours=60.0 if "60 h" in name else 8.0)
            faults = find_wheels(swings, levels, train, others)
            hit = [fault for fault in faults or () if abs(fault.every_beats / beats - 1) < 0.01]
            found += bool(faults)
            right += bool(hit)
            other += len(faults or ()) > len(hit)
        print(
            f"{name:58s} {nights:6d} {found / nights:6.2f} {right / nights:6.2f} {other / nights:6.2f}",
            flush=True,
        )
    print(f"\n{'healthy':58s} {'nights':>6s} {'false':>6s} {'train':>6s}")
    for name, kinds in HEALTHY.items():
        if only not in name:
            continue
        false = with_train = 0
        for seed in range(offset + 5000, offset + 5000 + healthy):
            swings, levels, others = night(seed, **kinds)
            false += bool(find_wheels(swings, levels, None, others))
            with_train += bool(find_wheels(swings, levels, TRAIN, others))
        print(f"{name:58s} {healthy:6d} {false / healthy:6.3f} {with_train / healthy:6.3f}", flush=True)
    print(f"{time.time() - began:.0f} s")


SOUNDS = ("contact", "drop")
FLUTTER_ROWS = {
    "flutter in 1 of 50 beats": (lambda rng: Room(), SOUNDS, Flutter()),
    "flutter, noise 20 dB nearer": (lambda rng: Room(pink_rms=1e-2, white_rms=2e-3), SOUNDS, Flutter()),
    "flutter, another clock 6 dB softer": (
        lambda rng: Room(others=(OtherClock(rng.uniform(0.8, 1.2), -6.0),)), SOUNDS, Flutter()),
    "healthy, a long echo": (lambda rng: Room(wetness=rng.uniform(1, 3), echo_decay_s=rng.uniform(0.3, 0.8)), SOUNDS, None),
    "healthy, another clock, up to as loud": (
        lambda rng: Room(others=(OtherClock(rng.uniform(0.4, 1.5), rng.uniform(-10, 0)),)), SOUNDS, None),
    "healthy, talk and bangs": (lambda rng: Room(talk=Talk(rng.uniform(60, 400)), bangs=Bangs(120)), SOUNDS, None),
    "healthy, unlocking and banking": (lambda rng: Room(), ("contact", "unlocking", "drop", "banking"), None),
}  # fmt: skip


def flutter_night(seed, make_room, sounds, flutter, beats):
    """Give what is told of a night's flutter, and how many drops came again in truth; None where no clock was heard."""
    rng = np.random.default_rng([seed, 11])
    period_s = rng.uniform(6.0, 9.0)
    twin = TwinClock(
        balance=Balance(period_s),
        escapement=Escapement(lift_deg=20.0),
        drive=Drive(arc_deg=rng.uniform(250, 350)),
        sounds=sounds,
        flutter=flutter,
    ).with_period(period_s)
    made = simulate(twin, make_room(rng), Recorder(16_000), beats / 2 * period_s, seed)
    listener = Listener(16_000.0, nominal_period_s=period_s)
    for block in made.blocks(1 << 18):
        listener.feed(block)
    heard = listener.finish()
    extra = int(np.count_nonzero(made.truth.events.kind == "flutter"))
    try:
        reading = reading_of(heard, Clock("", period_s, 20.0), stated_timebase(0.0, 0.1), "night")
    except TorsionbeatError:
        return None, extra
    return with_movement(reading, heard).flutter, extra


def flutter_rows(nights=40, healthy=20, offset=0, only=""):
    """Print the share of nights in which flutter was told, and of the drops that came again the share counted."""
    print(f"{'night':40s} {'nights':>6s} {'heard':>6s} {'told':>6s} {'drops':>6s}")
    for number, (name, (room, sounds, flutter)) in enumerate(FLUTTER_ROWS.items()):
        if only not in name:
            continue
        count = nights if flutter else healthy
        told = heard = counted = true = 0
        for seed in range(offset + 7000 + 100 * number, offset + 7000 + 100 * number + count):
            report, extra = flutter_night(seed, room, sounds, flutter, 960 if flutter else 480)
            if report is None:
                continue
            heard += 1
            told += bool(report.beats)
            counted, true = counted + report.extra_drops, true + extra
        share = f"{counted / true:6.2f}" if true else f"{counted:6d}"
        print(f"{name:40s} {count:6d} {heard:6d} {told / max(heard, 1):6.3f} {share}", flush=True)


if __name__ == "__main__":
    numbers = [int(one) for one in sys.argv[1:] if one.isdigit()]
    parts = [one for one in sys.argv[1:] if not one.isdigit() and not one.startswith("--")]
    which = flutter_rows if "--flutter" in sys.argv else main
    which(*numbers, offset=10_000 if "--aside" in sys.argv else 0, only="".join(parts[:1]))
