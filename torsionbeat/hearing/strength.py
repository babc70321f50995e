"""Onset strength: how far the sound rises above the room, in units of the background-noise deviation.

Input: chunks of pooled band power, one after the other. Output: strength, shape (pooled frames, bands): 0 is the
room, 1 is one standard deviation of its noise. The room's floor in each band is the median over the chunk or over
the last nine chunks, whichever is higher, so that speech or a lorry raises the floor and does not raise the strength.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

__all__ = ["STRONGEST", "RoomFloor", "rising"]

FloatArray = npt.NDArray[np.float32]

STRONGEST = 30000.0
"""Strength is cut off here, within the range of half-precision numbers."""

_LEAST_DEVIATION = 0.05
_MEMORY_CHUNKS = 9


@dataclass(slots=True)
class RoomFloor:
    """Running floor of the room in each band."""

    _floors: deque[FloatArray] = field(default_factory=lambda: deque(maxlen=_MEMORY_CHUNKS))
    _deviations: deque[FloatArray] = field(default_factory=lambda: deque(maxlen=_MEMORY_CHUNKS))

    def strength(self, pooled: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Strength of one chunk, shape as ``pooled``, with the floor (power) and deviation used, shape (bands,)."""
        heard = pooled[:, 0] > 0
        if np.count_nonzero(heard) < len(pooled) // 4:
            nothing: FloatArray = np.ones(pooled.shape[1], np.float32)
            return np.zeros_like(pooled), self._floors[-1] if self._floors else nothing, nothing
        ordered: FloatArray = np.sort(pooled[heard].T, axis=1)
        low: FloatArray = ordered[:, int(0.16 * ordered.shape[1])]
        middle: FloatArray = np.maximum(ordered[:, ordered.shape[1] // 2], np.float32(1e-20))
        self._floors.append(middle)
        self._deviations.append(np.maximum(1 - low / middle, np.float32(_LEAST_DEVIATION)))
        floor: FloatArray = np.maximum(_middle(self._floors), middle)
        deviation: FloatArray = np.maximum(_middle(self._deviations), self._deviations[-1])
        strength: FloatArray = (pooled / floor - 1) / deviation
        np.clip(strength, -3, STRONGEST, out=strength)
        strength[~heard] = 0
        return strength, floor, deviation


def _middle(values: deque[FloatArray]) -> FloatArray:
    """Median by band, the upper one of an even number."""
    ordered: FloatArray = np.sort(np.array(values), axis=0)[len(values) // 2]
    return ordered


def rising(strength: FloatArray, strongest: float, before: int = 8, apart: int = 2) -> FloatArray:
    """Strength less the mean of the frames just before it: a tick rises, a voice or a lorry stays.

    Parameters
    ----------
    strength : array, shape (frames, bands)
    strongest : float
        Strength is cut off here first, so that one bang does not outweigh a night of ticks.
    before, apart : int
        The mean is taken over ``before`` frames that end ``apart`` frames earlier.
    """
    from scipy.ndimage import uniform_filter1d

    out = np.clip(strength, -3, strongest).astype(np.float32)
    # uniform_filter1d centres its window: move it back so that it ends `apart` frames before each frame.
    back = apart + before // 2
    for band in range(out.shape[1]):
        series = out[:, band]
        mean = uniform_filter1d(series, before, mode="nearest")
        series[back:] -= np.maximum(mean[:-back], np.float32(-0.5))
        series[:back] -= max(float(mean[0]), -0.5)
    return out
