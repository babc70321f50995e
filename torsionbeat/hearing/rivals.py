"""Rivals: the other accounts of the same sounds, with their share of all probability.

Input: the clock as it was heard, and the scores of all accounts. Output: the clock with its rivals, which `reading` makes doubt
of. One sound a side may be a drop or a contact: that is weighed here by its level, its likeness and the beat error.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import logsumexp, stdtr

from torsionbeat.hearing.account import Account
from torsionbeat.hearing.placing import Placed, passage_of, typically_apart
from torsionbeat.hearing.priors import (
    LOUDNESS_DB,
    NORMAL_POINTS,
    OUT_OF_BEAT,
    PASSAGE_MEDIAN,
    PASSAGE_SPREAD,
    SAME_DROP_DB,
    SAME_FORK_DB,
)
from torsionbeat.hearing.sides import SAME_SOUND, ChapterHeard, Rival, passages_of, second_side_late
from torsionbeat.tracks.densities import log_normal, log_student
from torsionbeat.tracks.exact import likeness_of

__all__ = [
    "MOST_ODDS",
    "likelier",
    "odds_of_lone_contact",
    "odds_of_mixed",
    "rivals_of",
    "with_mixed_sounds",
    "with_rivals",
]

MIXED = 0.05
"""Of recordings with one sound a side, the share in which these are one side's drop and the other side's contact; it counts for
each of the two ways. Near the noise floor it was one of 24 live starts."""
HEARD_DB = 10.0
"""Level above the room, in the loudest band and frame, from which a sound is mostly found. At 9 dB starts near the noise floor
lose every third contact."""
DROPS_ALIKE, UNLIKE_KINDS, ANY_LIKENESS = (0.93, 0.04), (0.71, 0.10), 0.05
"""Likeness of mean sounds (cosine of the roots of their profiles): of both sides' drops (median and scale of Student's
distribution, 3), and of a contact and the other side's drop (mean and deviation). From 161 and 151 pairs of real ticks in
rooms, 20 dB and more. The last is the share in which likeness may be anything: noise makes like sounds unlike."""


def odds_of_mixed(
    out_of_beat: float, louder_db: float, period: float, *, standing_db: float, likeness: float
) -> tuple[float, float]:
    """Odds, for two sides with one sound each, that the second's is its contact (drop unheard) over two drops; and the passage.

    A drop is unheard if it is so much softer than the other side's that the room hides it.

    Parameters
    ----------
    out_of_beat : float
        By how many frames the second side's sound comes later than half a period after the first's.
    louder_db : float
        By how much it is louder.
    period : float
        In frames.
    standing_db : float
        Level of the first side's drop above the room.
    likeness : float
        How alike both sounds are, from 0 to 1.

    Returns
    -------
    odds, passage : float
        Odds, and the mean passage (frames) that the second side then has.
    """
    passages = np.exp(np.log(PASSAGE_MEDIAN) + PASSAGE_SPREAD * NORMAL_POINTS) * period
    each = log_student(out_of_beat + passages, 0.0, OUT_OF_BEAT * period, 2.0)
    mixed = np.log(MIXED / len(passages)) + float(logsumexp(each))
    mixed += float(log_normal(louder_db, *LOUDNESS_DB["contact"]))
    mixed += _log_of_unheard(standing_db, SAME_DROP_DB)
    drops = float(log_student(out_of_beat, 0.0, OUT_OF_BEAT * period, 2.0))
    drops += float(log_student(louder_db, 0.0, SAME_DROP_DB)) + _log_of_likeness(likeness)
    weights = np.exp(each - each.max())
    return float(np.exp(mixed - drops)), float(weights @ passages / weights.sum())


def odds_of_lone_contact(
    out_of_beat: tuple[float, float],
    period: float,
    *,
    louder_db: tuple[float, float],
    standing_db: tuple[float, float],
    likeness: tuple[float, float],
) -> float:
    """Odds that the one sound of a side is its contact (drop unheard) over its drop (contact unheard), beside a side with both.

    Each pair is of contact and drop: if the sound is the one, or the other.

    Parameters
    ----------
    out_of_beat : tuple of float
        By how many frames the clock is then out of beat.
    period : float
        In frames.
    louder_db : tuple of float
        By how much the sound is louder than the other side's sound of that kind.
    standing_db : tuple of float
        Level above the room of the other side's sound of that kind: that of its pair is not heard.
    likeness : tuple of float
        How alike the sound and the other side's of that kind are, from 0 to 1.
    """
    spreads = (SAME_FORK_DB, SAME_DROP_DB)
    scores = [
        float(log_student(out_of_beat[kind], 0.0, OUT_OF_BEAT * period, 2.0))
        + float(log_student(louder_db[kind], 0.0, spreads[kind]))
        + _log_of_unheard(standing_db[1 - kind] + louder_db[kind], spreads[1 - kind])
        + _log_of_likeness(likeness[kind])
        for kind in (0, 1)
    ]
    return float(np.exp(scores[0] - scores[1]))


def _log_of_unheard(standing_db: float, spread_db: float) -> float:
    """Logarithm of the probability that a sound is so much softer than expected that the room hides it."""
    return float(np.log(2 * stdtr(3, -max(standing_db - HEARD_DB, 0.0) / spread_db)))


def _log_of_likeness(likeness: float) -> float:
    """Logarithm of the odds that two sounds of this likeness are of one kind."""
    of_one_kind = np.exp(log_student(min(likeness, DROPS_ALIKE[0]), *DROPS_ALIKE))
    of_two = np.exp(log_normal(likeness, *UNLIKE_KINDS))
    one, two = ((1 - ANY_LIKENESS) * density + ANY_LIKENESS for density in (of_one_kind, of_two))
    return float(np.log(one / two))


MOST_ODDS, LEAST_RIVAL = 1000.0, 1e-4
"""Cap of the odds, as far as they were tested; rivals with less than the second share are left out."""
_THE_SAME = 4.0
"""Frames (2 ms) within which two accounts give the same figures."""


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
            sign * second_side_late(heard),
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
        (second_side_late(heard) + later, second_side_late(heard)),
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
    known, its = passages_of(heard), passages_of(few)
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
        new is not None and (old is None or abs(new - old) > SAME_SOUND)
        for old, new in zip(known, its, strict=True)
    )
    if more >= 0 and (max(away) > SAME_SOUND or other_contacts):
        return few
    if max(away) < SAME_SOUND and its == (None, None) and None in known and known != its:
        return few
    later = (-1 if turned else 1) * second_side_late(few) - second_side_late(heard)
    if abs(later) < SAME_SOUND:
        return heard
    return with_rivals(heard, (Rival(0.5, later, its),))


def _number_of_sounds(passages: tuple[float | None, ...]) -> int:
    return sum(1 if passage is None else 2 for passage in passages)
