"""The lift passage of all beats together, where no single beat shows the contact.

The mean of all beats is searched for a sudden rise that decays, of any length from 2 to 16 ms: the matched filter of a decaying
tick in even noise. Each band is weighted by its share of the sound. Frames are 0.5 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.beginnings import HIDDEN_LEAD
from torsionbeat.theory.edges import TAIL, onset_in
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN
from torsionbeat.tracks.fine_power import FinePower

__all__ = [
    "Together",
    "beginning_in",
    "passages_together",
]

IntArray = npt.NDArray[np.int64]
Powers = npt.NDArray[np.float32]

REACH = 100
"""Frames either side of the place that are searched for the sound (50 ms)."""
_LOUDEST = 8.0
"""Power of one frame of one beat above which it is a bang and counts for no more."""
_LEAST_ROWS = 10  # the mean of fewer beats is too noisy to search
_STANDS = 1.2
"""Least height of a sound, as a multiple of the greatest height that the same search gives where there is no sound."""


@dataclass(frozen=True, slots=True)
class Together:
    """Lift passage of one side from all its beats, from row ``first_row`` to ``last_row``.

    Passage and its standard uncertainty in frames. ``lead_frames``: standard uncertainty from the part of the contact that the
    room hides, where only the stack (average) of the beats shows it; a contact heard singly has that doubt itself.
    """

    first_row: int
    last_row: int
    passage_frames: float
    uncertainty_frames: float
    lead_frames: float = HIDDEN_LEAD


def passages_together(
    fine: FinePower, rows: IntArray, drops: npt.NDArray[np.float64], passage: float
) -> tuple[Together, ...]:
    """Passage of a side whose single contacts are not heard; for each half of the beats separately if each half shows it.

    Empty where even all beats together show nothing.

    Parameters
    ----------
    fine : FinePower
        Power at the finest frames.
    rows : ndarray of int
        shape (beats,): period numbers of the drops.
    drops : ndarray
        shape (beats,): frames of the drops.
    passage : float
        Where to look, in frames before the drop.
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
    sound = _cut_round(fine, places)
    begins, height = beginning_in(sound.mean(axis=0))
    # The same search where there is no sound: well before the contact, while the balance swings silently.
    away = [beginning_in(_cut_round(fine, places - step * REACH).mean(axis=0))[1] for step in range(4, 28, 2)]
    if height < _STANDS * max(away):
        return None
    parts = []
    for part in range(10):
        chosen = np.arange(len(rows)) % 10 != part
        parts.append(float(np.mean(ahead[chosen])) - beginning_in(sound[chosen].mean(axis=0))[0])
    spread = float(np.sqrt(0.9 * np.sum((np.array(parts) - np.mean(parts)) ** 2)))
    return Together(int(rows[0]), int(rows[-1]), float(np.mean(ahead)) - begins, float(np.hypot(spread, 1.5)))


def _cut_round(fine: FinePower, places: IntArray) -> Powers:
    """Power above the room round every place, (beats, 2 REACH + tail, bands); a bang counts for little."""
    return np.minimum(fine.around(places, REACH, REACH + TAIL), _LOUDEST) - 1


def beginning_in(mean: Powers) -> tuple[float, float]:
    """Frame at which the clearest sound of a mean begins, counted from the place, and its height.

    Parameters
    ----------
    mean : array, shape (2 REACH + tail, bands)
        Mean over beats of the result of `_cut_round`.

    Returns
    -------
    begins : float
    height : float
        In units of the scatter that even noise in the mean gives.
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


_LEAST_HALF = 20  # ten milliseconds: a search that reaches less to either side has no room for a sound
