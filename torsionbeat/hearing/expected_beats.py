"""Neighbours: where the beats before and after put a beat, and which beats may stay where they were found.

A bang beside a beat can be taken for it. What gives it away is that it misses the place where its neighbours expect
the beat, and that it does not sound like the beat; one of the two alone does not, for a clock may turn a corner
(its drive was lost, its case was knocked), and weak beats all sound like the room.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.exact import ExactTimes

__all__ = ["expected_places", "of_a_kind"]

IntArray = npt.NDArray[np.int64]

_CORNER = 60.0
"""Frames (30 ms) by which the beat may turn a corner from one row to the next."""
_AS_LOUD = 6.0
"""Power by which one beat may stand above or below the mean sound and still be a beat."""


def of_a_kind(found: ExactTimes, certain: npt.NDArray[np.bool_], unlike: float) -> npt.NDArray[np.bool_]:
    """Which sounds are as like the mean sound and as loud as most, where likeness tells sounds from the room at all.

    Those are the clock's wherever they fall: the beat may turn a corner. A bang is unlike, or far too loud.
    """
    if np.count_nonzero(certain) < 8:
        return np.zeros(len(certain), bool)
    middle = float(np.median(found.likeness[certain]))
    scatter = 1.4826 * float(np.median(np.abs(found.likeness[certain] - middle)))
    least = middle - 3 * scatter - 0.01
    loud = found.loudness / max(float(np.median(found.loudness[certain])), 1e-9)
    if least < unlike:
        return np.zeros(len(certain), bool)
    out: npt.NDArray[np.bool_] = (found.likeness > least) & (loud > 1 / _AS_LOUD) & (loud < _AS_LOUD)
    return out


def expected_places(
    frames: npt.NDArray[np.float64],
    rows: IntArray,
    certain: npt.NDArray[np.bool_],
    alike: npt.NDArray[np.bool_],
) -> tuple[npt.NDArray[np.float64], float, npt.NDArray[np.bool_]]:
    """Where each row's neighbours put it, by how much single rows miss that, and which rows may stay as they are.

    A bang taken for the beat draws its neighbours' expectation with it, most where there are few of them, at the
    ends. So what misses by far is left out and the rest asked again; what sounds like the clock stays in.
    """
    trusted = np.flatnonzero(certain) if np.count_nonzero(certain) >= 4 else np.arange(len(rows))
    if len(trusted) < 4:
        return frames.copy(), 4.0, certain
    period = float(np.median(np.diff(frames[trusted]) / np.diff(rows[trusted])))
    residual = frames - period * rows
    settled = certain
    expected, unrest = residual, 0.0
    for _ in range(4):
        expected = _from_neighbours(rows, residual, trusted)
        miss = np.abs(residual - expected)
        unrest = max(1.4826 * float(np.median(miss[trusted])), 0.5)
        before = settled
        settled = (certain & (miss < max(6 * unrest, 8))) | (alike & (miss < _CORNER))
        if np.array_equal(before, settled) or np.count_nonzero(settled) < 4:
            break
        trusted = np.flatnonzero(settled)
    return expected + period * rows, unrest, settled


def _from_neighbours(
    rows: IntArray, residual: npt.NDArray[np.float64], trusted: IntArray
) -> npt.NDArray[np.float64]:
    """What a line through the four trusted rows before each and the four behind it puts there, itself left out."""
    expected = np.empty(len(rows))
    reach = 4
    for index in range(len(rows)):
        at = int(np.searchsorted(trusted, index))
        near = trusted[max(0, at - reach) : at + reach + 1]
        near = near[near != index] if len(near) > 2 else near
        middle = float(np.median(residual[near]))
        slope = _slope(rows[near].astype(float), residual[near])
        expected[index] = middle + slope * (rows[index] - float(np.median(rows[near])))
    return expected


def _slope(at: npt.NDArray[np.float64], values: npt.NDArray[np.float64]) -> float:
    """Median of the slopes between pairs (Theil-Sen)."""
    if len(at) < 4:
        return 0.0
    first, second = np.triu_indices(len(at), 1)
    return float(np.median((values[second] - values[first]) / (at[second] - at[first])))
