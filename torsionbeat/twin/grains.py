"""Sounds with a start and an end: ticks, talk, bangs, drips, sparks; and the mixer that combines them.

A grain is (first sample number, float32 samples). Every source is a generator of grains in order of their first sample,
counted in the recorder's samples from the start of the recording.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from torsionbeat.twin.voices import Voice, strike, strike_at_gain

__all__ = ["Echo", "Mixer", "bang", "bangs", "drips", "sparks", "talk", "ticks"]

Samples = NDArray[np.float32]
Grain = tuple[int, Samples]


class Echo:
    """Early reflections and a short tail, the same for every sound of a room. `wetness` 0 is a dry room."""

    def __init__(self, wetness: float, decay_s: float, rate_hz: float, rng: np.random.Generator) -> None:
        early_s = rng.uniform(1.5e-3, 14e-3, 5)
        tail_s = rng.uniform(14e-3, max(3 * decay_s / 6.9, 20e-3), 12)
        delays_s = np.sort(np.concatenate([early_s, tail_s]))
        gains = 0.35 * wetness * np.exp(-6.9 * delays_s / decay_s) * rng.choice([-1, 1], len(delays_s))
        self.taps = [
            (round(d * rate_hz), np.float32(g)) for d, g in zip(delays_s, gains, strict=True) if abs(g) > 1e-4
        ]

    def __call__(self, grain: Grain) -> Grain:
        """The grain with its reflections."""
        if not self.taps:
            return grain
        first, dry = grain
        wet = np.zeros(len(dry) + max(delay for delay, _ in self.taps), dtype=np.float32)
        wet[: len(dry)] = dry
        for delay, gain in self.taps:
            wet[delay : delay + len(dry)] += gain * dry
        return first, wet


class Mixer:
    """Adds the grains of one source to consecutive blocks."""

    def __init__(self, grains: Iterator[Grain]) -> None:
        self.grains = grains
        self.open: list[Grain] = []
        self.ahead: Grain | None = next(grains, None)

    def add_to(self, block: Samples, place: int) -> None:
        """Add all grains that sound in [place, place + len(block)) to `block`."""
        end = place + len(block)
        while self.ahead is not None and self.ahead[0] < end:
            self.open.append(self.ahead)
            self.ahead = next(self.grains, None)
        still: list[Grain] = []
        for first, samples in self.open:
            low, high = max(first, place), min(first + len(samples), end)
            if low < high:
                block[low - place : high - place] += samples[low - first : high - first]
            if first + len(samples) > end:
                still.append((first, samples))
        self.open = still


def ticks(
    events: Iterable[tuple[float, Voice, float]], rate_hz: float, rng: np.random.Generator
) -> Iterator[Grain]:
    """Grains for (time in s, voice, peak) in order of time, each placed at its exact fraction of a sample.

    Parameters
    ----------
    events : iterable of (float, Voice, float)
        Time (s), voice and peak of each.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    for time_s, voice, peak in events:
        place = time_s * rate_hz
        first = math.ceil(place)
        yield first, strike(voice, peak, (first - place) / rate_hz, rate_hz, rng)


def _arrivals(per_hour: float, rng: np.random.Generator) -> Iterator[float]:
    time_s = 0.0
    while per_hour > 0:
        time_s += rng.exponential(3600 / per_hour)
        yield time_s


def bang(peak: float, decay_s: float, rate_hz: float, rng: np.random.Generator) -> Samples:
    """A broadband knock that decays within 20 to 300 ms.

    Parameters
    ----------
    peak : float
        Largest sample, full scale 1.
    decay_s : float
        Time in which the sound falls by a factor e.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    from scipy.signal import lfilter

    count = int(7 * decay_s * rate_hz)
    noise = rng.standard_normal(count) * np.exp(-np.arange(count) / (decay_s * rate_hz))
    keep = math.exp(-2 * math.pi * rng.uniform(800, 6000) / rate_hz)
    dull = lfilter([1 - keep], [1, -keep], noise)
    out: Samples = (dull * (peak / np.abs(dull).max())).astype(np.float32)
    return out


def bangs(per_hour: float, peak: float, rate_hz: float, rng: np.random.Generator) -> Iterator[Grain]:
    """Bangs at random times; the peak scatters from a third to the whole of `peak`.

    Parameters
    ----------
    per_hour : float
        Mean number an hour.
    peak : float
        Largest sample, full scale 1.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    for time_s in _arrivals(per_hour, rng):
        loud = peak * rng.uniform(0.33, 1.0)
        yield int(time_s * rate_hz), bang(loud, rng.uniform(0.02, 0.3) / 3, rate_hz, rng)


def drips(interval_s: float, peak: float, rate_hz: float, rng: np.random.Generator) -> Iterator[Grain]:
    """A tap that drips at intervals that vary by a fifth; a drop's tone rises as its bubble closes.

    Parameters
    ----------
    interval_s : float
        Mean time between two drops.
    peak : float
        Largest sample, full scale 1.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    time_s = 0.0
    while interval_s > 0:
        time_s += interval_s * max(0.3, 1 + 0.2 * rng.standard_normal())
        t = np.arange(int(0.06 * rate_hz)) / rate_hz
        tone_hz = rng.uniform(900, 1900)
        ring = np.sin(2 * np.pi * tone_hz * (t + 4 * t * t)) * np.exp(-t / 0.011)
        plop = rng.standard_normal(len(t)) * np.exp(-t / 0.0008) * 0.6
        drop = (ring + plop) * -np.expm1(-t / 0.0002) * peak * rng.uniform(0.5, 1.0)
        yield int(time_s * rate_hz), drop.astype(np.float32)


def sparks(per_s: float, peak: float, rate_hz: float, rng: np.random.Generator) -> Iterator[Grain]:
    """A fire: sparse crackles in clusters, loudness by a power law up to `peak`.

    Parameters
    ----------
    per_s : float
        Mean number a second.
    peak : float
        Largest sample, full scale 1.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    time_s = 0.0
    while per_s > 0:
        crowd = rng.uniform() < 0.35
        time_s += rng.exponential(0.012 if crowd else 1.5 / per_s)
        low = rng.uniform(900, 3500)
        voice = Voice(
            ((low, 1.0, rng.uniform(0.3, 3.0)), (low * rng.uniform(1.3, 2.4), 0.7, rng.uniform(0.2, 2.0))),
            rng.uniform(0.03, 0.3),
            0.8,
            rng.uniform(0.2, 1.5),
        )
        loud = min(peak, 0.02 * peak * (1 + rng.pareto(1.2)))
        place = time_s * rate_hz
        first = math.ceil(place)
        gain = loud / 1.2  # two partials of 1.0 and 0.7 have a peak of about 1.2 together
        yield first, strike_at_gain(voice, gain, (first - place) / rate_hz, rate_hz, rng)


VOWELS_HZ = (
    (730, 1090, 2440),
    (270, 2290, 3010),
    (530, 1840, 2480),
    (570, 840, 2410),
    (300, 870, 2240),
    (490, 1350, 1690),
)
"""First three formants of men's vowels: G. E. Peterson and H. L. Barney, J. Acoust. Soc. Am. 24 (1952) 175, from memory."""


def talk(per_hour: float, peak: float, rate_hz: float, rng: np.random.Generator) -> Iterator[Grain]:
    """Somebody speaks now and then: sentences of 1 to 5 s in syllables of 0.12 to 0.3 s.

    Voiced pulses through three resonances, hisses and stops between them. Resonances of the vowels:
    G. E. Peterson and H. L. Barney, J. Acoust. Soc. Am. 24 (1952) 175, averages for men (from memory).

    Parameters
    ----------
    per_hour : float
        Mean number an hour.
    peak : float
        Largest sample, full scale 1.
    rate_hz : float
        Sample rate.
    rng : np.random.Generator
        Random generator; the same state gives the same sound.
    """
    for time_s in _arrivals(per_hour, rng):
        pieces: list[Samples] = []
        left_s = rng.uniform(1.0, 5.0)
        base_hz = rng.uniform(95, 210)
        while left_s > 0:
            piece = _syllable(base_hz, rate_hz, rng)
            pieces.append(piece)
            left_s -= len(piece) / rate_hz
        sentence = np.concatenate(pieces)
        loud = peak * rng.uniform(0.4, 1.0) / max(float(np.abs(sentence).max()), 1e-9)
        yield int(time_s * rate_hz), sentence * np.float32(loud)


def _syllable(base_hz: float, rate_hz: float, rng: np.random.Generator) -> Samples:
    from scipy.signal import lfilter

    def rise_and_fall(count: int) -> NDArray[np.float64]:
        shape: NDArray[np.float64] = np.sin(np.pi * np.arange(count) / count) ** 0.7
        return shape

    def resonance(sound: NDArray[np.float64], hz: float, width_hz: float) -> NDArray[np.float64]:
        radius, angle = math.exp(-math.pi * width_hz / rate_hz), 2 * math.pi * hz / rate_hz
        out: NDArray[np.float64] = lfilter(
            [1 - radius], [1, -2 * radius * math.cos(angle), radius * radius], sound
        )
        return out

    parts: list[NDArray[np.float64]] = []
    start = rng.uniform()
    if start < 0.35:  # a hiss
        count = int(rng.uniform(0.05, 0.13) * rate_hz)
        hiss = resonance(rng.standard_normal(count), min(rng.uniform(3500, 6500), 0.4 * rate_hz), 1500)
        parts.append(hiss * rise_and_fall(count) * 1.5)
    elif start < 0.6:  # a stop
        count = int(rng.uniform(0.03, 0.07) * rate_hz)
        burst = rng.standard_normal(count) * np.exp(-np.arange(count) / (0.004 * rate_hz))
        parts.append(
            np.concatenate([np.zeros(count // 2), resonance(burst, rng.uniform(1500, 4000), 900) * 2])
        )
    count = int(rng.uniform(0.10, 0.25) * rate_hz)
    pitch_hz = base_hz * np.linspace(rng.uniform(0.9, 1.2), rng.uniform(0.8, 1.1), count)
    pulses = np.diff(np.floor(np.cumsum(pitch_hz) / rate_hz), prepend=0.0) * 12
    source = pulses + 0.05 * rng.standard_normal(count)
    vowel = VOWELS_HZ[rng.integers(len(VOWELS_HZ))]
    voiced = sum(
        resonance(source, min(hz, 0.45 * rate_hz), 60 + 40 * k) * 0.6**k for k, hz in enumerate(vowel)
    )
    parts.append(voiced * rise_and_fall(count) * 3)
    parts.append(np.zeros(int(rng.exponential(0.03) * rate_hz)))
    out: Samples = np.concatenate(parts).astype(np.float32)
    return out
