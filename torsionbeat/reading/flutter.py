"""Flutter: further drops in one swing, where the fork lets more than one tooth pass.

Input: the sounds like the drop that the hearing found after it, and in stretches where no drop can be
(`torsionbeat.hearing.sounds_again`). Output: the beats in which the drop came again, and the chance that noise did it.

A sound at the same delay after the drop in many beats is a banking or an echo and is left out. A side that sounds again
in most of its beats is left out too. A beat that was not heard is neither searched nor counted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import bdtrc

from torsionbeat.hearing.heard import DropsAgain
from torsionbeat.reading.figures import FlutterBeat, FlutterReport, Swings

__all__ = ["BELIEVED", "flutter_of"]

OFTEN = 0.2
"""Share of a side's beats beyond which a sound at one delay belongs to every beat: a banking or an echo. A fork that
flutters so often is heard by ear."""

MOST = 0.5
"""Share of a side's beats beyond which any repeated sound belongs to the clock or the room, at one delay or not."""

SAME_PLACE_S = 0.006
"""Two delays this near count as the same for a banking, whose delay is steady to some milliseconds."""

ECHO_OFTEN, ECHO_PLACE_S = 0.03, 0.0015
"""The same for an echo: its delay is steady to a millisecond, and it stands out in some beats only, since strikes differ."""

APART_S = 0.045
"""Further drops of one beat that follow each other sooner count as one drop and its echo: a tooth takes longer to fall
(common practice, no source), and the second part of a drop comes within 40 ms."""

BELIEVED = 0.004
"""Chance by noise below which flutter is reported: 1 in 250 recordings, as for wheels."""

LEAST_BEATS = 10
"""Beats of a side below which nothing can be said of its echoes."""


def flutter_of(again: DropsAgain, swings: Swings, seconds_per_sample: float) -> FlutterReport | None:
    """Decide whether the sounds like the drop are flutter.

    Parameters
    ----------
    again : DropsAgain
    swings : Swings
        The beats, with the same numbers.
    seconds_per_sample : float

    Returns
    -------
    FlutterReport or None
        None where too few beats were searched.
    """
    searched = again.searched[np.isin(again.searched, swings.number)]
    sides = [side for side in (0, 1) if np.count_nonzero(searched % 2 == side) >= LEAST_BEATS]
    if not sides or not again.controls:
        return None
    after_s = again.samples * seconds_per_sample
    known = np.isin(again.beat, searched)
    told: list[FlutterBeat] = []
    count = by_noise = 0
    for side in sides:
        beats = int(np.count_nonzero(searched % 2 == side))
        count += beats
        for stretch in range(again.controls + 1):
            rows = np.flatnonzero(known & (again.beat % 2 == side) & (again.stretch == stretch))
            frequent = _frequent(after_s[rows], beats)  # counts unsure sounds too
            rows = rows[again.sure[rows] & ~frequent]
            numbers = np.unique(again.beat[rows])
            if len(numbers) > MOST * beats:
                continue
            if stretch:
                by_noise += len(numbers)
            else:
                told += [
                    _told(number, rows[again.beat[rows] == number], after_s, swings) for number in numbers
                ]
    told.sort(key=lambda beat: beat.time_s)
    chance = _chance(len(told), by_noise, again.controls)
    beats_told = tuple(told) if chance < BELIEVED else ()
    return FlutterReport(beats_told, count, by_noise, again.controls, chance)


def _told(
    number: int, rows: npt.NDArray[np.int64], after_s: npt.NDArray[np.float64], swings: Swings
) -> FlutterBeat:
    at = int(np.searchsorted(swings.number, number))
    extra: list[float] = []
    for one in np.sort(after_s[rows]).tolist():
        if not extra or one - extra[-1] > APART_S:
            extra.append(round(one, 4))
    return FlutterBeat(int(number), str(swings.side[at]), float(swings.time_s[at]), tuple(extra))


def _frequent(after_s: npt.NDArray[np.float64], beats: int) -> npt.NDArray[np.bool_]:
    """Whether each delay recurs in many beats."""
    ordered = np.sort(after_s)
    found = np.zeros(len(after_s), bool)
    for place_s, often in ((SAME_PLACE_S, OFTEN), (ECHO_PLACE_S, ECHO_OFTEN)):
        near = np.searchsorted(ordered, after_s + place_s) - np.searchsorted(ordered, after_s - place_s)
        found |= near > max(often * beats, 3)
    return found


def _chance(found: int, by_noise: int, controls: int) -> float:
    """Chance of this many beats or more, if noise gives equally many in every stretch.

    Each find then lies in the stretch after the drop with probability one over the number of stretches (J. Przyborowski
    and H. Wilenski, Biometrika 31 (1940) 313: two Poisson counts compared by the binomial of one in their sum).
    """
    return float(bdtrc(found - 1, found + by_noise, 1 / (1 + controls))) if found else 1.0
