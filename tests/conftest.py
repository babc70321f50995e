"""What all tests share: one thread for linear algebra, set before numpy is imported, and a room with a sound server."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import signal
from pathlib import Path

import pytest

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

# Tests send signals; a run begun in the background or under nohup has them ignored, and hands that on to what it starts.
for name, usual in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
    if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) == signal.SIG_IGN:
        signal.signal(getattr(signal, name), usual)


@pytest.fixture(autouse=True)
def no_nights_of_the_users(tmp_path, monkeypatch):
    """Keep every test off the nights that this user may be listening to."""
    monkeypatch.setenv("TORSIONBEAT_NIGHTS", str(tmp_path / "nights-running"))


@pytest.fixture
def pulse_room():
    """Give what starts a ``PulseRoom`` (see ``tests/sound_server.py``) and ends it with the test."""
    spec = importlib.util.spec_from_file_location("sound_server", Path(__file__).parent / "sound_server.py")
    sound_server = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sound_server)
    if not sound_server.pulse_is_here():
        pytest.skip("pulseaudio or pulseaudio-utils is not installed")
    with contextlib.ExitStack() as rooms:

        def start(sound, channels=1):
            try:
                return rooms.enter_context(sound_server.PulseRoom(sound, channels))
            except TimeoutError as error:
                pytest.skip(f"{error} here")

        yield start


@pytest.fixture(scope="session")
def twin_readings():
    """Give the builder of readings straight from the twin's beats (``tests/twin_readings.py``)."""
    path = Path(__file__).with_name("twin_readings.py")
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def make_night(twin_readings):
    """Give what makes the reading of some hours of a 60 s clock."""

    from torsionbeat.reading.figures import Clock
    from torsionbeat.twin import Balance, Drive, Escapement, TwinClock

    def make(seed, *, hours=3.0, arc=430.0, period=59.99, wander=1.0, clock=None, **more):
        twin = TwinClock(
            balance=Balance(60.0),
            escapement=Escapement(lift_deg=20.0, offset_deg=1.8),
            drive=Drive(arc_deg=arc, wander_percent=wander),
        ).with_period(period)
        beats, _ = twin.run(hours * 3600, seed)
        known = clock or Clock("Harbour lamp", 60.0, 20.0, 0.5)
        return twin_readings.reading_of_beats(beats, known, duration_s=hours * 3600, seed=seed, **more)

    return make


@pytest.fixture(scope="session")
def night(twin_readings):
    """Give four hours of a 60 s clock with contact and drop, 1.8 deg out of beat."""
    from torsionbeat.reading.figures import Clock
    from torsionbeat.sound.timebase import unknown_timebase
    from torsionbeat.twin import Balance, Drive, Escapement, TwinClock

    twin = TwinClock(
        balance=Balance(60.0),
        escapement=Escapement(lift_deg=20.0, offset_deg=1.8),
        drive=Drive(arc_deg=430.0, wander_percent=1.0),
    ).with_period(59.99)
    beats, _ = twin.run(4 * 3600, seed=3)
    clock = Clock("Harbour lamp", 60.0, 20.0, 0.5, arc_low_deg=380, arc_high_deg=480, knock_arc_deg=520)
    return twin_readings.reading_of_beats(
        beats, clock, duration_s=4 * 3600, seed=3, timebase=unknown_timebase()
    )


@pytest.fixture(scope="session")
def chapter_of():
    """Lay out the levels of a whole sound as one chapter."""

    def chapter(sound, rate_hz=16_000):
        import numpy as np

        from torsionbeat.tracks.bands import BandEar, Chapter, plan_bands

        plan = plan_bands(rate_hz)
        ear = BandEar(plan)
        chunks = [*ear.feed(np.asarray(sound, np.float32)), *ear.finish()]
        return Chapter(
            plan.frame_s,
            np.concatenate([chunk.levels for chunk in chunks]),
            np.concatenate([chunk.strength for chunk in chunks]),
            np.array([chunk.floor for chunk in chunks]),
            np.array([chunk.deviation for chunk in chunks]),
        )

    return chapter
