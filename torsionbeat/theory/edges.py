"""Edges: where one mean sound begins, from its profile alone.

Input: a profile, power over the room's by frame and band, or a noisy series. Output: the frame, to a fraction, at which the
sound begins. Pure; frames are 0.5 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

__all__ = [
    "AFTER",
    "BEFORE",
    "RISE_DOUBT",
    "TAIL",
    "Onset",
    "edge_and_rise",
    "edge_of",
    "onset_in",
    "refined",
]

FloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

BEFORE = 24
"""Frames of the profile before the place at which the sound is taken to begin."""
AFTER = 56  # frames of it after that place: the rise, and the decay of most sounds
_RISES = (0.2, 3.0)  # frames: almost at once, and slowly; the fit tries both
RISE_DOUBT = 0.2
"""Share of a sound's rise by which its beginning is in doubt: a sound that swells is extrapolated along the wrong curve."""
_DECAYS = (4.0, 8.0, 16.0, 32.0)  # frames, each twice the one before; the fit tries all
TAIL = 64
"""Frames of a dying sound that are fitted."""
_FAINT = 5.0
"""Height (root of power over the room's) below which noise can hide where a profile begins."""
_SOFT_RISE = 1.5
"""Frames of rise assumed for a sound whose own rise the noise hides."""
_SHOWS_EARLY = 1.6
"""Frames by which a sound shows before the place that fits it best, because the windows of the levels have a length."""


def edge_of(profile: FloatArray) -> float:
    """Where the profile begins, to a fraction of a frame, counted from its place (BEFORE frames after its first)."""
    return edge_and_rise(profile)[0]


def edge_and_rise(profile: FloatArray) -> tuple[float, float]:
    """Where the profile begins, and the frames it takes from there to the upper of the two heights.

    A sound that rises slowly passes any one height late. So the rise is followed at two heights and extrapolated to
    zero along the curve 1 - exp(-t / rise): a sharp and a soft sound then begin at the same place. Where the
    profile is noisy the two heights lie higher; where it is also faint, the whole sound is fitted instead.
    """
    height = _height(profile)
    floor = float(np.quantile(height, 0.1))
    top = _first_top(height, floor)
    rise = height[top] - floor
    quiet = height[: max(top - 8, 6)]
    noise = float(np.quantile(np.abs(quiet - np.median(quiet)), 0.9)) / max(rise, 1e-12)
    if noise > 0.05 and height[top] < _FAINT:
        series = height**2
        onset = onset_in(np.concatenate([series - np.median(series), np.zeros(TAIL)]))
        return onset.begins - BEFORE, _SOFT_RISE
    low, high = (0.12, 0.5) if noise < 0.05 else (0.33, 0.67)
    start, later = _crossing(height, top, floor + low * rise), _crossing(height, top, floor + high * rise)
    if start <= 0:
        return float(-BEFORE), later  # A loud sound that is present from the first frame.
    back = np.log1p(-low) / (np.log1p(-high) - np.log1p(-low))
    return float(start - back * (later - start) - BEFORE), float((1 + back) * (later - start))


def _height(profile: FloatArray) -> npt.NDArray[np.float64]:
    """One height for each frame: each band is weighted by its share of the sound, so that bands of mere noise hardly count."""
    share = profile.mean(axis=0, dtype=np.float64)
    out: npt.NDArray[np.float64] = np.sqrt(
        profile.astype(np.float64) @ (share / max(float(share.sum()), 1e-12))
    )
    return out


def refined(gained: FloatArray, best: IntArray) -> npt.NDArray[np.float64]:
    """Top of the parabola through the best shift and its neighbours."""
    rows = np.arange(len(best))
    middle = np.clip(best, 1, gained.shape[1] - 2)
    left, top, right = (gained[rows, middle + step].astype(np.float64) for step in (-1, 0, 1))
    bend = left - 2 * top + right
    step = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    return np.where(middle == best, best + np.clip(step, -0.5, 0.5), best.astype(np.float64))


@dataclass(frozen=True, slots=True)
class Onset:
    """Where a sound begins, how far it stands out, and how fast it dies away: frames, unit of the series, frames."""

    begins: float
    height: float
    decay: float


def onset_in(series: npt.NDArray[np.float64]) -> Onset:
    """Where in a noisy series, zero in the room, a sudden rise that dies away begins; not in its last TAIL frames.

    The matched filter of (1 - exp(-t / rise)) exp(-t / decay) in even noise, for a sharp rise and one of 1.5 ms and
    decays of 2 to 16 ms: it uses the whole sound, where a threshold would use one frame of it.
    """
    best = Onset(0.0, -np.inf, _DECAYS[0])
    for rise, decay in product(_RISES, _DECAYS):
        shape = -np.expm1(-(np.arange(TAIL) + 0.5) / rise) * np.exp(-np.arange(TAIL) / decay)
        fit = np.correlate(series, shape / np.sqrt(np.sum(shape**2)), mode="valid")
        top = np.array([np.argmax(fit)])
        if fit[top[0]] > best.height:
            begins = float(refined(fit[None, :], top)[0]) - _SHOWS_EARLY
            best = Onset(begins, float(fit[top[0]]), decay)
    return best


def _first_top(height: npt.NDArray[np.float64], floor: float) -> int:
    """The first local maximum at least half as high as the highest: a later echo is not the beginning."""
    top = int(np.argmax(height))
    for index in range(1, top):
        rises = height[index] > height[index - 1] and height[index] >= height[index + 1]
        if rises and height[index] - floor > 0.5 * (height[top] - floor):
            return index
    return top


def _crossing(height: npt.NDArray[np.float64], top: int, level: float) -> float:
    """Last place before ``top`` at which the height passes a level, to a fraction of a frame."""
    index = top
    while index > 0 and height[index - 1] >= level:
        index -= 1
    if index == 0:
        return 0.0
    low, high = height[index - 1], height[index]
    return float(index - 1 + (level - low) / max(high - low, 1e-12))
