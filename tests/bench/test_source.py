"""Sources of live sound: what can be asked for, a recording played at its pace, and an end from elsewhere."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
import soundfile

from torsionbeat.bench.source import Microphone, Playback, opened, stopped_by
from torsionbeat.errors import InputError

RATE = 8000


@pytest.fixture
def recording(tmp_path):
    path = tmp_path / "clock.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.01, 4 * RATE), RATE)
    return path


def test_what_no_device_does_is_refused(tmp_path):
    Microphone(channels=8, sample_rate_hz=8000)
    Microphone(sample_rate_hz=384_000)
    for bad in ({"channels": 0}, {"channels": 9}):
        with pytest.raises(InputError, match="channels cannot be listened to; use 1 to 8"):
            Microphone(**bad)
    for rate in (7999, 384_001):
        with pytest.raises(InputError, match="rates from 8000 to 384000 Hz can be used"):
            Microphone(sample_rate_hz=rate)
    for pace in (0.09, 1001):
        with pytest.raises(InputError, match=r"it must lie between 0\.1 and 1000"):
            Playback(tmp_path, pace)
    assert Playback(tmp_path, 0.1).pace == 0.1


def test_a_recording_is_played_whole_and_as_it_is(recording):
    with opened(Playback(recording)) as source:
        sound = np.concatenate([block.samples for block in source.blocks()])
        assert (source.sample_rate_hz, source.channels, source.synchronised) == (RATE, 1, None)
    assert np.array_equal(sound, soundfile.read(recording, dtype="float32", always_2d=True)[0])


def test_a_pace_of_twenty_lets_four_seconds_take_a_fifth(recording):
    begin = time.monotonic()
    with opened(Playback(recording, 20.0)) as source:
        list(source.blocks())
    assert time.monotonic() - begin >= 4 / 20  # no upper bound: the machine may be busy


def test_a_source_that_is_given_stays_its_owner_s(recording):
    given = object()
    with opened(Playback(recording), given) as source:
        assert source is given


def test_a_flag_ends_it_soon(recording):
    flag = threading.Event()
    with opened(Playback(recording, 0.1)) as source, stopped_by(source, None, flag):
        threading.Timer(0.2, flag.set).start()
        begin = time.monotonic()
        heard = sum(len(block.samples) for block in source.blocks())
    assert heard < 4 * RATE
    assert time.monotonic() - begin < 35  # whole it would take 40 s
