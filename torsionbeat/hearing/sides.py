"""The sides of the beat: which of their sounds is which, and the other possible accounts of them.

Input: the placed sounds of each side. Output: drop and contact of each side (single contacts, or the passage from the stack of
all beats), and the rivals: other accounts of the same sounds with their share of all probability. The scores come from
`account`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from torsionbeat.hearing.account import Account, Roles, Sound, accounts, odds_of_lone_contact, odds_of_mixed
from torsionbeat.hearing.beginnings import LOOK_BACK, Together, passages_together
from torsionbeat.hearing.exact import FinePower, likeness_of
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.hearing.other_clocks import OtherClock
from torsionbeat.hearing.placing import Placed, passage_of, typically_apart
from torsionbeat.hearing.sounds_again import NOT_SOUGHT, SoundsAgain, sounds_again
from torsionbeat.theory.robust import median_deviation

__all__ = [
    "ChapterHeard",
    "Rival",
    "SideHeard",
    "as_the_peaks_say",
    "first_heard",
    "guesses_of",
    "likelier",
    "named",
    "one_of_each",
    "rivals_of",
    "sides_are_swapped",
    "summary",
    "typical_start",
    "weighed_accounts",
    "with_mixed_sounds",
    "with_parts_before",
    "with_rivals",
]

_SINGLE_SHARE, _MEDIAN_SHARE = 0.8, 0.3
"""Share of beats in which a contact must be certain: below the first the typical passage is better than single ones, below the
second the stack (average) of all beats is better than that: a stack shows where most of a sound is, not where it begins (of 10
sides of realsounds it was 9 to 20 ms late in six, where 1 to 8 were stated)."""
_LEAST_ROWS, _LEAST_HALF = 10, 20
"""Beats that make a typical passage, and that make one of each half."""
_ASTRAY = 16.0
"""Frames (8 ms) by which the typical single contact and the stack of all may differ."""
MOST_ODDS, LEAST_RIVAL = 1000.0, 1e-4
"""Cap of the odds, as far as they were tested; rivals with less than the second share are left out."""
_THE_SAME = 4.0
"""Frames (2 ms) within which two accounts give the same figures."""
PEAKS_SAY = 10.0
"""Odds with which the account of peaks is right against that of mean sounds. Against clocks that tick beside it, it took echoes
for drops in 3 of 12 starts; near the noise floor the other took two contacts for drops in one of forty (no source)."""
_SAME_SOUND = 30.0
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


def likelier(heard: ChapterHeard, few: ChapterHeard) -> ChapterHeard:
    """The likelier of a clock as the search of many beats heard it, and the account of few beats of the same sound.

    The account of few beats was chosen against what the search heard (`guesses_of`). So it is the answer where its sounds are
    others, and as many or more; or where it has no contacts, and the search heard one on one side only, which is rare. Where its
    sounds are fewer, it is an equally likely rival if its drops are other sounds: a sound too soft for peaks shows in the mean of
    all beats.

    Parameters
    ----------
    heard, few : ChapterHeard
    """
    period = heard.period_frames
    if not few.sides or abs(few.period_frames / period - 1) > 0.01:
        return heard
    known, its = _passages(heard), _passages(few)
    more = _number_of_sounds(its) - _number_of_sounds(known)
    if len(heard.sides) < len(few.sides):
        return few
    if len(heard.sides) > len(few.sides) or len(few.sides) < 2:
        return heard
    apart = typically_apart(few.sides[0].drop, heard.sides[0].drop) / period
    turned = abs(apart - round(apart)) > 0.25
    if turned:
        its = its[::-1]
    drops = [typically_apart(few.sides[side].drop, heard.sides[side != turned].drop) for side in (0, 1)]
    away = [abs((drop + period / 2) % period - period / 2) for drop in drops]
    other_contacts = any(
        new is not None and (old is None or abs(new - old) > _SAME_SOUND)
        for old, new in zip(known, its, strict=True)
    )
    if more >= 0 and (max(away) > _SAME_SOUND or other_contacts):
        return few
    if max(away) < _SAME_SOUND and its == (None, None) and None in known and known != its:
        return few
    later = (-1 if turned else 1) * _late(few) - _late(heard)
    if abs(later) < _SAME_SOUND:
        return heard
    return with_rivals(heard, (Rival(0.5, later, its),))


def with_rivals(heard: ChapterHeard, rivals: tuple[Rival, ...]) -> ChapterHeard:
    """The clock with more rivals: what they leave of all probability is shared as before.

    Parameters
    ----------
    heard : ChapterHeard
    rivals : tuple of Rival
    """
    left = 1 - sum(rival.share for rival in rivals)
    known = tuple(replace(rival, share=left * rival.share) for rival in heard.rivals)
    return replace(heard, rivals=(*known, *rivals))


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
    late = _late(heard) if len(heard.sides) > 1 else np.nan
    start = typical_start(heard.sides[0], heard.period_frames)
    passages = {np.nan if passage is None else passage for passage in _passages(heard)}
    return np.array([(start, heard.period_frames, late, passage) for passage in passages])


def _passages(heard: ChapterHeard) -> tuple[float | None, ...]:
    """Typical frames from contact to drop of each side; None where no contact is heard, singly or in the mean of all beats."""
    return tuple(
        passage_of(side.drop, side.contact)
        if side.contact is not None
        else (side.together[0].passage_frames if side.together else None)
        for side in heard.sides
    )


def _number_of_sounds(passages: tuple[float | None, ...]) -> int:
    return sum(1 if passage is None else 2 for passage in passages)


def _late(heard: ChapterHeard) -> float:
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
        if all(abs(places[number] - places[other]) > _SAME_SOUND for other in kept):
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
        if all(abs(place - other) > _SAME_SOUND for other, _, known in every if known is not sound):
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


def rivals_of(weighed: list[Account]) -> tuple[Rival, ...]:
    """The other accounts, with equal ones merged; none where all of them are certainly wrong."""
    if not weighed:
        return ()
    shares = np.exp(np.array([account.score for account in weighed]) - weighed[0].score)
    shares /= shares.sum()
    own = _middle_late(weighed[0])
    others = [
        (share, account)
        for share, account in zip(shares.tolist(), weighed, strict=True)
        if not _says_the_same(account, weighed[0])
    ]
    if sum(share for share, _ in others) < 1 / MOST_ODDS:
        return ()
    out: list[Rival] = []
    for share, account in others:
        if share < LEAST_RIVAL:
            break
        out.append(Rival(share, _middle_late(account) - own, account.passages))
    return tuple(out)


def with_mixed_sounds(heard: ChapterHeard) -> ChapterHeard:
    """A clock of few beats, with the accounts in which the one sound of a side is its contact, and its drop is not heard.

    Not used with many beats: their mean shows a drop that is louder than a contact heard singly.
    """
    if len(heard.sides) != 2:
        return heard
    paired = [side.contact is not None or bool(side.together) for side in heard.sides]
    if any(paired):
        return heard if all(paired) else _with_a_lone_contact(heard, paired.index(True))
    one, other = (side.drop for side in heard.sides)
    ways = []
    for sign, drop, sound in ((1, one, other), (-1, other, one)):
        odds = odds_of_mixed(
            sign * _late(heard),
            sound.loudness_db - drop.loudness_db,
            heard.period_frames,
            standing_db=_standing_db(drop),
            likeness=likeness_of(one.profile, other.profile),
        )
        ways.append((sign, odds))
    total = 1 + sum(odds for _, (odds, _) in ways)
    if 1 - 1 / total < 1 / MOST_ODDS:
        return heard
    mixed = tuple(
        Rival(odds / total, sign * passage, (None, None))
        for sign, (odds, passage) in ways
        if odds / total > LEAST_RIVAL
    )
    return with_rivals(heard, mixed)


def _with_a_lone_contact(heard: ChapterHeard, whole: int) -> ChapterHeard:
    """The clock, with the account in which the sound of the side that has but one is its contact; ``whole``: the other side."""
    drop, contact = heard.sides[whole].drop, heard.sides[whole].contact
    if contact is None:
        return heard
    lone, passage = heard.sides[1 - whole].drop, passage_of(drop, contact)
    # If it is the contact, its drop comes a passage later.
    later = passage if whole == 0 else -passage
    odds = odds_of_lone_contact(
        (_late(heard) + later, _late(heard)),
        heard.period_frames,
        louder_db=(lone.loudness_db - contact.loudness_db, lone.loudness_db - drop.loudness_db),
        standing_db=(_standing_db(contact), _standing_db(drop)),
        likeness=(likeness_of(lone.profile, contact.profile), likeness_of(lone.profile, drop.profile)),
    )
    if odds < 1 / MOST_ODDS:
        return heard
    return with_rivals(heard, (Rival(odds / (1 + odds), later, (passage, passage)),))


def _standing_db(sound: Placed) -> float:
    """Level above the room, in the loudest band and frame of the mean sound."""
    return 10 * float(np.log10(max(float(sound.profile.max()), 1e-3)))


def _says_the_same(one: Account, other: Account) -> bool:
    """Whether two accounts give the same figures, whichever sounds they name."""
    apart = [abs((a or 0.0) - (b or 0.0)) for a, b in zip(one.passages, other.passages, strict=True)]
    return max(*apart, abs(_middle_late(one) - _middle_late(other))) < _THE_SAME


def _middle_late(account: Account) -> float:
    """Frames by which the middle of the second side's lift comes later than half a period after the first's."""
    if len(account.passages) < 2:
        return 0.0
    return account.out_of_beat - ((account.passages[1] or 0.0) - (account.passages[0] or 0.0)) / 2


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
    """Typical passage of the beats in which the contact is certain, of each half of them; none of a few beats."""
    rows = np.flatnonzero(drop.usable & contact.usable & drop.certain & contact.certain)
    if len(rows) < _LEAST_ROWS:
        return ()
    passages = (drop.frame - contact.frame)[rows]
    scatter = median_deviation(passages - np.median(passages))
    parts = np.array_split(np.arange(len(rows)), 2 if len(rows) >= 2 * _LEAST_HALF else 1)
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
