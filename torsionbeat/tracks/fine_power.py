"""Power over the room at any frame of a stretch of sound, calculated from its levels, and pieces of it laid together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.edges import AFTER, BEFORE
from torsionbeat.tracks.bands import CHUNK_FRAMES, POOLED_FRAMES, POWER_OF_LEVEL

__all__ = [
    "FinePower",
    "aligned",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FinePower:
    """Power over the noise floor at any frame of a stretch of sound, calculated from its levels on demand.

    ``levels`` shape (frames, bands); ``floors`` shape (chunks, bands), power; ``added``, shape (pooled frames,
    bands) or None, is what another clock adds to the room at each moment, as a multiple of the floor.
    """

    levels: npt.NDArray[np.uint8]
    floors: FloatArray
    added: npt.NDArray[np.float16] | None

    def windows(self, places: IntArray, search: int) -> FloatArray:
        """Power round each place, shape (beats, BEFORE + AFTER + 2 search, bands); 1 (the room) outside."""
        return self.around(places, BEFORE + search, AFTER + search)

    def around(self, places: IntArray, before: int, after: int, step: int = 1) -> FloatArray:
        """Power from ``before`` frames before each place to ``after`` behind it, shape (beats, before + after, bands).

        Only every ``step``-th frame is returned.

        Parameters
        ----------
        places : ndarray of int
            shape (beats,): where each beat is expected, in frames.
        before : int
            Frames before each place.
        after : int
            Frames behind it.
        step : int
            Take one of this many frames.
        """
        index = places[:, None] + np.arange(-before, after, step)[None, :]
        inside = (index >= 0) & (index < len(self.levels))
        index = np.clip(index, 0, len(self.levels) - 1)
        out: FloatArray = POWER_OF_LEVEL.take(self.levels.take(index, axis=0))
        out /= self.floors.take(index // CHUNK_FRAMES, axis=0)
        if self.added is not None:
            out /= 1 + self.added.take(index // POOLED_FRAMES, axis=0).astype(np.float32)
        out[~inside] = 1
        np.minimum(out, 1e6, out=out)
        return out

    def shade(self, places: IntArray, search: int) -> FloatArray | None:
        """Factor by which another clock may raise the room's power, shape as `windows`; None where none ticks."""
        if self.added is None:
            return None
        index = places[:, None] + np.arange(-BEFORE - search, AFTER + search)[None, :]
        index = np.clip(index, 0, len(self.levels) - 1) // POOLED_FRAMES
        out: FloatArray = 1 + self.added[index].astype(np.float32)
        return out if (out > 1).any() else None

    def level_db(self, places: IntArray) -> npt.NDArray[np.float64]:
        """Greatest power in the 15 ms from each place over the room's, all bands together, in dB."""
        index = np.clip(places[:, None] + np.arange(0, 30)[None, :], 0, len(self.levels) - 1)
        loud = POWER_OF_LEVEL[self.levels[index]].sum(axis=2).max(axis=1)
        floor = self.floors[np.clip(places, 0, len(self.levels) - 1) // CHUNK_FRAMES].sum(axis=1)
        out: npt.NDArray[np.float64] = 10 * np.log10(np.maximum(loud / np.maximum(floor, 1e-20), 1e-3))
        return out.astype(np.float64)


def aligned(sound: FloatArray, shifts: npt.NDArray[np.float64], length: int) -> FloatArray:
    """Pieces of each window beginning at a fractional shift, shape (beats, length, bands).

    Parameters
    ----------
    sound : ndarray
        shape (beats, frames, bands).
    shifts : ndarray
        shape (beats,): where each piece begins, in frames.
    length : int
        Frames of a piece.
    """
    whole = np.floor(shifts).astype(np.int64)
    part = (shifts - whole).astype(np.float32)[:, None, None]
    index = whole[:, None] + np.arange(length + 1)[None, :]
    index = np.clip(index, 0, sound.shape[1] - 1)
    index += np.arange(len(sound))[:, None] * sound.shape[1]
    piece: FloatArray = sound.reshape(-1, sound.shape[2]).take(index, axis=0)
    return piece[:, :-1] * (1 - part) + piece[:, 1:] * part
