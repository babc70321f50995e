"""One and the same mark of every beat, so that times of beats can be held against each other.

A swing's ``time_s`` is the middle of its lift passage, or its drop where the contact was not heard: half a
passage later, some tenths of a second. What fits lines to beats, or takes intervals between them, needs one
mark throughout.
"""

from __future__ import annotations

import numpy as np

from torsionbeat.reading.figures import FloatArray, Swings

__all__ = ["middles_s"]

LEAST_PASSAGES = 3


def middles_s(swings: Swings) -> FloatArray:
    """Give the time of the same mark of every beat, seconds, shape (n,).

    The middle of the lift passage, found from the neighbours' passage where only the drop was heard; the drop of
    every beat where a side has too few passages for that.

    Examples
    --------
    >>> import numpy as np
    >>> n = np.arange(10)
    >>> passage = np.where(n == 4, np.nan, 0.8)
    >>> time = np.where(n == 4, 30.0 * n + 0.4, 30.0 * n)
    >>> swings = Swings(n, time, ["a", "b"] * 5, time * np.nan, passage, time * np.nan)
    >>> float(np.abs(middles_s(swings) - 30.0 * n).max())
    0.0
    """
    passage = swings.lift_passage_s
    known = np.isfinite(passage)
    if known.all() or not known.any():
        return swings.time_s.copy()
    drop = swings.time_s + np.where(known, passage, 0.0) / 2
    filled = passage.copy()
    for side in "ab":
        mine = swings.side == side
        if not mine.any():
            continue
        if np.count_nonzero(mine & known) < LEAST_PASSAGES:
            return drop
        blank = mine & ~known
        filled[blank] = np.interp(
            swings.number[blank], swings.number[mine & known], _smoothed(passage[mine & known])
        )
    middles: FloatArray = drop - filled / 2
    return middles


def _smoothed(values: FloatArray) -> FloatArray:
    """Running median over five."""
    padded = np.pad(values, 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
