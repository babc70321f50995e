"""The sides of the beat: which of their sounds is which.

Input: the placed sounds of each side. Output: drop and contact of each side: single contacts, or the passage from the stack of
all beats. The scores come from `account`; what the other accounts say is in `rivals`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.account import Account, Roles, Sound, accounts
from torsionbeat.hearing.beginnings import LOOK_BACK
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.hearing.placing import Placed, passage_of, typically_apart
from torsionbeat.hearing.sounds_again import NOT_SOUGHT, SoundsAgain, sounds_again
from torsionbeat.hearing.together import Together, passages_together
from torsionbeat.theory.robust import median_deviation
from torsionbeat.tracks.fine_power import FinePower
from torsionbeat.tracks.other_clocks import OtherClock

__all__ = [
    "SAME_SOUND",
    "ChapterHeard",
    "Rival",
    "SideHeard",
    "as_the_peaks_say",
    "first_heard",
    "guesses_of",
    "named",
    "one_of_each",
    "passages_of",
    "second_side_late",
    "sides_are_swapped",
    "summary",
    "typical_start",
    "weighed_accounts",
    "with_parts_before",
]

_SINGLE_SHARE, _MEDIAN_SHARE = 0.8, 0.3
"""Share of beats in which a contact must be certain: below the first the typical passage is better than single ones, below the
second the stack (average) of all beats is better than that: a stack shows where most of a sound is, not where it begins (of 10
sides of realsounds it was 9 to 20 ms late in six, where 1 to 8 were stated)."""
_LEAST_ROWS, _LEAST_PART, _MOST_PARTS = 10, 5, 8
"""Beats that make a typical passage, and a part of the stretch with its own; most parts: so is seen how the passage travels."""
_ASTRAY = 16.0
"""Frames (8 ms) by which the typical single contact and the stack of all may differ."""
PEAKS_SAY = 10.0
"""Odds with which the account of peaks is right against that of mean sounds. Against clocks that tick beside it, it took echoes
for drops in 3 of 12 starts; near the noise floor the other took two contacts for drops in one of forty (no source)."""
SAME_SOUND = 30.0
"""Frames (15 ms) within which two tracks follow the same sound."""


@dataclass(frozen=True, slots=True)
class SideHeard:
    """One side of the beat: its drop, and its contact if single contacts are heard, else the stack's passages, if any."""

    drop: Placed
    contact: Placed | None
    together: tuple[Together, ...]
    again: SoundsAgain = NOT_SOUGHT


@dataclass(frozen=True, slots=True)
class Rival:
    """Another account of the sounds: its share of all probability, the additional delay of the second side's middle in frames,
    and the passages by side."""

    share: float
    later: float
    passages: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class ChapterHeard:
    """The clock in one chapter; ``sides`` has one or two entries, the second half a period after the first.

    Without any side, a clock is heard but it is not yet sure which sound is which.
    """

    period_frames: float
    sides: tuple[SideHeard, ...]
    others: tuple[OtherClock, ...]
    second_period_s: float | None
    score: float = 0.0
    rivals: tuple[Rival, ...] = ()


def guesses_of(heard: ChapterHeard) -> npt.NDArray[np.float64]:
    """The clock as heard, as the account of few beats scores it: one row for each different passage.

    Parameters
    ----------
    heard : ChapterHeard

    Returns
    -------
    array, shape (guesses, 4)
        Drop of the first side, period, lateness of the second side's drop and passage, in frames; NaN where there is no second
        side or no contact.
    """
    late = second_side_late(heard) if len(heard.sides) > 1 else np.nan
    start = typical_start(heard.sides[0], heard.period_frames)
    passages = {np.nan if passage is None else passage for passage in passages_of(heard)}
    return np.array([(start, heard.period_frames, late, passage) for passage in passages])


def passages_of(heard: ChapterHeard) -> tuple[float | None, ...]:
    """Typical frames from contact to drop of each side; None where no contact is heard, singly or in the mean of all beats."""
    return tuple(
        passage_of(side.drop, side.contact)
        if side.contact is not None
        else (side.together[0].passage_frames if side.together else None)
        for side in heard.sides
    )


def second_side_late(heard: ChapterHeard) -> float:
    """Frames by which the second side's drop comes later than half a period after the first's."""
    one, other = (side.drop for side in heard.sides)
    return _later_than_half(other, one, heard.period_frames)


def _later_than_half(other: Placed, one: Placed, period: float) -> float:
    """Frames by which a sound of one side comes later than half a period after one of the other side."""
    return typically_apart(other, one) % period - period / 2


def summary(sound: Placed) -> tuple[float, float, float]:
    """Place against the side's strongest track, loudness of the mean sound in dB, share of beats where it is certain."""
    return sound.place, sound.loudness_db, sound.share


def one_of_each(side: list[Placed]) -> list[Placed]:
    """The sounds of a side, each once: of two tracks of the same sound the smoother stays."""
    places = [typically_apart(sound, side[0]) for sound in side]
    kept: list[int] = []
    for number in sorted(range(len(side)), key=lambda number: _roughness(side[number])):
        if all(abs(places[number] - places[other]) > SAME_SOUND for other in kept):
            kept.append(number)
    return [side[number] for number in sorted(kept, key=lambda number: places[number])]


def with_parts_before(side: list[Placed]) -> list[Placed]:
    """The sounds of a side. For a sound that always has a part before it, also that part, and both as one sound.

    The part may be the contact, and the sound the unlocking.
    """
    every = [(typically_apart(sound, side[0]), 2, sound) for sound in side]
    for sound in side:
        if sound.before is None or sound.whole is None:
            continue
        place = typically_apart(sound.before, side[0])
        if all(abs(place - other) > SAME_SOUND for other, _, known in every if known is not sound):
            every += [(place, 0, sound.before), (place, 1, sound.whole)]
    return [sound for *_, sound in sorted(every, key=lambda one: one[:2])]


def _roughness(sound: Placed) -> float:
    """Unevenness of a sound in frames: the 0.8 quantile of its second differences; rare sounds come last."""
    at = sound.frame[sound.certain & sound.usable]
    if len(at) < 5 or sound.share < 0.5:
        return 1e6 - sound.share
    bend = np.diff(at, 2)
    bend = bend[np.abs(bend) < 0.5 * float(np.median(np.diff(at)))]
    return float(np.quantile(np.abs(bend), 0.8)) if len(bend) else 1e6 - sound.share


def weighed_accounts(sides: list[list[Placed]], period: float) -> list[Account]:
    """All accounts of the sounds, the likeliest first."""
    sounds = [_sounds_of(side) for side in sides]
    out_of_half = _later_than_half(sides[1][0], sides[0][0], period) if len(sides) == 2 else 0.0
    return accounts(sounds, out_of_half, period)


def _sounds_of(side: list[Placed]) -> list[Sound]:
    """The sounds of a side as the account weighs them."""
    out = [
        Sound.of(
            typically_apart(sound, side[0]),
            sound.loudness_db,
            sound.evidence[sound.usable],
            sound.chance,
            sound.edge_uncertainty,
        )
        for sound in side
    ]
    for group, main in enumerate(side):
        if main.before is None or not any(sound is main.before for sound in side):
            continue
        first, whole = (
            next(number for number, sound in enumerate(side) if sound is part)
            for part in (main.before, main.whole)
        )
        out[first], out[whole], out[group] = out[group].with_first_part(out[first], group)
    return out


def as_the_peaks_say(weighed: list[Account], passages: list[float | None]) -> list[Account]:
    """The accounts of a few beats, the likeliest first, where the account of their peaks has these passages.

    It knows the beats one by one, which these do not, and less of what clocks do: where both differ it is right in `PEAKS_SAY` to
    one. A part heard before a sound makes no difference.

    Parameters
    ----------
    weighed : list of Account
    passages : list of float or None
        Frames from contact to drop by side; None without a contact.
    """
    out = []
    for account in weighed:
        alike = all(
            one is other if one is None or other is None else abs(one - other) < LOOK_BACK
            for one, other in zip(account.passages, passages, strict=True)
        )
        out.append(replace(account, score=account.score + np.log(PEAKS_SAY)) if alike else account)
    return sorted(out, key=lambda account: -account.score)


def named(
    fine: FinePower,
    sides: list[list[Placed]],
    roles: list[Roles],
    period: float,
    others: tuple[OtherClock, ...],
    score: float,
) -> ChapterHeard | None:
    """The sounds with their roles; None where not even two drops of a side are certain.

    Parameters
    ----------
    fine : FinePower
    sides : list of lists of Placed
        The sounds of each side.
    roles : list of Roles
        Which of them is drop and contact, by side.
    period : float
        Full period in frames.
    others : tuple of OtherClock
        Other clocks that are heard.
    score : float
        Score of the cadence, or of the account of few beats.
    """
    passages = [
        None if role.contact is None else passage_of(side[role.drop], side[role.contact])
        for side, role in zip(sides, roles, strict=True)
    ]
    heard = []
    for number, (side, role) in enumerate(zip(sides, roles, strict=True)):
        contact = None if role.contact is None else side[role.contact]
        elsewhere = passages[1 - number] if len(sides) > 1 else None
        one = _side(fine, side[role.drop], contact, elsewhere)
        heard.append(replace(one, again=sounds_again(fine, one.drop, one.contact, period)))
    if not any(np.count_nonzero(side.drop.certain) >= 2 for side in heard):
        return None
    return ChapterHeard(period, tuple(heard), others, None, score)


def _side(fine: FinePower, drop: Placed, contact: Placed | None, elsewhere: float | None) -> SideHeard:
    """One side: single contacts, or the passage from their stack, searched at the other side's passage if need be."""
    drop = replace(drop, kind="drop")
    if contact is not None:
        contact = replace(contact, kind="contact")
        share = _share_of_beats(contact, drop)
        if share > _SINGLE_SHARE:
            return SideHeard(drop, contact, ())
        typical = _typical(drop, contact) if share > _MEDIAN_SHARE else ()
        if typical:
            return SideHeard(drop, contact, typical)
        passage = passage_of(drop, contact)
        together = _together(fine, drop, passage)
        # Single contacts are rejected where the stack (average) of all beats shows the contact elsewhere.
        astray = any(abs(passage - part.passage_frames) > _ASTRAY for part in together)
        return SideHeard(drop, None if astray else contact, together)
    return SideHeard(drop, None, () if elsewhere is None else _together(fine, drop, elsewhere))


def _share_of_beats(contact: Placed, drop: Placed) -> float:
    """Share of the beats with a certain drop in which the contact is certain too."""
    beats = contact.usable & drop.usable & drop.certain
    return float(np.mean(contact.certain[beats])) if beats.any() else 0.0


def _typical(drop: Placed, contact: Placed) -> tuple[Together, ...]:
    """Typical passage of the beats in which the contact is certain, of each part of them; none of a few beats."""
    rows = np.flatnonzero(drop.usable & contact.usable & drop.certain & contact.certain)
    if len(rows) < _LEAST_ROWS:
        return ()
    passages = (drop.frame - contact.frame)[rows]
    parts = np.array_split(np.arange(len(rows)), min(len(rows) // _LEAST_PART, _MOST_PARTS))
    scatter = median_deviation(np.concatenate([passages[part] - np.median(passages[part]) for part in parts]))
    return tuple(
        Together(
            int(rows[part[0]]),
            int(rows[part[-1]]),
            float(np.median(passages[part])),
            # a median has a variance of pi/2 of a mean's
            float(scatter * np.sqrt(np.pi / 2 / len(part))),
            0.0,
        )
        for part in parts
    )


def _together(fine: FinePower, drop: Placed, passage: float) -> tuple[Together, ...]:
    rows = np.flatnonzero(drop.usable & drop.certain)
    return passages_together(fine, rows, drop.frame[rows], passage)


def sides_are_swapped(voices: dict[tuple[str, str], VoiceProfile], heard: ChapterHeard, first: int) -> bool:
    """Whether the drops sound like the other sides' drops: a lost stretch of unknown length can swap the sides.

    Parameters
    ----------
    voices : dict
        Mean sounds so far, by side and kind.
    heard : ChapterHeard
        The next chapter.
    first : int
        Number of its first side's first beat by the phase: even on side a.
    """
    if len(heard.sides) != 2 or ("a", "drop") not in voices or ("b", "drop") not in voices:
        return False
    known = {side: np.log1p(voices[side, "drop"].profile).ravel() for side in "ab"}
    now = [np.log1p(side.drop.profile).ravel() for side in heard.sides]
    names = "ab" if first % 2 == 0 else "ba"
    straight = sum(_alike(now[index], known[names[index]]) for index in (0, 1))
    swapped = sum(_alike(now[index], known[names[1 - index]]) for index in (0, 1))
    return swapped > straight + 0.1


def _alike(one: npt.NDArray[np.float32], two: npt.NDArray[np.float32]) -> float:
    """Cosine of two profiles, at the best of a few shifts."""
    best = 0.0
    for shift in range(-15, 16, 5):
        moved = np.roll(two, shift)
        best = max(best, float(one @ moved / max(float(np.linalg.norm(one) * np.linalg.norm(moved)), 1e-9)))
    return best


def typical_start(side: SideHeard, period_frames: float) -> float:
    """Frame of row 0 of a side if the clock were perfectly regular."""
    rows = np.arange(len(side.drop.frame))
    sure = side.drop.certain & side.drop.usable
    chosen = sure if np.count_nonzero(sure) >= 2 else side.drop.usable
    return float(np.median(side.drop.frame[chosen] - period_frames * rows[chosen]))


def first_heard(side: SideHeard) -> float:
    """Frame of a side's first certain drop, or of its first drop if none is certain."""
    sure = side.drop.certain & side.drop.usable
    return float(side.drop.frame[sure][0]) if sure.any() else float(side.drop.frame[0])
