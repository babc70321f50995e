"""How often a side of a clock is known again in a second recording, and how often it is named wrongly.

Run from the top folder: ``python tests/benchmarks/sides.py [--pairs N] [--held]``.

Each pair is one clock heard twice, sound and all, 12, 24 or 48 beats long: random starts and first sides, beat errors
from 0.5 to 60 ms of either sign (the same setting both times), the microphone in another place (other echoes), another
room noise, another sample rate, people talking in some. In four of ten the sides have unlike sounds; in the rest side b
is side a with each partial's loudness and tone shifted by a random amount, from not at all to 4 dB: nothing in the sound
can then tell them apart where it is not at all. A side is named where the probability is at least ``SURE``. Three rows: by
sounds and beat error, as between two readings without work; as after work on the beat; by the sounds alone. The second
half of the table says how often the letters were right where a probability was stated. A run passes where at least 99 %
of those named are right in each row and three quarters are named in the first. Pairs come in two halves by their number's
parity: ``--held`` runs the half that was set aside when the constants were chosen.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

import torsionbeat as tb
from torsionbeat import twin
from torsionbeat.errors import NothingHeardError
from torsionbeat.history.nights import Night
from torsionbeat.history.side_matching import SURE, TOUCHED, UNTOUCHED, marks_of, recognise
from torsionbeat.twin import voices
from torsionbeat.twin.balance import Balance

DROPS = ("clear_ring", "bright_tooth", "dull_plate", "long_ring")
CONTACTS = ("soft_pin", "thin_pin", "dry_knack")
BOUNDS = (0.5, 0.7, 0.9, SURE, 1.0)
NAMED = 0.75


def variant(name, of, db, share, rng):
    """Add a voice like another, its partials louder or softer by some dB and higher or lower by some share."""
    voice = voices.VOICES[of]
    partials = tuple(
        (
            hz * (1 + share * rng.standard_normal()),
            size * 10 ** (db * rng.standard_normal() / 20),
            decay_ms * math.exp(db / 20 * rng.standard_normal()),
        )
        for hz, size, decay_ms in voice.partials
    )
    voices.VOICES[name] = replace(voice, partials=partials)
    return name


def clock_of(rng):
    """Give a clock and how unlike its sides sound, dB (None: unlike voices)."""
    sixty = rng.random() < 0.5
    period = 60.0 if sixty else float(rng.choice([12.0, 15.0, 20.0]))
    arc = float(rng.uniform(340, 500) if sixty else rng.uniform(240, 400))
    apart_db = None if rng.random() < 0.4 else float(rng.choice([0, 1, 2, 4]))
    if apart_db is None:
        drops = [str(one) for one in rng.permutation(DROPS)[:2]]
        contacts = [str(one) for one in rng.permutation(CONTACTS)[:2]]
    else:
        drops = [variant("drop one", str(rng.choice(DROPS)), 2, 0.02, rng)]
        contacts = [variant("contact one", str(rng.choice(CONTACTS)), 2, 0.02, rng)]
        drops.append(variant("drop other", drops[0], apart_db, 0.005 * apart_db, rng))
        contacts.append(variant("contact other", contacts[0], apart_db, 0.005 * apart_db, rng))
    error_s = 1e-3 * 10 ** rng.uniform(math.log10(0.5), math.log10(60)) * rng.choice([-1, 1])
    clock = tb.TwinClock(
        balance=Balance(period, q=float(rng.uniform(200, 500)), cubic_per_rad2=1.5e-5),
        voices=twin.VoiceSet(
            drop_a=drops[0],
            drop_b=drops[1],
            contact_a=contacts[0],
            contact_b=contacts[1],
            drop_peak=float(10 ** rng.uniform(-2.0, -0.7)),
            contact_db=float(rng.uniform(-12, -4)),
        ),
        escapement=twin.Escapement(
            lift_deg=float(np.round(rng.uniform(14, 24), 1)),
            offset_deg=float(arc / 2 * math.sin(math.pi * error_s / period)),
        ),
        drive=twin.Drive(arc_deg=arc, wander_percent=float(rng.uniform(0.5, 3))),
        sounds=("drop",) if rng.random() < 0.3 else ("contact", "drop"),
    )
    return clock, apart_db


def heard(clock, beats, seed, rng, folder):
    """Hear the clock once more; give what tells its sides and whether side a is the twin's, or None."""
    period = clock.balance.period_s
    room = twin.Room(
        pink_rms=float(1e-3 * 10 ** rng.uniform(-0.5, 0.5)),
        wetness=float(rng.uniform(0.3, 1.2)),
        echo_decay_s=float(rng.uniform(0.1, 0.4)),
        talk=twin.Talk() if rng.random() < 0.3 else None,
        bangs=twin.Bangs() if rng.random() < 0.3 else None,
    )
    recorder = twin.Recorder(int(rng.choice([16_000, 44_100, 48_000])))
    started = replace(
        clock, start_s=-float(rng.uniform(0, 0.5)) * period, start_side=str(rng.choice(["a", "b"]))
    )
    made = tb.simulate(started, room, recorder, beats * period / 2, seed)
    path = Path(folder) / "night.flac"
    made.write(path, with_truth=False)
    lift = clock.escapement.lift_deg if "contact" in clock.sounds else None
    try:
        analysis = tb.analyse_fully(path, tb.Clock(nominal_period_s=period, lift_deg=lift))
    except NothingHeardError:
        return None
    events = analysis.reading.events
    drops = events.kind == "drop"
    true_s = np.array([beat.drop_s for beat in made.truth.beats])
    sides = np.array([beat.side for beat in made.truth.beats])
    nearest = np.abs(events.time_s[drops][:, None] - true_s).argmin(axis=1)
    share = float(np.mean(sides[nearest] == events.side[drops]))
    return marks_of(Night(analysis.reading, voices=analysis.heard.voices)), share > 0.5


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="begin with this pair")
    parser.add_argument("--held", action="store_true", help="the half that was set aside")
    given = parser.parse_args()
    ways = {"no work between": UNTOUCHED, "beat worked on": TOUCHED, "sounds alone": 1.0}
    found = {way: [] for way in ways}
    lost = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(given.first, given.first + given.pairs):
            rng = np.random.default_rng([2 * number + given.held, 4711])
            clock, _ = clock_of(rng)
            beats = int(rng.choice([12, 24, 48]))
            one, other = (heard(clock, beats, 1000 * number + which, rng, folder) for which in (0, 1))
            if one is None or other is None:
                lost += 1
                continue
            for way, moved in ways.items():
                match = recognise([one[0]], other[0], moved)
                found[way].append((match.probability, match.exchanged == (one[1] != other[1])))
    print(f"{given.pairs} pairs, {lost} not heard\n{'':18s} named  right    " + "right where said to be in")
    print(" " * 34 + "  ".join(f"{low:.2f}-{high:.2f}" for low, high in pairwise(BOUNDS)))
    passed = True
    for way, rows in found.items():
        named = [right for probability, right in rows if probability >= SURE]
        shares = []
        for low, high in pairwise(BOUNDS):
            inside = [right for probability, right in rows if low <= probability < high + (high == 1.0)]
            shares.append(f"{sum(inside):4d}/{len(inside):<4d}")
        print(f"{way:18s} {len(named):5d}  {sum(named):5d}    " + "  ".join(shares))
        passed &= sum(named) >= 0.99 * len(named)
    passed &= sum(p >= SURE for p, _ in found["no work between"]) >= NAMED * (given.pairs - lost)
    print("as wanted" if passed else "NOT as wanted")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
