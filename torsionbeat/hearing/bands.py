"""From samples to band levels: how loud the sound is in a few bands, two thousand times a second.

Input: samples of one channel, block by block. Output: levels in half-decibel steps, shape (frames, bands), uint8.
The same samples give the same levels however they are cut into blocks, because all arithmetic is done on chunks
of a fixed number of frames counted from the start.

Each frame is a window of 1.5 ms, the next one begins 0.5 ms later. Windowed cosines and sines, made orthogonal to
parabolas so that hum, rumble and the fundamental of a voice fall out, are laid against the samples by matrix
products; the squares, summed by band, are the power. Level 0 means that there was no sound at all: digital
silence, a stuck converter, a stretch that was lost.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError

__all__ = ["CHUNK_FRAMES", "POOLED_FRAMES", "POWER_OF_LEVEL", "BandEar", "BandPlan", "Chunk", "plan_bands"]

FRAME_S = 0.0005
"""Half a millisecond: the hop of the band levels, finer than the rise of a tick."""
CHUNK_FRAMES = 2048
"""Frames in a chunk: the unit in which sound is worked on, about a second."""

POOLED_FRAMES = 8
"""Frames pooled into one for the search: 4 ms."""

STEPS_PER_DB = 2.0
"""Half-decibel steps, which a byte holds over 125 dB."""
LEVEL_AT_FULL_SCALE = 250
_EDGES_HZ = (900.0, 2000.0, 3400.0, 6000.0, 10000.0, 15500.0)
_BIAS = 1e-26

POWER_OF_LEVEL: npt.NDArray[np.float32] = (
    10.0 ** ((np.arange(256, dtype=np.float64) - LEVEL_AT_FULL_SCALE) / (10.0 * STEPS_PER_DB))
).astype(np.float32)
POWER_OF_LEVEL[0] = 0.0
POWER_OF_LEVEL.setflags(write=False)


@dataclass(frozen=True, slots=True)
class BandPlan:
    """How one sample rate is cut into frames and bands."""

    sample_rate_hz: float
    hop: int
    """Samples from one frame to the next."""
    kernels: npt.NDArray[np.float32]
    """Shape (3, hop, 2 * tones): thirds of the windowed cosines and sines."""
    pooling: npt.NDArray[np.float32]
    """Shape (2 * tones, bands): which squares belong to which band."""
    edges_hz: tuple[float, ...]

    @property
    def bands(self) -> int:
        return int(self.pooling.shape[1])

    @property
    def frame_s(self) -> float:
        return self.hop / self.sample_rate_hz

    @property
    def frame_middle_s(self) -> float:
        """From the first sample of a frame to the middle of its window."""
        return 1.5 * self.hop / self.sample_rate_hz

    @property
    def chunk_samples(self) -> int:
        return CHUNK_FRAMES * self.hop


def plan_bands(sample_rate_hz: float) -> BandPlan:
    """Windows and bands for a sample rate.

    Raises
    ------
    InputError
        Below 8 kHz, where a tick has lost what it is told by.
    """
    if not 8000 <= sample_rate_hz <= 400_000:
        raise InputError(
            f"sample rate is {sample_rate_hz:g} Hz; 8000 to 384000 Hz can be heard with. Record again at 44100 or 48000 Hz."
        )
    hop = max(4, round(sample_rate_hz * FRAME_S))
    length = 3 * hop
    time = (np.arange(length) + 0.5) / sample_rate_hz
    window = np.hanning(length + 2)[1:-1]
    spacing = 2.0 / (length / sample_rate_hz)
    top = min(_EDGES_HZ[-1], 0.46 * sample_rate_hz)
    tones = np.arange(1, int(top / spacing) + 1) * spacing
    polynomials, _ = np.linalg.qr(np.vander(np.linspace(-1, 1, length), 4))
    columns, owners = [], []
    for tone in tones:
        band = int(np.searchsorted(_EDGES_HZ, tone, side="right")) - 1
        if band < 0:
            continue
        for wave in (np.cos, np.sin):
            kernel = window * wave(2 * np.pi * tone * (time - time.mean()))
            kernel -= polynomials @ (polynomials.T @ kernel)
            columns.append(kernel / np.sqrt(np.sum(kernel**2)))
            owners.append(band)
    kept = sorted(set(owners))
    pooling = np.zeros((len(owners), len(kept)), np.float32)
    for row, band in enumerate(owners):
        pooling[row, kept.index(band)] = 1.0 / owners.count(band) / length
    kernels = np.ascontiguousarray(np.array(columns, np.float32).T.reshape(3, hop, len(owners)))
    edges = (*(_EDGES_HZ[band] for band in kept), min(_EDGES_HZ[kept[-1] + 1], sample_rate_hz / 2))
    return BandPlan(float(sample_rate_hz), hop, kernels, pooling, edges)


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk of sound as levels, and what was odd about its samples.

    ``levels`` has shape (CHUNK_FRAMES, bands); ``pooled`` is the mean power of each POOLED_FRAMES frames, shape
    (CHUNK_FRAMES / POOLED_FRAMES, bands), full scale 1, and 0 where there was no sound.
    """

    number: int
    levels: npt.NDArray[np.uint8]
    pooled: npt.NDArray[np.float32]
    peak: float
    clipped_samples: int
    bad_samples: int
    silent: bool
    """Whether any frame of it is digital silence in some band."""


@dataclass(slots=True)
class BandEar:
    """Turns samples of one channel into chunks of levels; holds at most one chunk of sound."""

    plan: BandPlan
    _held: npt.NDArray[np.float32] = field(init=False)
    _filled: int = field(init=False, default=0)
    _number: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        self._held = np.zeros((CHUNK_FRAMES + 2) * self.plan.hop, np.float32)

    @property
    def samples_heard(self) -> int:
        return self._number * self.plan.chunk_samples + self._filled

    def feed(self, samples: npt.NDArray[np.float32]) -> list[Chunk]:
        """Take in samples, shape (n,); give back the chunks they complete."""
        done: list[Chunk] = []
        taken = 0
        while taken < len(samples):
            take = min(len(samples) - taken, len(self._held) - self._filled)
            self._held[self._filled : self._filled + take] = samples[taken : taken + take]
            self._filled += take
            taken += take
            if self._filled == len(self._held):
                done.append(self._work())
        return done

    def skip(self, count: int) -> list[Chunk]:
        """Go on over ``count`` samples that were lost: silence stands in for them."""
        done: list[Chunk] = []
        silence = np.zeros(min(count, self.plan.chunk_samples), np.float32)
        while count > 0:
            step = min(count, len(silence))
            done += self.feed(silence[:step])
            count -= step
        return done

    def finish(self) -> list[Chunk]:
        """The last, unfinished chunk; its missing end counts as silence."""
        if self._filled <= 0:
            return []
        self._held[self._filled :] = 0
        return [self._work()]

    def _work(self) -> Chunk:
        plan, sound = self.plan, self._held
        peak = max(float(sound.max()), -float(sound.min()))
        bad = clipped = 0
        if not np.isfinite(peak) or peak > 1e6:
            wrong = ~(np.abs(sound) <= 1e6)
            bad = int(np.count_nonzero(wrong))
            sound[wrong] = 0
            peak = float(np.abs(sound).max())
        if peak >= 0.98:
            clipped = int(np.count_nonzero(np.abs(sound) >= min(0.999 * peak, 1.0) - 1e-6))
        rows = sound.reshape(-1, plan.hop)
        waves = rows[:-2] @ plan.kernels[0]
        waves += rows[1:-1] @ plan.kernels[1]
        waves += rows[2:] @ plan.kernels[2]
        np.square(waves, out=waves)
        power = waves @ plan.pooling
        pooled = power[::POOLED_FRAMES].copy()
        for step in range(1, POOLED_FRAMES):
            pooled += power[step::POOLED_FRAMES]
        pooled /= POOLED_FRAMES
        lost = power < _BIAS
        silent = bool(lost.any())
        if silent:
            power[lost] = 1.0
        np.log10(power, out=power)
        power *= np.float32(10 * STEPS_PER_DB)
        power += np.float32(LEVEL_AT_FULL_SCALE + 0.5)
        np.maximum(power, 1, out=power)
        np.minimum(power, 255, out=power)
        levels = power.astype(np.uint8)
        if silent:
            levels[lost] = 0
        chunk = Chunk(self._number, levels, pooled, peak, clipped, bad, silent)
        keep = 2 * plan.hop
        self._held[:keep] = self._held[-keep:].copy()
        self._filled = max(self._filled - plan.chunk_samples, 0) if self._filled == len(self._held) else 0
        self._number += 1
        return chunk
