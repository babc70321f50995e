"""Placing the microphone: hum, level and what is said of the tick."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.live import microphone_check
from torsionbeat.live.microphone_check import ChannelPlacing, PlacingEar
from torsionbeat.reading.figures import Clock
from torsionbeat.sound.block import Block

RATE_HZ = 8000


def placed(*tones, noise=1e-4, seconds=4, clip=None):
    """What is found in a room's noise with tones of (Hz, peak)."""
    rng = np.random.default_rng(2)
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    sound = rng.normal(0, noise, time_s.size)
    for hz, peak in tones:
        sound = sound + peak * np.sin(2 * np.pi * hz * time_s)
    if clip is not None:
        sound = np.clip(sound, -clip, clip)
    ear = PlacingEar(RATE_HZ, 1, Clock("", None, None))
    for start in range(0, time_s.size, 1000):
        ear.feed(Block(start, sound[start : start + 1000, None].astype(np.float32)))
    return ear.finish()


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_is_named_with_its_frequency_and_level(mains):
    (channel,) = placed((mains, 0.02), (2 * mains, 0.01)).channels
    assert channel.hum_hz == mains
    # Level of the harmonics together, rms against full scale: 10 log10((0.02^2 + 0.01^2) / 2), within the window's 0.5 dB
    assert channel.hum_db == pytest.approx(10 * math.log10((0.02**2 + 0.01**2) / 2), abs=0.5)


def test_a_tone_that_is_no_mains_and_a_soft_hum_are_not_named():
    assert placed((73.0, 0.02)).channels[0].hum_hz is None
    assert placed((50.0, 1e-4), noise=1e-6).channels[0].hum_hz is None  # -83 dB
    assert placed((50.0, 4e-4), noise=1e-6).channels[0].hum_hz == 50.0  # -71 dB


def test_silence_faint_sound_and_a_room_without_a_clock_are_told():
    silent = placed(noise=0.0)
    assert silent.best is None
    assert any(one.startswith("There is no sound at all: check the cable") for one in silent.sentences)
    assert silent.channels[0].peak_db == -math.inf
    faint = placed(noise=1e-4)
    assert any("The sound is faint, at most" in one for one in faint.sentences)
    loud = placed(noise=0.01)
    assert not any("faint" in one for one in loud.sentences)
    assert any("try --check --for 5min" in one for one in loud.sentences)


def channel(number=0, *, drop_db=25.0, heard=20, expected=20, passage=0.3, scatter=0.003, arc=430.0, **more):
    reading = SimpleNamespace(
        beats_heard=heard, beats_expected=expected, arc_deg=None if arc is None else ufloat(arc, 1.0)
    )
    made = ChannelPlacing(
        number, SimpleNamespace(), reading, "", drop_db, 12.0, passage, scatter, None, -math.inf, 0, -20.0
    )
    return replace(made, **more)


CLOCK = Clock("", 15.0, 20.0)


def said(*channels, best=None, clock=CLOCK):
    return microphone_check._sentences(channels, channels[0] if best is None else best, clock)


def test_a_clear_tick_says_beats_level_and_what_a_swing_is_worth():
    first, second = said(channel())
    assert first == "The tick is heard: 20 of 20 beats, the drop 25 dB above the room."
    # 1.96 times 1 % of 430 deg
    assert second.endswith("it is about 430 deg, a single swing to within 8.4 deg.")
    assert "the contact (12 dB above the room) and 300 ms later the drop" in second
    without = said(channel(), clock=Clock("", 15.0, None))[1]
    assert without.endswith("once the lift is known (--lift): a single swing to about 2.0 %.")
    assert said(channel(arc=None))[1].endswith("a single swing to about 2.0 %.")


def test_a_drop_below_twenty_decibels_and_few_beats_are_told():
    assert any("from 20 dB on every beat is safe" in one for one in said(channel(drop_db=19.9)))
    assert not any("20 dB on every" in one for one in said(channel(drop_db=20.0)))
    assert any("So few beats tell little" in one for one in said(channel(heard=5)))
    assert not any("So few" in one for one in said(channel(heard=6)))


def test_a_beat_of_one_sound_has_no_arc():
    assert "the arc cannot" in said(channel(passage=None, scatter=None))[1]


def test_several_channels_are_told_apart_and_the_clearest_is_the_best():
    one, two = channel(0, drop_db=15.0), channel(1, drop_db=30.0)
    words = said(one, two, best=two)
    assert words[0].startswith("The tick is heard on channel 2:")
    assert "On channel 1 the drop stands 15 dB above the room." in words
    assert microphone_check._clearness(two) > microphone_check._clearness(one)
    most = channel(0, drop_db=15.0, heard=20)
    assert microphone_check._clearness(most) > microphone_check._clearness(channel(1, drop_db=40.0, heard=15))


def test_what_stands_in_the_way_is_told():
    words = said(channel(clipped=12, hum_hz=50.0, hum_db=-40.0))
    assert any("12 samples at the limit" in one for one in words)
    assert any("mains hum, 50 Hz at -40 dB" in one for one in words)
    assert any("at most -56 dB" in one for one in said(channel(peak_db=-56.0)))
    assert not any("faint" in one for one in said(channel(peak_db=-54.0)))


def test_the_scatter_of_a_passage_is_about_its_own_sides_median():
    """Side a 300 ms, side b 320 ms: the sides' difference is no scatter."""
    side = np.array(["a", "b"] * 6)
    passage = np.where(side == "a", 0.300, 0.320) + np.repeat([-0.002, 0.0, 0.002], 4)
    swings = SimpleNamespace(lift_passage_s=passage, side=side)
    median, scatter = microphone_check._passages(SimpleNamespace(swings=swings))
    assert median == pytest.approx(0.310)
    assert scatter == pytest.approx(1.4826 * 0.002, rel=1e-6)
    few = SimpleNamespace(swings=SimpleNamespace(lift_passage_s=passage[:3], side=side[:3]))
    assert microphone_check._passages(few) == (None, None)
    assert microphone_check._passages(None) == (None, None)
