"""Sounds that follow a clock's own: in the tail of a louder one, the drop again, and what comes in step with drop or contact.

`placed_in_the_tail`: a contact may be louder than its drop, and its tail in the room louder than the room. There no sound rises
far above the room, and the expected sound is drawn to the tail. So the tail, continued, is a second source of power, as another
clock's tick is: the sounds after the loudest are placed against it, and a rise that the search did not find is a sound too.

`sounds_again`: for each beat of one side, the sudden rises after the drop and their likeness to the drop; and the same from
control stretches before the contact, where the balance swings silently and no drop can be. The control stretches show how
often noise, talk or another clock passes for a drop.

`score_of_echoes`: an account of a few beats names a drop and a contact. A further sound in step with them (an echo, a rebound, an
unlocking, a later part of the same sound) supports an account in which it follows one of the two, and not one in which it
would come before both: nothing sounds before the contact. Times are seconds, levels dB; a score is the natural logarithm of
the odds over a room without that sound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from torsionbeat.hearing.account import (
    LAST_REBOUND_FRAMES,
    LEVELS_DB,
    LONGEST_PASSAGE,
    LOUDNESS_DB,
    log_normal,
    log_of_rebound,
    log_of_unlocking,
    log_student,
)
from torsionbeat.hearing.bands import POOLED_FRAMES
from torsionbeat.hearing.beginnings import HIDES_NONE
from torsionbeat.hearing.exact import FinePower
from torsionbeat.hearing.pattern import SoundTrack
from torsionbeat.hearing.placing import Placed, place, typically_apart
from torsionbeat.theory.edges import BEFORE

__all__ = [
    "DISTINCT_S",
    "NEAREST_S",
    "NOT_SOUGHT",
    "SoundsAgain",
    "clear_delays",
    "due",
    "loudest",
    "placed_in_the_tail",
    "score_of_echoes",
    "sounds_again",
]

FloatArray = npt.NDArray[np.float32]
TimesArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FRAME_S = 0.0005  # half the window of a frame, as in `bands`
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
USUAL_DB, USUAL_STEPS = 8.0, 6
"""Least level of a repeated drop above that of most beats within this many steps of the same distance: an echo or a banking is
usual there, and scatters by some dB from beat to beat."""

ECHO_SCATTER_S = 0.004
"""Scale of the distance of an echo from its time: the grid of both peaks."""
ECHO_HEARD = 0.85
"""Share of beats whose echo gives a peak: echoes are soft."""
ECHO_SPREAD_DB = 4.0
"""Scale of an echo's level about the median of its kind."""
_FRAMES_PER_S = 1 / FRAME_S
_NEAREST = round(NEAREST_S / FRAME_S)
_DB = 10 / np.log(10)  # decibels of a natural logarithm of power
SOONEST_S, LATEST_S = 0.02, LAST_REBOUND_FRAMES / _FRAMES_PER_S
"""Peaks nearer together are one sound; an echo later than the second is rarer than one in 1800 (`account.log_of_rebound`)."""
LOUDER_DB = 1.5
"""No echo is louder than what it echoes; the median levels of few beats differ from the true ones by this much."""
DISTINCT_S = 0.015
"""Delays nearer than this are one, and passages of a handful of beats."""
NEAR_CELLS = 3
"""Cells of `ECHO_SCATTER_S` either side in which a peak supports a delay: farther off it counts for a tenth."""
MOST_OF_A_KIND = 2
"""Sounds after the drop, and after the contact, that are looked for."""
_ECHO_MISSING = float(np.log(1 - ECHO_HEARD))

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
    kept = [main, *(sound for delay, sound in delays.items() if not _NEAREST <= delay < tail.span)]
    later = {delay: sound for delay, sound in delays.items() if _NEAREST <= delay < tail.span}
    wanted: list[tuple[Placed | None, int | None]] = []
    if rise is not None:
        nearest = min(later, key=lambda delay: abs(delay - rise), default=np.inf)
        beside = later[nearest] if abs(nearest - rise) <= _NEAREST else None
        if beside is None or not _well_placed(beside):
            wanted.append((beside, rise))
            later = {delay: sound for delay, sound in later.items() if abs(delay - rise) > _NEAREST}
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
    moved = rise - typical if rise is not None and high - low < _NEAREST else 0.0
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
        ends = np.arange(_NEAREST + BEFORE_RISE + WITHIN_RISE, self.span)
        if near is not None:
            ends = ends[np.abs(ends - near) < _NEAREST]
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
        """The power, with the most that the tail adds: as heard up to the sound ``delay`` frames later, then continued."""
        until = delay - 2 * WITHIN_RISE
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
    starts = [drops + _NEAREST]
    starts += [drops - passage - number * (reach + _NEAREST) for number in range(1, CONTROLS + 1)]
    inside = (starts[-1] > LEAD * STEP) & (drops + _NEAREST + reach + OWN * STEP < len(fine.levels))
    own = _own_sound(drop)
    parts = []
    for stretch, start in enumerate(starts):
        for chosen in np.array_split(np.flatnonzero(inside), max(int(inside.sum()) // BATCH, 1)):
            which, steps, sure = _like(fine, start[chosen], reach, own)
            after = STEP * steps + (_NEAREST if stretch == 0 else 0)
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
    width = 2 * round(NEAREST_S / FRAME_S / STEP) + 1
    peak = rise_db == maximum_filter1d(rise_db, width, axis=1, mode="nearest")
    which, at = np.nonzero(peak & (rise_db > EASY_RISE_DB) & (below_db < EASY_BELOW_DB))
    alike = _alike(sound, which, at, own)
    easy = alike > EASY_ALIKE
    usual = maximum_filter1d(np.median(high, axis=0), 2 * USUAL_STEPS + 1, mode="nearest")
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
    passage_s, drop_db = 0.0, 0.0
    if len(drops) and len(contacts):
        ahead = times[drops, None] - times[contacts]
        passage_s = float(np.median(np.where(ahead > 0, ahead, np.inf).min(axis=0)))
        drop_db = float(np.median(levels[drops]))
    total = 0.0
    for sounds, before_s in ((drops, 0.0), (contacts, passage_s)):
        for _ in range(MOST_OF_A_KIND):
            delay_s, score, used = _best(times, levels, rarity, sounds, free)
            if not len(used):
                break
            level, own = float(np.median(levels[used])), float(np.median(levels[sounds]))
            if delay_s < before_s < np.inf:
                frames, passage = delay_s * _FRAMES_PER_S, before_s * _FRAMES_PER_S
                unlocking = log_of_unlocking(frames, passage) + log_normal(
                    level - drop_db, *LOUDNESS_DB["unlocking"]
                )
                score += float(np.logaddexp(unlocking, _log_of_echo(delay_s, level - own)))
            else:
                score += _log_of_echo(delay_s, level - own)
            if score <= 0:
                break
            total += score
            free[used] = False
    return total


def _log_of_echo(delay_s: float, louder_db: float) -> float:
    """Logarithm of the number of echoes per frame and dB."""
    return log_of_rebound(delay_s * _FRAMES_PER_S, louder_db) + float(log_ndtr(-louder_db / LOUDER_DB))


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
    times: TimesArray, levels: TimesArray, rarity: TimesArray, sounds: IntArray, free: npt.NDArray[np.bool_]
) -> tuple[float, float, IntArray]:
    """Delay of the sound that most of the free peaks make after the given ones, its score before any prior, and its peaks."""
    none = (0.0, 0.0, np.zeros(0, np.int64))
    after = np.where(free, times[None, :] - times[sounds, None], np.inf)
    delays = clear_delays(after, rarity, (SOONEST_S, LATEST_S), 1)
    if not delays:
        return none
    each = rarity + np.log(ECHO_HEARD) + log_student(np.minimum(after, times[-1]), delays[0], ECHO_SCATTER_S)
    each = np.where((after > SOONEST_S) & (after < LATEST_S), each, -np.inf)
    peak, best = each.argmax(axis=1), each.max(axis=1)
    heard = best > _ECHO_MISSING
    if np.count_nonzero(heard) < 2:
        return none
    used = peak[heard]
    there = best[heard] + log_student(levels[used], float(np.median(levels[used])), ECHO_SPREAD_DB)
    score = float(np.logaddexp(there, _ECHO_MISSING).sum()) + _ECHO_MISSING * (len(sounds) - len(used))
    score += float(np.log(ECHO_SCATTER_S * np.sqrt(2 * np.pi / len(used)) * _FRAMES_PER_S * LEVELS_DB))
    return delays[0], score, used
