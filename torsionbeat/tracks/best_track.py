"""The best track: dynamic programming over rows of strength, one row a period, and what chance gives in the same rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.theory.robust import median_deviation

__all__ = [
    "Track",
    "above_chance",
    "best_track",
    "rows_of",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

_STRETCHES = 80
"""Least number of stretches of columns that tell chance. From 20 of one rotation the score of a clear track of 20 rows was
anything from 12 to 41 by the draw."""


@dataclass(frozen=True, slots=True)
class Track:
    """Column of the sound in each row, its strength there, and the greatest total."""

    columns: IntArray
    strengths: FloatArray
    total: float


def rows_of(series: FloatArray, starts: IntArray, columns: int) -> FloatArray:
    """Rows of ``columns`` frames beginning at ``starts``; zero outside the series. Shape (rows, columns) with any bands.

    Parameters
    ----------
    series : ndarray
        shape (frames,) or (frames, bands).
    starts : ndarray of int
        shape (rows,): first frames.
    columns : int
        Frames of a row.
    """
    out = np.zeros((len(starts), columns, *series.shape[1:]), np.float32)
    for row, start in zip(out, starts.tolist(), strict=True):
        inside = slice(min(max(-start, 0), columns), max(min(len(series) - start, columns), 0))
        if inside.start < inside.stop:
            row[inside] = series[start + inside.start : start + inside.stop]
    return out


def best_track(image: FloatArray, *, reach: int, price: float, cap: float) -> Track:
    """The track with the greatest total.

    Parameters
    ----------
    image : array, shape (rows, columns)
        Strength, 0 for the room, 1 for one standard deviation of it.
    reach : int
        Columns by which the track may step from row to row.
    price : float
        Cost of a step of one column, in the unit of strength.
    cap : float
        Greatest contribution of a row.
    """
    rows, columns = image.shape
    kept: FloatArray = np.empty((rows, columns), np.float32)
    totals = _totals(np.minimum(image, cap), reach, price, kept)
    path = np.empty(rows, np.int64)
    path[-1] = int(np.argmax(totals))
    steps = np.concatenate([[0], *([step, -step] for step in range(1, reach + 1))])
    for row in range(rows - 1, 0, -1):
        from_here = path[row] + steps
        inside = (from_here >= 0) & (from_here < columns)
        came = np.where(inside, kept[row - 1][np.clip(from_here, 0, columns - 1)], -np.inf)
        path[row - 1] = from_here[int(np.argmax(came - np.float32(price) * np.abs(steps)))]
    strengths = image[np.arange(rows), path]
    return Track(path, strengths.astype(np.float32), float(totals[path[-1]]))


def above_chance(track: Track, image: FloatArray, *, reach: int, price: float, cap: float) -> float:
    """How far a track's total is above chance in the same rows, in units of chance's scatter.

    Each row is rotated by its own random amount: sounds that keep step are scattered, loud ones stay as loud. The best
    totals in many stretches of columns are then those of chance; where a row has few stretches, those of several rotations.

    Parameters
    ----------
    track : Track
    image : ndarray
        shape (rows, columns).
    reach : int
        Columns by which it may move from row to row.
    price : float
        Cost of a move by one column.
    cap : float
        Larger values count as this.
    """
    rows, columns = image.shape
    rng, cut = np.random.default_rng(rows * 7919 + columns), np.minimum(image, cap)
    width = max(8, min(24, columns // 12))
    stretches = columns // width
    best = np.empty((-(-_STRETCHES // stretches), stretches), np.float32)
    for trial in best:
        index = (np.arange(columns)[None, :] + rng.integers(0, columns, size=(rows, 1))) % columns
        totals = _totals(np.take_along_axis(cut, index, axis=1), reach, price, None)
        trial[:] = totals[: stretches * width].reshape(-1, width).max(axis=1)
    middle = float(np.median(best))
    spread = median_deviation(best - middle)
    return (track.total - middle) / max(spread, 0.35 * float(np.sqrt(rows)))


def _totals(cut: FloatArray, reach: int, price: float, kept: FloatArray | None) -> FloatArray:
    """Greatest total of any track that ends in each column of the last row; ``kept`` receives those of every row."""
    columns = cut.shape[1]
    totals: FloatArray = cut[0].copy()
    if kept is not None:
        kept[0] = totals
    padded = np.full(columns + 2 * reach, -np.inf, np.float32)
    moved = np.empty(columns, np.float32)
    for row in range(1, len(cut)):
        padded[reach : reach + columns] = totals
        for step in range(1, reach + 1):
            left, right = padded[reach - step :][:columns], padded[reach + step :][:columns]
            np.maximum(left, right, out=moved)
            moved -= np.float32(price * step)
            np.maximum(totals, moved, out=totals)
        totals += cut[row]
        if kept is not None:
            kept[row] = totals
    return totals
