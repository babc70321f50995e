"""Following beat by beat, held against the twin's own beats."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from torsionbeat.live.follower import Follower
from torsionbeat.twin import Recorder, simulate
from torsionbeat.twin.parts import BeatShift, Halt

_spec = importlib.util.spec_from_file_location("live_parts", Path(__file__).parents[1] / "live_parts.py")
live_parts = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(live_parts)

RATE_HZ = 16_000


def followed(rendering, block=2048, lost=None):
    follower = Follower(RATE_HZ, 12.0)
    beats, start = [], 0
    for samples in rendering.blocks(block):
        sound = np.asarray(samples, np.float32).reshape(-1)
        if lost is None or not lost[0] * RATE_HZ <= start < lost[1] * RATE_HZ:
            beats += follower.feed(sound, start)
        start += len(sound)
    return follower, beats


def rendering(duration_s, **more):
    clock, room = live_parts.bench_clock(12.0, **more)
    return simulate(clock, room, Recorder(RATE_HZ), duration_s, 3)


def misses_s(beats, truth):
    true_s = truth.column("drop_s")
    heard_s = np.array([beat.drop for beat in beats]) / RATE_HZ
    return heard_s - true_s[np.abs(heard_s[:, None] - true_s).argmin(axis=1)]


@pytest.mark.parametrize("shift_deg", [4.0, -12.0])
def test_beats_after_a_sudden_change_are_found_at_once(shift_deg):
    made = rendering(150.0, changes=(BeatShift(90.0, shift_deg),))
    follower, beats = followed(made)
    assert not follower.learning
    numbers = [beat.number for beat in beats]
    assert numbers == list(range(numbers[0], numbers[0] + len(beats)))
    assert len(beats) >= 23  # 25 beats fall in 150 s; the last is told a second after
    # jitter of half a ms, and an edge learnt from six beats
    assert np.abs(misses_s(beats, made.truth)).max() < 0.005
    assert all(beat.contact is not None for beat in beats[-6:])
    assert {beat.side for beat in beats} == {"a", "b"}


def test_block_size_does_not_move_a_beat():
    made = rendering(80.0)
    assert followed(made, 2048)[1] == followed(made, 1999)[1]


def test_clock_that_stops_is_learnt_anew():
    follower, beats = followed(rendering(150.0, changes=(Halt(80.0),)))
    assert beats[-1].drop < 90 * RATE_HZ
    assert follower.learning


def test_lost_sound_keeps_the_count():
    made = rendering(150.0)
    whole = {beat.number: beat.drop for beat in followed(made)[1]}
    holed = followed(made, lost=(90.0, 103.0))[1]
    late = [beat for beat in holed if beat.drop > 106 * RATE_HZ]
    assert len(late) >= 5
    for beat in late:
        assert abs(beat.drop - whole[beat.number]) < 0.002 * RATE_HZ


def test_noise_is_no_clock():
    follower = Follower(RATE_HZ, 12.0)
    rng = np.random.default_rng(8)
    beats = []
    for _ in range(40):
        beats += follower.feed(rng.normal(0, 1e-3, RATE_HZ).astype(np.float32))
    assert beats == []
    assert follower.learning
    assert follower.period_s is None
