"""Tracks: where in each period does a sound of the beat fall?

The strength of the sound is laid out in rows of one period each; a sound that belongs to the clock then stands in
every row at nearly the same column. The best track through all rows (dynamic programming: each row may step a
little to the left or right of the last, at a price) follows a clock whose arc and period wander, and a row without
the sound costs one row and no more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Track", "above_chance", "best_track", "rows_of", "weighted"]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Track:
    """Column of the sound in each row, its strength there, and the total that was greatest."""

    columns: IntArray
    strengths: FloatArray
    total: float


def weighted(rising: FloatArray, weights: FloatArray, width: int) -> FloatArray:
    """One series from the bands, smoothed over ``width`` frames, in units of its own scatter. Shape (frames,)."""
    from scipy.ndimage import uniform_filter1d

    share = (weights / np.sqrt(np.sum(weights**2))).astype(np.float32)
    series: FloatArray = rising @ share
    series = uniform_filter1d(series, width)
    # Stretches without sound are exactly nought: where they are most of it, they would say that the room is still.
    sounding = series[series != 0]
    heard = sounding if 100 < len(sounding) < 0.5 * len(series) else series
    sample = np.sort(heard[:: max(1, len(heard) // 50_000)])
    middle, upper = sample[len(sample) // 2], sample[int(0.84 * len(sample))]
    series -= middle
    series /= max(float(upper - middle), 1e-6)
    return series


def rows_of(series: FloatArray, starts: IntArray, columns: int) -> FloatArray:
    """Rows of ``columns`` frames beginning at ``starts``; nought outside the series. Shape (rows, columns)."""
    index = starts[:, None] + np.arange(columns)[None, :]
    inside = (index >= 0) & (index < len(series))
    out = series[np.clip(index, 0, len(series) - 1)]
    return np.where(inside, out, np.float32(0))


def best_track(image: FloatArray, *, reach: int, price: float, cap: float) -> Track:
    """The track with the greatest total.

    Parameters
    ----------
    image : array, shape (rows, columns)
        Strength, 0 for the room, 1 for one standard deviation of it.
    reach : int
        Columns by which the track may step from row to row.
    price : float
        What a step of one column costs, in the unit of strength.
    cap : float
        No row counts for more than this.
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
    """How far a track's total stands above what chance gives in the same rows, in units of its scatter.

    Each row is turned round by a random amount of its own: what keeps step is scattered, what is loud stays as
    loud. The best totals in many stretches of columns are what chance gives.
    """
    rows, columns = image.shape
    turn = np.random.default_rng(rows * 7919 + columns).integers(0, columns, size=(rows, 1))
    index = (np.arange(columns)[None, :] + turn) % columns
    turned: FloatArray = np.take_along_axis(np.minimum(image, cap), index, axis=1)
    totals = _totals(turned, reach, price, None)
    width = max(8, min(24, columns // 12))
    best = totals[: columns // width * width].reshape(-1, width).max(axis=1)
    middle = float(np.median(best))
    spread = 1.4826 * float(np.median(np.abs(best - middle)))
    return (track.total - middle) / max(spread, 0.35 * float(np.sqrt(rows)))


def _totals(cut: FloatArray, reach: int, price: float, kept: FloatArray | None) -> FloatArray:
    """Greatest total of any track ending in each column of the last row; ``kept`` takes those of every row."""
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
