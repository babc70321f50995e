"""Stand-ins for listening live: a clock on the bench, and a microphone whose sound arrives as fast as it is taken."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from torsionbeat.sound.block import Block
from torsionbeat.sound.timebase import unknown_timebase
from torsionbeat.twin import Balance, Drive, Recorder, Room, at_sigmas, simulate
from torsionbeat.twin.scenes import sixty_second_clock


def bench_clock(
    period_s, *, sounds=("contact", "drop"), seed=1, drop_sigma=2000.0, offset_deg=2.0, room=None, **more
):
    """A clock of that period, lift 20 deg, arc about 400 deg, in a quiet room."""
    clock = sixty_second_clock(seed)
    clock = replace(
        clock,
        balance=Balance(period_s, q=300.0, cubic_per_rad2=1.5e-5),
        escapement=replace(clock.escapement, lift_deg=20.0, offset_deg=offset_deg),
        drive=Drive(arc_deg=400.0, wander_percent=1.0),
        start_s=-1.0,
        sounds=sounds,
        **more,
    )
    return at_sigmas(clock, room or Room(), drop_sigma=drop_sigma, contact_sigma=drop_sigma / 6)


@cache
def rendered(period_s, duration_s, rate_hz=16_000, seed=3):
    """Sound of such a clock, shape (n,), and its truth; kept for the next test."""
    clock, room = bench_clock(period_s)
    rendering = simulate(clock, room, Recorder(rate_hz), duration_s, seed)
    sound = np.asarray(rendering.samples(), np.float32).reshape(-1)
    sound.setflags(write=False)
    return sound, rendering.truth


class Playback:
    """A microphone that plays a sound; ``holes`` are (first, last) frames that never arrive."""

    name = "bench microphone"
    channels = 1

    def __init__(self, sound, rate_hz=16_000, block=2048, holes=()):
        self.sound, self.sample_rate_hz, self.block, self.holes = sound, float(rate_hz), block, holes
        self.on_event = None
        self.remarks = []
        self.timebase = unknown_timebase()
        self.synchronised = True
        self.stopped = False

    def stop(self):
        self.stopped = True

    def blocks(self):
        for start in range(0, len(self.sound), self.block):
            stop = min(start + self.block, len(self.sound))
            if any(first < stop and start < last for first, last in self.holes):
                continue
            if self.stopped:
                return
            yield Block(start, np.array(self.sound[start:stop])[:, None])
