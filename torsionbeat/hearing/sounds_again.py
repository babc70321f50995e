"""The drop again: sounds that follow the drop of a beat within the time of a tooth or two.

For each beat of one side, the sudden rises after the drop and their likeness to the drop; and the same from control stretches
before the contact, where the balance swings silently and no drop can be. The control stretches show how often noise, talk or
another clock passes for a drop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.placing import Placed
from torsionbeat.theory.edges import BEFORE
from torsionbeat.tracks.bands import FRAME_S
from torsionbeat.tracks.fine_power import FinePower

__all__ = [
    "CONTROLS",
    "LEAST_BEATS",
    "NEAREST_FRAMES",
    "NEAREST_S",
    "NOT_SOUGHT",
    "SoundsAgain",
    "sounds_again",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

STEP = 2
"""Every second frame is examined: 1 ms, less than the window of a frame's level."""
NEAREST_S = 0.025
"""A sound nearer to a drop is not another drop: the ring lasts as long, and no tooth falls so fast."""
REACH_S, REACH_OF_PERIOD = 0.45, 0.06
"""Length of the search after the drop: four teeth of 0.1 s each. In quick clocks it is this share of the period, so that it
and the control stretches fit between two beats."""
CONTROLS = 4
"""Control stretches: with only one, eight beats that flutter would be needed to distinguish them from noise."""
OWN, LEAD, GAP, RISES = 15, 5, 2, 2
"""Steps of the drop's own sound that are compared; steps averaged before it, and their distance; steps of the rise."""
RISE_DB, BELOW_DB, ALIKE = 8.0, 15.0, 0.5
"""Least rise of a repeated drop, most by which it is softer than the mean drop, and least correlation with it."""
EASY_RISE_DB, EASY_BELOW_DB, EASY_ALIKE = 4.0, 25.0, 0.2
"""The same for a sound that every beat has, an echo or a banking: near the limits above, it passes them in some beats only."""
LEAST_BEATS = 10
"""Beats of a side from which its mean drop is known."""
BATCH = 128
"""Beats examined together, or up to twice as many: 20 MB."""
NEAREST_FRAMES, NEAREST_STEPS = round(NEAREST_S / FRAME_S), round(NEAREST_S / FRAME_S / STEP)
USUAL_DB = 8.0
"""Least level of a repeated drop above the loudest that most beats have within `NEAREST_S` (25 ms) of the same distance: an
echo or a banking is usual there, and scatters by some dB, and by some 15 ms, from beat to beat."""


@dataclass(frozen=True, slots=True)
class SoundsAgain:
    """One row for each sound, shape (n,): row of the drop; stretch (0 after it, 1 and up the control stretches); frames
    from the drop, or from the beginning of the control stretch; whether it is surely like the drop. ``searched``, shape
    (drops,): rows that were searched.
    """

    row: IntArray
    stretch: IntArray
    frames: npt.NDArray[np.float64]
    sure: npt.NDArray[np.bool_]
    searched: IntArray
    controls: int


_NONE = np.zeros(0, np.int64)  # no beat
# Of no beat.
NOT_SOUGHT = SoundsAgain(_NONE, _NONE, np.zeros(0), np.zeros(0, bool), _NONE, CONTROLS)


def sounds_again(fine: FinePower, drop: Placed, contact: Placed | None, period: float) -> SoundsAgain:
    """Search for sounds like the drop in the time after it, and in equally long stretches before the contact.

    Parameters
    ----------
    fine : FinePower
    drop : Placed
    contact : Placed or None
    period : float
        Full period in frames.
    """
    rows = np.flatnonzero(drop.usable & drop.certain)
    if len(rows) < LEAST_BEATS:
        return NOT_SOUGHT
    reach = round(min(REACH_S / FRAME_S, REACH_OF_PERIOD * period) / STEP) * STEP
    drops = np.rint(drop.frame[rows]).astype(np.int64)
    passage = 0
    if contact is not None:
        passage = max(round(float(np.median((drop.frame - contact.frame)[rows]))), 0)
    starts = [drops + NEAREST_FRAMES]
    starts += [drops - passage - number * (reach + NEAREST_FRAMES) for number in range(1, CONTROLS + 1)]
    inside = (starts[-1] > LEAD * STEP) & (drops + NEAREST_FRAMES + reach + OWN * STEP < len(fine.levels))
    own = _own_sound(drop)
    parts = []
    for stretch, start in enumerate(starts):
        for chosen in np.array_split(np.flatnonzero(inside), max(int(inside.sum()) // BATCH, 1)):
            which, steps, sure = _like(fine, start[chosen], reach, own)
            after = STEP * steps + (NEAREST_FRAMES if stretch == 0 else 0)
            parts.append((rows[chosen][which], np.full(len(which), stretch), after, sure))
    row, number, frames, sure = (np.concatenate(column) for column in zip(*parts, strict=True))
    return SoundsAgain(row, number, frames.astype(np.float64), sure.astype(bool), rows[inside], CONTROLS)


def _own_sound(drop: Placed) -> FloatArray:
    """The mean drop from its beginning, power over the room, shape (OWN, bands)."""
    begins = int(np.clip(round(BEFORE + drop.edge), 0, len(drop.profile) - OWN * STEP))
    return drop.profile[begins : begins + OWN * STEP : STEP]


def _like(
    fine: FinePower, start: IntArray, reach: int, own: FloatArray
) -> tuple[IntArray, IntArray, npt.NDArray[np.bool_]]:
    """Sudden rises in stretches, each the highest within `NEAREST_S`: its stretch, its step, and how sure it is."""
    from scipy.ndimage import maximum_filter1d

    before = LEAD + GAP
    sound = fine.around(start, before * STEP, reach + OWN * STEP, STEP)
    weights = own.mean(axis=0) / max(float(own.mean(axis=0).sum()), 1e-9)
    level = np.cumsum(np.pad(sound @ weights, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
    steps = reach // STEP
    low = (level[:, LEAD : LEAD + steps] - level[:, :steps]) / LEAD
    high = (level[:, before + RISES : before + RISES + steps] - level[:, before : before + steps]) / RISES
    rise_db = 10 * np.log10(np.maximum(high, 1e-3) / np.maximum(low, 1e-3))
    loudest = float(np.convolve(own @ weights, np.ones(RISES) / RISES, "valid").max())
    below_db = 10 * np.log10(max(loudest, 1e-3) / np.maximum(high - low, 1e-9))
    width = 2 * NEAREST_STEPS + 1
    peak = rise_db == maximum_filter1d(rise_db, width, axis=1, mode="nearest")
    which, at = np.nonzero(peak & (rise_db > EASY_RISE_DB) & (below_db < EASY_BELOW_DB))
    alike = _alike(sound, which, at, own)
    easy = alike > EASY_ALIKE
    usual = np.median(maximum_filter1d(high, width, axis=1, mode="nearest"), axis=0)
    sure = (rise_db[which, at] > RISE_DB) & (below_db[which, at] < BELOW_DB)
    sure &= high[which, at] > 10 ** (USUAL_DB / 10) * usual[at]
    sure &= alike > ALIKE
    return which[easy].astype(np.int64), at[easy].astype(np.int64), sure[easy]


def _alike(sound: FloatArray, which: IntArray, steps: IntArray, own: FloatArray) -> npt.NDArray[np.float64]:
    """Correlation of the logarithms of each rise (minus the level before it) and of the drop; the best of a few shifts.

    ``sound`` has shape (stretches, steps, bands); ``which`` and ``steps`` are the stretch and the step where a rise begins.
    """
    there = sound[which[:, None], steps[:, None] + np.arange(LEAD)].mean(axis=1)[:, None]
    drop = np.log1p(own).ravel().astype(np.float64)
    drop -= drop.mean()
    best = np.full(len(which), -1.0)
    for shift in range(-2, 5):
        index = (steps + LEAD + GAP + shift)[:, None] + np.arange(len(own))
        inside = index[:, -1] < sound.shape[1]
        piece = sound[which[:, None], np.minimum(index, sound.shape[1] - 1)]
        rest = np.log1p(np.maximum(piece - there, 0)).reshape(len(which), drop.size).astype(np.float64)
        rest -= rest.mean(axis=1, keepdims=True)
        size = np.linalg.norm(rest, axis=1) * np.linalg.norm(drop)
        told = inside & (size > 0)
        best[told] = np.maximum(best[told], (rest @ drop)[told] / size[told])
    return best
