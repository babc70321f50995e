"""What is known of clocks before one is heard: how long a lift passage is, how far clocks are out of beat, how loud their sounds
are, where sounds follow them.

Each is a table with its reason, and the logarithm of a density. The assumptions are common practice, no source. Places and times
are in frames of 0.5 ms, loudness in dB.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from torsionbeat.tracks.bands import FRAMES_PER_S
from torsionbeat.tracks.densities import log_normal, log_student

__all__ = [
    "ECHO",
    "FOREIGN",
    "FRAMES_PER_MS",
    "LAST_REBOUND_FRAMES",
    "LEVELS_DB",
    "LONGEST_PASSAGE",
    "LOUDEST_CONTACT_DB",
    "LOUDNESS_DB",
    "NORMAL_POINTS",
    "OUT_OF_BEAT",
    "PASSAGE_MEDIAN",
    "PASSAGE_SPREAD",
    "REBOUND_ALIKE",
    "REBOUND_ALIKE_DB",
    "SAME_DROP_DB",
    "SAME_FORK",
    "SAME_FORK_DB",
    "SHORTEST_PASSAGE_FRAMES",
    "UNLOCKING",
    "last_rebound",
    "log_of_beat_error",
    "log_of_contact",
    "log_of_fork",
    "log_of_levels",
    "log_of_passage",
    "log_of_rebound",
    "log_of_unlocking",
]

FloatArray = npt.NDArray[np.float64]

FRAMES_PER_MS = FRAMES_PER_S / 1000
LOUDNESS_DB = {"contact": (-5.0, 6.0), "unlocking": (-10.0, 6.0), "rebound": (-9.0, 6.0)}
"""Mean and standard deviation of the loudness against the drop (rebound: against what rebounds). A contact is mostly softer;
a drop that is 30 dB softer than its contact is an echo."""
LOUDEST_CONTACT_DB, ECHO = 18.0, -100.0
"""Level against its drop from which a contact is the clock's only sound, and its drop an echo; score of the contrary. A room
answers every tick as steadily as a drop follows its contact, 20 to 30 dB softer; contacts are hardly ever more than 5 dB louder
(common practice, no source; two clocks of drops alone of 240 by a second simulator were heard so)."""
SAME_FORK_DB, SAME_FORK = 3.0, 0.85
"""One fork makes both contacts: their levels relative to their drops differ by this scale, in this share of clocks."""
UNLOCKING, REBOUND, FOREIGN = 0.35, 0.5, 0.5
"""Mean number of sounds of each role on a side: between contact and drop, after either of them, and anywhere else."""
UNLOCKS_SOON, UNLOCKING_SHARE = 0.8, 0.15
"""Share of clocks whose unlocking follows its contact soon, and the mean delay as a share of the lift passage (exponential);
in the others it falls anywhere in the passage."""
REBOUND_ALIKE, REBOUND_ALIKE_DB = 0.85, 3.0
"""Share of the rebounds of one side's sound that the other side's has too, as long after it (to `ALIKE_FRAMES`), and the scale
of the difference of their levels: one room and one case make both (no source; as for the contacts of one fork)."""
REBOUND_FRAMES, LAST_REBOUND_FRAMES = 40 * FRAMES_PER_MS, 300 * FRAMES_PER_MS
"""Early echoes follow within some 40 ms, none after 300."""
BANKING_SHARE, LAST_BANKING = 0.2, 0.6
"""The balance carries the fork on to its banking: half of what follows a drop does so within some 40 ms or within the first share
of the lift passage, if that is longer, and none later than the second. In a clock of 30 or 60 s that is a third of a second (no
source; with echoes alone, a banking 370 ms after the drop of a second simulator's clock was called the drop)."""
PASSAGE_MEDIAN, PASSAGE_SPREAD = 0.017, 0.65
"""Lift passage as a share of the period, log-normal: lifts of 10 to 40 deg, arcs of 200 to 600 deg."""
SHORT_PASSAGE_FRAMES, SHORTEST_PASSAGE_FRAMES = 60 * FRAMES_PER_MS, 40 * FRAMES_PER_MS
SHORT_PASSAGE = -6.0
"""Two sounds within 40 ms are one sound and its ring, and the less likely so up to 60 ms (no source): score of a passage of the
second length, less and less up to the first. A shorter one, and one above the longest, is impossible."""
LONGEST_PASSAGE = 0.075
"""A lift of 40 deg at an arc of 170: the balance hardly swings on."""
OUT_OF_BEAT = 0.004
"""Beat error as a share of the period, scale of a Student distribution (2): 5 deg of offset at an arc of 470 is 0.7 %."""
SAME_DROP_DB = 4.0
"""Scale of the difference in level of both sides' drops (Student's distribution, 3): like pallets and teeth."""
LEVELS_DB = 20.0
"""Range of the room's levels, over which the level of one sound counts."""
# Middles of nine equal parts of a normal distribution.
NORMAL_POINTS = ndtri((np.arange(9) + 0.5) / 9)


def log_of_passage(passage: float, period: float) -> float:
    """Logarithm of the prior density of a lift passage, per frame."""
    if not SHORTEST_PASSAGE_FRAMES <= passage < LONGEST_PASSAGE * period:
        return -np.inf
    short = (SHORT_PASSAGE_FRAMES - passage) / (SHORT_PASSAGE_FRAMES - SHORTEST_PASSAGE_FRAMES)
    share = log_normal(np.log(passage / period), np.log(PASSAGE_MEDIAN), PASSAGE_SPREAD)
    return float(share - np.log(passage) + SHORT_PASSAGE * max(short, 0.0))


def log_of_beat_error(out_of_beat: float, period: float) -> float:
    """Logarithm of the prior density of the second drop's distance from half a period after the first, per frame."""
    return float(log_student(out_of_beat / period, 0.0, OUT_OF_BEAT, 2.0) - np.log(period))


def log_of_contact(louder_db: float | FloatArray) -> FloatArray:
    """Logarithm of the density of a contact's level against its drop; beyond the loudest one the drop is an echo."""
    echo = np.where(np.asarray(louder_db) > LOUDEST_CONTACT_DB, ECHO, 0.0)
    return np.asarray(log_normal(louder_db, *LOUDNESS_DB["contact"]) + echo)


def log_of_fork(one_db: float | FloatArray, other_db: float | FloatArray) -> FloatArray:
    """How much likelier the second contact's level against its drop is given the first one's than by itself (logarithm)."""
    gained = log_student(other_db, one_db, SAME_FORK_DB) - log_normal(other_db, *LOUDNESS_DB["contact"])
    return np.asarray(np.log(SAME_FORK * np.exp(gained) + 1 - SAME_FORK))


def log_of_levels(levels_db: FloatArray) -> FloatArray:
    """Score of the levels of the four sounds of a clock, against levels anywhere in `LEVELS_DB`.

    Parameters
    ----------
    levels_db : array, shape (accounts, 4)
        Drop and contact of the one side, then of the other; NaN where there is none.

    Returns
    -------
    array, shape (accounts,)
    """
    softer = levels_db[:, 1::2] - levels_db[:, ::2]
    each = log_of_contact(softer) + np.log(LEVELS_DB)
    drops = log_student(levels_db[:, 2] - levels_db[:, 0], 0.0, SAME_DROP_DB) + np.log(LEVELS_DB)
    out: FloatArray = np.nan_to_num(np.column_stack([each, drops, log_of_fork(*softer.T)])).sum(axis=1)
    return out


def log_of_unlocking(after: float, passage: float) -> float:
    """Logarithm of the number of unlockings per frame, ``after`` frames after the contact."""
    soon = UNLOCKING_SHARE * passage
    return float(
        np.log(UNLOCKING * (UNLOCKS_SOON * np.exp(-after / soon) / soon + (1 - UNLOCKS_SOON) / passage))
    )


def last_rebound(passage: float) -> float:
    """Frames after which nothing follows a drop any more, whose lift passage has so many; 0 of these: a contact."""
    return max(LAST_REBOUND_FRAMES, LAST_BANKING * passage)


def log_of_rebound(apart: float, louder_db: float, passage: float) -> float:
    """Logarithm of the number of rebounds per frame and dB, ``apart`` frames after what rebounds.

    ``passage`` is the lift passage of the drop after which they come, 0 after a contact, which has no banking.
    """
    scales = (REBOUND_FRAMES, max(REBOUND_FRAMES, BANKING_SHARE * passage))
    rebound = np.logaddexp(*(np.log(REBOUND / 2 / scale) - apart / scale for scale in scales))
    return float(rebound + log_normal(louder_db, *LOUDNESS_DB["rebound"]))
