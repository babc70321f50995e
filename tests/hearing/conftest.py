"""Short recordings of simulated clocks, and what a listener makes of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from torsionbeat.hearing.listener import Listener
from torsionbeat.twin import Balance, Drive, Escapement, Recorder, Room, TwinClock, simulate

RATE_HZ = 16_000


def _clock(period_s=6.0, **more):
    return TwinClock(
        balance=Balance(period_s, q=300),
        escapement=Escapement(lift_deg=20.0, offset_deg=1.5),
        drive=Drive(arc_deg=300.0, wander_percent=1.0),
        start_s=-1.0,
        **more,
    )


def _blocks(sound, size):
    return [sound[start : start + size] for start in range(0, len(sound), size)]


def _hear(sound, *, rate_hz=RATE_HZ, block=48_000, channels=1, **options):
    listener = Listener(rate_hz, channels, **options)
    for piece in _blocks(sound, block):
        listener.feed(piece)
    return listener.finish()


def _assert_same(one, two):
    """Everything two listeners tell is the same, to the last bit."""
    for part in ("sounds", "drops_again"):
        mine, others = getattr(one, part), getattr(two, part)
        for entry in dataclasses.fields(mine):
            np.testing.assert_array_equal(getattr(mine, entry.name), getattr(others, entry.name), entry.name)
    for mine, other in zip(one.voices, two.voices, strict=True):
        np.testing.assert_array_equal(mine.profile, other.profile)
    skipped = ("sounds", "drops_again", "voices", "channels")
    for entry in dataclasses.fields(one):
        if entry.name not in skipped:
            assert getattr(one, entry.name) == getattr(two, entry.name), entry.name


@pytest.fixture(scope="session")
def clock():
    """Give the builder of a plain clock: lift 20 deg, offset 1.5 deg, arc 300 deg, contact and drop."""
    return _clock


@pytest.fixture(scope="session")
def hear():
    """Give what feeds a sound to a listener, block by block."""
    return _hear


@pytest.fixture(scope="session")
def assert_same():
    """Give the comparison of two listeners' answers."""
    return _assert_same


@pytest.fixture(scope="session")
def recorded():
    """Give what records a clock at 16 kHz: (rendering, samples)."""

    def record(clock, duration_s, *, seed=1, room=None, **more):
        recorder = Recorder(
            RATE_HZ, **{key: more.pop(key) for key in list(more) if key in ("losses", "silences")}
        )
        made = simulate(clock, room or Room(), recorder, duration_s, seed, **more)
        return made, made.samples()

    return record


@pytest.fixture(scope="session")
def six(clock, recorded):
    """A 6 s clock, 120 s, clear: (rendering, samples)."""
    return recorded(clock(6.0), 120.0)


@pytest.fixture(scope="session")
def six_heard(six, hear):
    """What is heard in it."""
    return hear(six[1], nominal_period_s=6.0)


@pytest.fixture(scope="session")
def fifteen(clock, recorded):
    """A 15 s clock, 200 s, clear: (rendering, samples)."""
    return recorded(clock(15.0), 200.0)
