"""Echoes of a handful of beats: what comes in step with an account's drops and contacts.

An account of a few beats names a drop and a contact. A further sound in step with them (an echo, a rebound, an unlocking, a later
part of the same sound) supports an account in which it follows one of the two, and not one in which it would come before both:
nothing sounds before the contact. Times are seconds, levels dB; a score is the natural logarithm of the odds over a room without
that sound.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from torsionbeat.hearing.priors import (
    LEVELS_DB,
    LOUDNESS_DB,
    last_rebound,
    log_of_rebound,
    log_of_unlocking,
)
from torsionbeat.tracks.bands import FRAMES_PER_S
from torsionbeat.tracks.densities import log_normal, log_student

__all__ = [
    "DISTINCT_S",
    "clear_delays",
    "score_of_echoes",
]

IntArray = npt.NDArray[np.int64]
TimesArray = npt.NDArray[np.float64]

ECHO_SCATTER_S = 0.004
"""Scale of the distance of an echo from its time: the grid of both peaks."""
ECHO_HEARD = 0.85
"""Share of beats whose echo gives a peak: echoes are soft."""
ECHO_SPREAD_DB = 4.0
"""Scale of an echo's level about the median of its kind."""
SOONEST_S = 0.02
"""Peaks nearer together are one sound."""
LOUDER_DB = 1.5
"""No echo is louder than what it echoes; the median levels of few beats differ from the true ones by this much."""
DISTINCT_S = 0.015
"""Delays nearer than this are one, and passages of a handful of beats."""
NEAR_CELLS = 3
"""Cells of `ECHO_SCATTER_S` either side in which a peak supports a delay: farther off it counts for a tenth."""
MOST_OF_A_KIND = 2
"""Sounds after the drop, and after the contact, that are looked for."""
_ECHO_MISSING = float(np.log(1 - ECHO_HEARD))


def score_of_echoes(
    times: TimesArray, levels: TimesArray, rarity: TimesArray, drops: IntArray, contacts: IntArray
) -> float:
    """Score of the sounds that follow an account's drops, and its contacts, at delays of their own.

    Parameters
    ----------
    times, levels, rarity : array, shape (peaks,)
        Peaks in order of time, and how rare each is in this room (as in `few_beats`).
    drops, contacts : array, shape (sounds,)
        Indices of the peaks that the account takes.

    Returns
    -------
    float
        Zero where no sound is worth its own delay.
    """
    free = np.ones(len(times), bool)
    free[drops] = free[contacts] = False
    passage, drop_db = 0.0, 0.0
    if len(drops) and len(contacts):
        ahead = times[drops, None] - times[contacts]
        typical_s = float(np.median(np.where(ahead > 0, ahead, np.inf).min(axis=0)))
        passage = typical_s * FRAMES_PER_S if np.isfinite(typical_s) else 0.0
        drop_db = float(np.median(levels[drops]))
    total = 0.0
    for sounds, banks, unlocks in ((drops, passage, 0.0), (contacts, 0.0, passage)):
        # Unlockings are looked for as far as echoes are, and no farther: the drop itself, late in a slow passage, would be one.
        latest_s = last_rebound(banks) / FRAMES_PER_S
        for _ in range(MOST_OF_A_KIND):
            delay_s, score, used = _best(times, levels, rarity, sounds, free, latest_s)
            if not len(used):
                break
            level, own = float(np.median(levels[used])), float(np.median(levels[sounds]))
            frames = delay_s * FRAMES_PER_S
            echo = log_of_rebound(frames, level - own, banks) + float(log_ndtr((own - level) / LOUDER_DB))
            if frames < unlocks:
                unlocking = log_of_unlocking(frames, unlocks)
                unlocking += float(log_normal(level - drop_db, *LOUDNESS_DB["unlocking"]))
                echo = float(np.logaddexp(unlocking, echo))
            score += echo
            if score <= 0:
                break
            total += score
            free[used] = False
    return total


def clear_delays(
    apart_s: TimesArray, rarity: TimesArray, within_s: tuple[float, float], count: int
) -> list[float]:
    """The delays at which most of some sounds have a peak, the clearest first.

    Parameters
    ----------
    apart_s : array, shape (sounds, peaks)
        How much each peak is later than each sound (or how much earlier, for what comes before them).
    rarity : array, shape (peaks,)
        As in `score_of_echoes`.
    within_s : tuple of float
        Delays that are looked at.
    count : int
        Most delays given; two that are nearer than `DISTINCT_S` are one.
    """
    of, peak = np.nonzero((apart_s > within_s[0]) & (apart_s < within_s[1]))
    if not len(of):
        return []
    cell = np.rint(apart_s[of, peak] / ECHO_SCATTER_S).astype(np.int64)
    best = np.full((len(apart_s), int(cell.max()) + NEAR_CELLS + 1), -np.inf)
    for aside in range(-NEAR_CELLS, NEAR_CELLS + 1):
        inside = cell + aside >= 0
        near = np.log(ECHO_HEARD) + rarity[peak] + log_student(aside * ECHO_SCATTER_S, 0.0, ECHO_SCATTER_S)
        np.maximum.at(best.reshape(-1), (of * best.shape[1] + cell + aside)[inside], near[inside])
    score = np.logaddexp(best, _ECHO_MISSING).sum(axis=0)
    found: list[float] = []
    for cell in np.argsort(-score).tolist():
        delay_s = cell * ECHO_SCATTER_S
        if all(abs(delay_s - known_s) > DISTINCT_S for known_s in found):
            found.append(delay_s)
        if len(found) == count:
            break
    return found


def _best(
    times: TimesArray,
    levels: TimesArray,
    rarity: TimesArray,
    sounds: IntArray,
    free: npt.NDArray[np.bool_],
    latest_s: float,
) -> tuple[float, float, IntArray]:
    """Delay, up to the latest, of the sound that most of the free peaks make after the given ones, its score, and its peaks."""
    none = (0.0, 0.0, np.zeros(0, np.int64))
    after = np.where(free, times[None, :] - times[sounds, None], np.inf)
    delays = clear_delays(after, rarity, (SOONEST_S, latest_s), 1)
    if not delays:
        return none
    each = rarity + np.log(ECHO_HEARD) + log_student(np.minimum(after, times[-1]), delays[0], ECHO_SCATTER_S)
    each = np.where((after > SOONEST_S) & (after < latest_s), each, -np.inf)
    peak, best = each.argmax(axis=1), each.max(axis=1)
    heard = best > _ECHO_MISSING
    if np.count_nonzero(heard) < 2:
        return none
    used = peak[heard]
    there = best[heard] + log_student(levels[used], float(np.median(levels[used])), ECHO_SPREAD_DB)
    score = float(np.logaddexp(there, _ECHO_MISSING).sum()) + _ECHO_MISSING * (len(sounds) - len(used))
    score += float(np.log(ECHO_SCATTER_S * np.sqrt(2 * np.pi / len(used)) * FRAMES_PER_S * LEVELS_DB))
    return delays[0], score, used
