"""From samples to band levels: how loud the sound is in a few bands, two thousand times a second.

Input: samples of one channel, block by block. Output: levels in half-decibel steps, shape (frames, bands), uint8.
The same samples give the same levels however they are cut into blocks, because all arithmetic is done on chunks
of a fixed number of frames counted from the start.

Band levels become onset strength, how far the sound rises above the room, in units of the background-noise deviation:
0 is the room, 1 is one standard deviation of its noise. The room's floor in each band is the median over the chunk or
over the last nine chunks, whichever is higher, so that speech or a lorry raises the floor and not the strength.

Each frame is a window of 1.5 ms, the next one begins 0.5 ms later. Windowed cosines and sines, made orthogonal to
parabolas to reject hum, rumble and the fundamental of a voice, are correlated with the samples by matrix
products; the squares, summed by band, are the power. Level 0 means that there was no sound at all: digital
silence, a stuck converter, a stretch that was lost. The levels and strengths of an hour or so make a chapter.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError

__all__ = [
    "CHUNK_FRAMES",
    "EDGES_HZ",
    "FRAMES_PER_S",
    "FRAME_S",
    "LEVEL_AT_FULL_SCALE",
    "POOLED_CHUNK",
    "POOLED_FRAMES",
    "POWER_OF_LEVEL",
    "STRONGEST",
    "BandEar",
    "BandPlan",
    "ChannelEar",
    "Chapter",
    "Chunk",
    "RoomFloor",
    "peaks_of",
    "plan_bands",
    "power_of",
    "rising",
]

FloatArray = npt.NDArray[np.float32]

FRAME_S = 0.0005
"""Half a millisecond: the hop of the band levels, finer than the rise of a tick."""
FRAMES_PER_S = 1 / FRAME_S
CHUNK_FRAMES = 2048
"""Frames in a chunk: the unit in which sound is worked on, about a second."""

POOLED_FRAMES = 8
"""Frames pooled into one for the search: 4 ms."""
POOLED_CHUNK = CHUNK_FRAMES // POOLED_FRAMES  # pooled frames in a chunk

STEPS_PER_DB = 2.0
"""Half-decibel steps, which a byte holds over 125 dB."""
LEVEL_AT_FULL_SCALE = 250
"""Leaves a byte five steps above full scale, for decoders that overshoot."""
EDGES_HZ = (900.0, 2000.0, 3400.0, 6000.0, 10000.0, 15500.0)
"""Below 0.9 kHz there is hum and speech; above, five bands of two thirds of an octave to one octave."""
_BIAS = 1e-26
"""The last bit of 24 has far more power: below this the samples are zeros, not sound."""

STRONGEST = 30000.0
"""Strength is limited to this, within the range of half-precision numbers."""

_LEAST_PEAK_DB = 7.0
"""Peaks of 5 times the background-noise deviation and more."""

_LEAST_DEVIATION = 0.05
"""Relative deviation of the floor: digital silence has none, and must not make every tick infinite."""
_MEMORY_CHUNKS = 9
"""Chunks over which floor and deviation are kept, about nine seconds."""

# Power of every level that a byte holds: a table instead of a computation.
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
    averaging: npt.NDArray[np.float32]
    """Shape (POOLED_FRAMES * bands, bands): the mean of that many frames by band."""
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
        Below 8 kHz, where a tick has lost the band that identifies it.
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
    top = min(EDGES_HZ[-1], 0.46 * sample_rate_hz)
    tones = np.arange(1, int(top / spacing) + 1) * spacing
    polynomials, _ = np.linalg.qr(np.vander(np.linspace(-1, 1, length), 4))
    columns, owners = [], []
    for tone in tones:
        band = int(np.searchsorted(EDGES_HZ, tone, side="right")) - 1
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
    edges = (*(EDGES_HZ[band] for band in kept), min(EDGES_HZ[kept[-1] + 1], sample_rate_hz / 2))
    averaging = np.tile(np.eye(len(kept)) / POOLED_FRAMES, (POOLED_FRAMES, 1)).astype(np.float32)
    return BandPlan(float(sample_rate_hz), hop, kernels, pooling, averaging, edges)


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk of sound as levels and strength, and the defects of its samples.

    ``levels`` has shape (CHUNK_FRAMES, bands); ``strength``, shape (POOLED_CHUNK, bands), is how far the mean power of each
    POOLED_FRAMES frames rises above the room, whose ``floor`` (power, full scale 1) and ``deviation`` have shape (bands,).
    """

    number: int
    levels: npt.NDArray[np.uint8]
    strength: npt.NDArray[np.float16]
    floor: npt.NDArray[np.float32]
    deviation: npt.NDArray[np.float32]
    peak: float
    clipped_samples: int
    bad_samples: int
    silent: bool
    """Whether any of its frames is digital silence in some band."""


_FALLS: FloatArray = np.linspace(1, 0, 64, endpoint=False, dtype=np.float32)[:, None]
"""A floor that falls from one chunk to the next does so within a quarter of a second: at a step all bands would rise at once, and
with a phone's automatic gain such steps made a clock of 59 chunks. A floor that rises hides at most what begins there."""


@dataclass(slots=True)
class RoomFloor:
    """Running floor of the room in each band."""

    _floors: deque[FloatArray] = field(default_factory=lambda: deque(maxlen=_MEMORY_CHUNKS))
    _deviations: deque[FloatArray] = field(default_factory=lambda: deque(maxlen=_MEMORY_CHUNKS))
    _before: FloatArray | None = None

    def strength(self, pooled: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Strength of one chunk, shape as ``pooled``, with the floor (power) and deviation used, shape (bands,)."""
        heard = pooled[:, 0] > 0
        count = np.count_nonzero(heard)
        if count < len(pooled) // 4:
            nothing: FloatArray = np.ones(pooled.shape[1], np.float32)
            return np.zeros_like(pooled), self._floors[-1] if self._floors else nothing, nothing
        ordered: FloatArray = np.sort((pooled if count == len(pooled) else pooled[heard]).T, axis=1)
        low: FloatArray = ordered[:, int(0.16 * ordered.shape[1])]
        middle: FloatArray = np.maximum(ordered[:, ordered.shape[1] // 2], np.float32(1e-20))
        self._floors.append(middle)
        self._deviations.append(np.maximum(1 - low / middle, np.float32(_LEAST_DEVIATION)))
        floor: FloatArray = np.maximum(_middle(self._floors), middle)
        deviation: FloatArray = np.maximum(_middle(self._deviations), self._deviations[-1])
        strength: FloatArray = pooled / floor
        if self._before is not None and np.any(self._before > floor):
            strength[: len(_FALLS)] /= 1 + _FALLS * np.maximum(self._before / floor - 1, 0)
        self._before = floor
        strength -= 1
        strength /= deviation
        np.clip(strength, -3, STRONGEST, out=strength)
        if count < len(pooled):
            strength[~heard] = 0
        return strength, floor, deviation


def _middle(values: deque[FloatArray]) -> FloatArray:
    """Median by band, the upper one of an even number."""
    ordered: FloatArray = np.sort(np.array(values), axis=0)[len(values) // 2]
    return ordered


def power_of(sound: FloatArray, plan: BandPlan) -> FloatArray:
    """Power (full scale 1) of each frame in each band, shape (frames, bands), of samples of shape ((frames + 2) * hop,)."""
    rows = sound.reshape(-1, plan.hop)
    waves = rows[:-2] @ plan.kernels[0]
    waves += rows[1:-1] @ plan.kernels[1]
    waves += rows[2:] @ plan.kernels[2]
    np.square(waves, out=waves)
    power: FloatArray = waves @ plan.pooling
    return power


@dataclass(slots=True)
class BandEar:
    """Turns samples of one channel into chunks of levels and strength; holds at most one chunk of sound."""

    plan: BandPlan
    _room: RoomFloor = field(init=False, default_factory=RoomFloor)
    _held: npt.NDArray[np.float32] = field(init=False)
    _filled: int = field(init=False, default=0)
    _number: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        self._held = np.zeros((CHUNK_FRAMES + 2) * self.plan.hop, np.float32)

    def feed(self, samples: npt.NDArray[np.float32]) -> list[Chunk]:
        """Take in samples, shape (n,); return the chunks they complete."""
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
        """Replace ``count`` samples that were lost by silence."""
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
        power = power_of(sound, plan)
        pooled = power.reshape(-1, len(plan.averaging)) @ plan.averaging
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
        strength, floor, deviation = self._room.strength(pooled)
        with np.errstate(under="ignore"):
            small = strength.astype(np.float16)
        chunk = Chunk(self._number, levels, small, floor, deviation, peak, clipped, bad, silent)
        keep = 2 * plan.hop
        self._held[:keep] = self._held[-keep:].copy()
        self._filled = max(self._filled - plan.chunk_samples, 0) if self._filled == len(self._held) else 0
        self._number += 1
        return chunk


@dataclass(frozen=True, slots=True)
class Chapter:
    """Levels (frames, bands), strength (pooled frames, bands), floor and deviation of the room by chunk (chunks, bands)."""

    frame_s: float
    levels: npt.NDArray[np.uint8]
    strength: npt.NDArray[np.float16]
    floors: FloatArray
    deviations: FloatArray


class ChannelEar:
    """One channel: its bands, and the levels of the open chapter, in arrays that are allocated once.

    ``room_for`` is the number of chunks that they hold from the start.
    """

    def __init__(self, plan: BandPlan, room_for: int) -> None:
        self._room_for = room_for
        self.bands = BandEar(plan)
        self.chunks = 0
        self.clipped = 0
        self.bad = 0
        self.peak = 0.0
        self._levels = np.empty((0, plan.bands), np.uint8)
        self._strength = np.empty((0, plan.bands), np.float16)
        self._floors = np.empty((0, plan.bands), np.float32)
        self._deviations = np.empty((0, plan.bands), np.float32)

    def take(self, chunk: Chunk) -> None:
        """Add a chunk to the open chapter."""
        at = self.chunks
        if at == len(self._floors):
            self._grow()
        self._levels[at * CHUNK_FRAMES : (at + 1) * CHUNK_FRAMES] = chunk.levels
        self._strength[at * POOLED_CHUNK : (at + 1) * POOLED_CHUNK] = chunk.strength
        self._floors[at], self._deviations[at] = chunk.floor, chunk.deviation
        self.chunks += 1
        self.clipped += chunk.clipped_samples
        self.bad += chunk.bad_samples
        self.peak = max(self.peak, chunk.peak)

    def _grow(self) -> None:
        """Allocate a whole chapter at once; pages that are never written cost nothing."""
        for name, frames in (
            ("_levels", CHUNK_FRAMES),
            ("_strength", POOLED_CHUNK),
            ("_floors", 1),
            ("_deviations", 1),
        ):
            old = getattr(self, name)
            new = np.empty((max(self._room_for, self.chunks + 64) * frames, old.shape[1]), old.dtype)
            new[: len(old)] = old
            setattr(self, name, new)

    def chapter(self, frame_s: float) -> Chapter:
        """The chunks held, as views that are valid until the next chunk."""
        return Chapter(
            frame_s,
            self._levels[: self.chunks * CHUNK_FRAMES],
            self._strength[: self.chunks * POOLED_CHUNK],
            self._floors[: self.chunks],
            self._deviations[: self.chunks],
        )

    def forget(self, chunks: int) -> None:
        """Drop the first chunks; the rest moves to the front."""
        for name, frames in (
            ("_levels", CHUNK_FRAMES),
            ("_strength", POOLED_CHUNK),
            ("_floors", 1),
            ("_deviations", 1),
        ):
            array = getattr(self, name)
            kept = array[chunks * frames : self.chunks * frames]
            array[: len(kept)] = kept
        self.chunks -= chunks


def rising(strength: FloatArray, strongest: float, before: int = 8, apart: int = 2) -> FloatArray:
    """Strength minus the mean of the frames just before it: a tick rises suddenly, a voice or a lorry does not.

    Parameters
    ----------
    strength : array, shape (frames, bands)
    strongest : float
        Strength is cut off here first, so that one bang does not outweigh a night of ticks.
    before, apart : int
        The mean is taken over ``before`` frames that end ``apart`` frames earlier.
    """
    from scipy.ndimage import uniform_filter1d

    out = np.clip(strength, -3, strongest)
    # uniform_filter1d centres its window: move it back so that it ends `apart` frames before each frame.
    back = apart + before // 2
    for band in range(out.shape[1]):
        series = out[:, band]
        mean = uniform_filter1d(series, before, mode="nearest")
        series[back:] -= np.maximum(mean[:-back], np.float32(-0.5))
        series[:back] -= max(float(mean[0]), -0.5)
    return out


def peaks_of(rising: FloatArray, frame_s: float) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Times in seconds and levels in dB of the peaks of rising strength (frames, bands), without an upper limit."""
    from scipy.ndimage import maximum_filter1d

    series = rising.max(axis=1)
    at = np.flatnonzero((series == maximum_filter1d(series, 9)) & (series > 10 ** (_LEAST_PEAK_DB / 10)))
    return at.astype(np.float64) * frame_s, 10 * np.log10(series[at].astype(np.float64))
