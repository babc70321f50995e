"""All beats of a side stacked (averaged): where a sound begins that no single beat tells.

Input: band powers round one place in every beat, in units of the room. Output: where in their mean a sound begins
and how far it stands out. The mean of many beats is searched for a sudden rise that dies away, of any length from
2 to 16 ms: the matched filter of a decaying tick in even noise. Each band counts by what it holds of the sound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.edges import TAIL, onset_in
from torsionbeat.hearing.exact import FinePower
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN

__all__ = ["REACH", "Together", "beginning_in", "passages_together"]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

REACH = 100
"""Frames either side of the place in which the sound is sought (50 ms)."""
_LOUDEST = 8.0
"""Power of one frame of one beat above which it is a bang and counts for no more."""
_LEAST_ROWS = 10
_LEAST_HALF = 20
_STANDS = 1.2
"""Height of a sound over the greatest height that the same search gives where no sound is."""


@dataclass(frozen=True, slots=True)
class Together:
    """Lift passage of one side from its rows ``first_row`` to ``last_row`` stacked (averaged).

    Passage and its standard uncertainty in frames.
    """

    first_row: int
    last_row: int
    passage_frames: float
    uncertainty_frames: float


def passages_together(
    fine: FinePower, rows: IntArray, drops: npt.NDArray[np.float64], passage: float
) -> tuple[Together, ...]:
    """Passage of a side whose single contacts are not heard; for both halves apart where each stands by itself.

    ``rows`` and ``drops``, shape (beats,): period numbers and frames of its drops; ``passage``: where to look.
    Empty where even all beats together tell nothing.
    """
    places = np.rint(drops - passage).astype(np.int64)
    inside = (places > 2 * REACH) & (places < len(fine.levels) - 3 * REACH)
    rows, drops, places = rows[inside], drops[inside], places[inside]
    whole = _together(fine, rows, drops, places)
    if whole is None:
        return ()
    half = len(rows) // 2
    if half < _LEAST_HALF:
        return (whole,)
    halves = [
        _together(fine, rows[part], drops[part], places[part]) for part in (slice(half), slice(half, None))
    ]
    both = tuple(
        part
        for part in halves
        if part is not None and abs(part.passage_frames - whole.passage_frames) < REACH / 4
    )
    return both if len(both) == 2 else (whole,)


def _together(
    fine: FinePower, rows: IntArray, drops: npt.NDArray[np.float64], places: IntArray
) -> Together | None:
    if len(rows) < _LEAST_ROWS:
        return None
    ahead = drops - places
    sound = aligned(fine, places)
    begins, height = beginning_in(sound.mean(axis=0))
    # The same search laid where no sound is: well before the contact, where the balance swings silently.
    away = [beginning_in(aligned(fine, places - step * REACH).mean(axis=0))[1] for step in range(4, 28, 2)]
    if height < _STANDS * max(away):
        return None
    parts = []
    for part in range(10):
        chosen = np.arange(len(rows)) % 10 != part
        parts.append(float(np.mean(ahead[chosen])) - beginning_in(sound[chosen].mean(axis=0))[0])
    spread = float(np.sqrt(0.9 * np.sum((np.array(parts) - np.mean(parts)) ** 2)))
    return Together(int(rows[0]), int(rows[-1]), float(np.mean(ahead)) - begins, float(np.hypot(spread, 1.5)))


def aligned(fine: FinePower, places: IntArray) -> FloatArray:
    """Power above the room round every place, (beats, 2 REACH + tail, bands); a bang counts for little."""
    return np.minimum(fine.around(places, REACH, REACH + TAIL), _LOUDEST) - 1


def beginning_in(mean: FloatArray) -> tuple[float, float]:
    """Frame at which the clearest sound of a mean begins, counted from the place, and its height.

    Parameters
    ----------
    mean : array, shape (2 REACH + tail, bands)
        Mean over beats of what `aligned` gives.

    Returns
    -------
    begins : float
    height : float
        In units of the scatter that the even noise of the mean gives.
    """
    level = mean - np.median(mean, axis=0)
    scatter = SIGMA_PER_MEDIAN * np.median(np.abs(level), axis=0)
    level = level / np.maximum(scatter, 1e-9)
    weights = np.ones(level.shape[1])
    for _ in range(3):
        onset = onset_in(level @ (weights / np.sqrt(np.sum(weights**2))))
        top = max(round(onset.begins), 0)
        weights = np.maximum(np.exp(-np.arange(TAIL) / onset.decay) @ level[top : top + TAIL], 0)
        if not weights.any():
            weights = np.ones(level.shape[1])
    return onset.begins - REACH, onset.height
