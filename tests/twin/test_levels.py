"""Levels of the twin: noise set to the wanted number of its standard deviations below the sounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from torsionbeat.errors import InputError
from torsionbeat.twin import Recorder, Room, TwinClock, at_sigmas, simulate
from torsionbeat.twin.levels import sigmas


def measured_sigmas(clock, room, kind, seed):
    """Distance from the noise, from sound and noise made separately: energy of 1 ms, 2 to 10 kHz."""
    sos = butter(4, [2000, 10_000], "bandpass", fs=48_000, output="sos")

    def energies(sound):
        return sosfilt(sos, sound.astype(float)) ** 2

    plain = Recorder(bits=24)
    noise = energies(simulate(None, replace(room, talk=None, bangs=None), plain, 30.0, seed).samples())
    sigma = noise[4800:].reshape(-1, 48).sum(axis=1).std()
    made = simulate(clock, Room(pink_rms=0, white_rms=0, wetness=0), plain, 600.0, seed)
    sound = energies(made.samples())
    found = []
    for time_s in made.truth.events.where(kind=kind).time_s:
        first = int(time_s * 48_000)
        sums = np.convolve(sound[first : first + 960], np.ones(48), "valid")
        found.append(sums.max() / sigma)
    return np.mean(found)


@pytest.mark.parametrize(("drop", "contact"), [(10.0, 4.0), (4.0, 1.5)])
def test_noise_is_set_to_the_wanted_number_of_sigmas(drop, contact):
    from torsionbeat.twin import Balance

    clock, room = at_sigmas(TwinClock(Balance(6.0)), Room(), drop_sigma=drop, contact_sigma=contact)
    # loudness scatters by 1 dB from tick to tick, which lifts the mean energy by 2.7 %; 200 ticks
    assert measured_sigmas(clock, room, "drop", 9) == pytest.approx(drop, rel=0.1)
    assert measured_sigmas(clock, room, "contact", 9) == pytest.approx(contact, rel=0.1)
    assert sigmas(clock, room)["drop"] == pytest.approx(drop, rel=1e-3)


def test_very_loud_noise_makes_the_clock_quieter_instead_of_clipping():
    clock, room = at_sigmas(TwinClock(), Room(), drop_sigma=0.5)
    assert room.pink_rms == pytest.approx(0.1)
    assert clock.voices.drop_peak < TwinClock().voices.drop_peak
    assert sigmas(clock, room)["drop"] == pytest.approx(0.5, rel=1e-3)


def test_without_noise_there_is_nothing_to_stand_above():
    silent = Room(pink_rms=0.0, white_rms=0.0)
    with pytest.raises(InputError, match="no steady noise"):
        at_sigmas(TwinClock(), silent, drop_sigma=10.0)
    with pytest.raises(InputError, match="no steady noise"):
        sigmas(TwinClock(), silent)
    with pytest.raises(InputError, match="drop_sigma -1 is outside"):
        at_sigmas(TwinClock(), Room(), drop_sigma=-1.0)
