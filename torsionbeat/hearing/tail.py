"""Sounds in the tail of a louder one.

A contact may be louder than its drop, and its tail in the room louder than the room. There no sound rises far above the room,
and the expected sound is drawn to the tail. So the tail, continued, is a second source of power, as another clock's tick is: the
sounds after the loudest are placed against it, and a rise that the search did not find is a sound too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.beginnings import HIDES_NONE
from torsionbeat.hearing.placing import Placed, place, typically_apart
from torsionbeat.hearing.priors import LAST_REBOUND_FRAMES, LONGEST_PASSAGE
from torsionbeat.hearing.sounds_again import LEAST_BEATS, NEAREST_FRAMES
from torsionbeat.tracks.bands import POOLED_FRAMES
from torsionbeat.tracks.fine_power import FinePower
from torsionbeat.tracks.pattern import SoundTrack

__all__ = [
    "due",
    "loudest",
    "placed_in_the_tail",
]

FloatArray = npt.NDArray[np.float32]

MOSTLY_CERTAIN = 0.8
"""Share of the beats in which a sound must be certain to have a tail of its own."""
BEFORE_RISE, WITHIN_RISE, AFTER_RISE = 20, 6, 10
"""Frames of tail before a rise that are averaged (10 ms), of the rise itself, and after it (5 ms)."""
TAIL_RISE_DB, TAIL_RISE_ALIKE_DB, TAIL_RISE_SURE = 4.0, 2.0, 5.0
"""Mean rise that makes a sound in the tail; where the other side has one as long after its loudest sound; and its standard errors
above zero. Parts of one tick and echoes of a room rise by up to 3.5 dB in two of 150 recordings of real ticks, drops after
louder contacts by 4 to 20."""
TAIL_FITTED = 80
"""Frames before a sound (40 ms) from which the tail is continued."""
TAIL_MOST = 2.0
"""Most that the tail adds, over its mean in decibels: the mean power of noise is 1.8 times that (exp of Euler's constant)."""
TAIL_STANDS_DB = 3.0
"""Level of the tail above the room, in any band, from which it is a source of its own."""


def loudest(side: list[Placed]) -> Placed | None:
    """The loudest of the sounds of a side that most beats have; None without one.

    Parameters
    ----------
    side : list of Placed
    """
    heard = [sound for sound in side if sound.share > MOSTLY_CERTAIN]
    return max(heard, key=lambda sound: sound.loudness_db, default=None)


def placed_in_the_tail(
    fine: FinePower, sides: list[list[Placed]], tracks: list[SoundTrack], period: float, *, rises: bool = True
) -> list[list[Placed]]:
    """The sounds of each side, in order of place: those after the loudest are placed against its tail, where that is heard.

    Parameters
    ----------
    fine : FinePower
    sides : list of lists of Placed
    tracks : list of SoundTrack
        The strongest sound of each side.
    period : float
        Full period in frames.
    rises : bool
        Whether a rise in the tail that no track follows is a sound too.
    """
    span = int(LONGEST_PASSAGE * period)
    tails = [_Tail.of(fine, side, span) if rises or len(side) > 1 else None for side in sides]
    found = [tail.rise() if tail is not None and rises else None for tail in tails]
    for one, other in ((0, 1), (1, 0)) if len(sides) == 2 else ():
        tail, its = tails[one], found[other]
        if tail is not None and found[one] is None and its is not None:
            found[one] = tail.rise(near=its)
    return [
        side if tail is None else _in_its_tail(side, tail, track, period, rise)
        for side, tail, track, rise in zip(sides, tails, tracks, found, strict=True)
    ]


def _in_its_tail(
    side: list[Placed], tail: _Tail, track: SoundTrack, period: float, rise: int | None
) -> list[Placed]:
    """The sounds of a side, those in the tail of its loudest placed anew, and one more for a ``rise``."""
    main = tail.sound
    delays = {typically_apart(sound, main): sound for sound in side if sound is not main}
    kept = [main, *(sound for delay, sound in delays.items() if not NEAREST_FRAMES <= delay < tail.span)]
    later = {delay: sound for delay, sound in delays.items() if NEAREST_FRAMES <= delay < tail.span}
    wanted: list[tuple[Placed | None, int | None]] = []
    if rise is not None:
        nearest = min(later, key=lambda delay: abs(delay - rise), default=np.inf)
        beside = later[nearest] if abs(nearest - rise) <= NEAREST_FRAMES else None
        if beside is None or not _well_placed(beside):
            wanted.append((beside, rise))
            later = {delay: sound for delay, sound in later.items() if abs(delay - rise) > NEAREST_FRAMES}
    for delay, sound in later.items():
        if _well_placed(sound) or tail.stands_db(round(delay)) < TAIL_STANDS_DB:
            kept.append(sound)
        else:
            wanted.append((sound, None))
    for known, at in wanted:
        delays_due = due(main, known, at)
        frames = np.rint((main.frame + delays_due) / POOLED_FRAMES).astype(np.int64)
        bands = np.ones(tail.logs.shape[2], np.float32)
        heard = SoundTrack(frames, bands, np.zeros(len(frames), np.float32), 0.0)
        # Where the passage travels, the tail is continued from the shortest on.
        against = tail.added(round(float(np.quantile(delays_due, 0.05))))
        anew = place(against, heard, track, period)
        if anew.share > MOSTLY_CERTAIN or (known is not None and anew.share >= known.share):
            kept.append(anew)
        elif known is not None:
            kept.append(known)
    return sorted(kept, key=lambda sound: typically_apart(sound, main))


def _well_placed(sound: Placed) -> bool:
    """Whether most beats have a sound, and nothing of its beginning hides: against the tail it would be found where it is."""
    return sound.share > MOSTLY_CERTAIN and sound.hidden < HIDES_NONE


def due(main: Placed, known: Placed | None, rise: int | None) -> npt.NDArray[np.float64]:
    """Frames after the main sound at which a sound is due in each row: as it was followed, moved to where all beats rise.

    A passage that travels has no one place where all beats rise: it stays where it was followed.

    Parameters
    ----------
    main : Placed
    known : Placed or None
        The sound as it was followed so far; None if it was not.
    rise : int or None
        Where all beats rise, in frames after the main sound; given if ``known`` is not.
    """
    if known is None:
        return np.full(len(main.frame), float(rise or 0))
    apart, rows = known.frame - main.frame, np.arange(len(main.frame))
    sure = known.certain & known.usable & main.certain & main.usable
    typical = typically_apart(known, main)
    if known.share <= MOSTLY_CERTAIN or not sure.any():
        return np.full(len(main.frame), typical if rise is None else float(rise))
    course = np.interp(rows, rows[sure], apart[sure])
    low, high = np.quantile(apart[sure], [0.1, 0.9])
    moved = rise - typical if rise is not None and high - low < NEAREST_FRAMES else 0.0
    return np.asarray(course + moved)


@dataclass(frozen=True, slots=True)
class _Tail:
    """Logarithm of the power over the room's from the beginning of a sound on, shape (beats, frames, bands); the first ``span``
    frames are searched."""

    fine: FinePower
    sound: Placed
    logs: FloatArray
    span: int

    @staticmethod
    def of(fine: FinePower, side: list[Placed], span: int) -> _Tail | None:
        """The loudest sound of a side in all beats in which it is certain, over ``span`` frames and a rise; None without any."""
        sound = loudest(side)
        if sound is None:
            return None
        places = np.rint(sound.frame[sound.usable & sound.certain]).astype(np.int64)
        places = places[(places >= 0) & (places + span + AFTER_RISE < len(fine.levels))]
        if not len(places):
            return None
        logs = np.log(np.maximum(fine.around(places, 0, span + AFTER_RISE), 1e-2))
        return _Tail(fine, sound, logs, span)

    def rise(self, near: int | None = None) -> int | None:
        """Frame of the greatest rise, all bands alike; None where no rise is sure. ``near``: where the other side has one."""
        sums = np.cumsum(self.logs.mean(axis=2, dtype=np.float64), axis=1)
        ends = np.arange(NEAREST_FRAMES + BEFORE_RISE + WITHIN_RISE, self.span)
        if near is not None:
            ends = ends[np.abs(ends - near) < NEAREST_FRAMES]
        if len(self.logs) < LEAST_BEATS or not len(ends):
            return None
        low = (sums[:, ends - WITHIN_RISE] - sums[:, ends - WITHIN_RISE - BEFORE_RISE]) / BEFORE_RISE
        high = (sums[:, ends + AFTER_RISE - 1] - sums[:, ends - 1]) / AFTER_RISE
        rises = high - low
        mean = rises.mean(axis=0)
        best = int(np.argmax(mean))
        doubt = float(rises[:, best].std()) / np.sqrt(len(rises))
        least_db = TAIL_RISE_DB if near is None else TAIL_RISE_ALIKE_DB
        return int(ends[best]) if mean[best] > max(least_db / _DB, TAIL_RISE_SURE * doubt) else None

    def stands_db(self, delay: int) -> float:
        """Level above the room just before a sound that comes ``delay`` frames later, in the loudest band."""
        before = self.logs[:, max(delay - TAIL_FITTED // 2, 0) : delay - WITHIN_RISE]
        return float(_DB * before.mean(axis=(0, 1)).max())

    def added(self, delay: int) -> FinePower:
        """The power, with the most that the tail adds: as heard up to the sound ``delay`` frames later, then continued.

        A sound that was followed to just beside the main one in some beats is none of those for which there is a tail.
        """
        until = max(delay, NEAREST_FRAMES) - 2 * WITHIN_RISE
        mean = self.logs[:, :until].mean(axis=0)
        fitted = np.arange(max(until - TAIL_FITTED, 0), until)
        lines = np.polynomial.polynomial.polyfit(fitted - fitted.mean(), mean[fitted], 1)
        on = np.arange(until, until + LAST_REBOUND_FRAMES) - fitted.mean()
        continued = lines[0] + np.minimum(lines[1], 0.0) * on[:, None]
        course = TAIL_MOST * np.exp(np.concatenate([mean, continued]))
        course = course[: len(course) // POOLED_FRAMES * POOLED_FRAMES]
        pooled = course.reshape(-1, POOLED_FRAMES, course.shape[1]).max(axis=1)
        added = np.zeros((len(self.fine.levels) // POOLED_FRAMES + 1, course.shape[1]), np.float32)
        if self.fine.added is not None:
            added[: len(self.fine.added)] += self.fine.added
        for first in (self.sound.frame[self.sound.usable] // POOLED_FRAMES).astype(np.int64):
            part = added[first : first + len(pooled)]
            part += pooled[: len(part)]
        return replace(self.fine, added=np.minimum(added, np.finfo(np.float16).max).astype(np.float16))


_DB = 10 / np.log(10)  # decibels of a natural logarithm of power
