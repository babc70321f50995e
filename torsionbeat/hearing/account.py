"""The account of a beat: which of its sounds is which, all interpretations compared by probability.

Every choice of drop and contact among the sounds of one or two sides gets a score, the natural logarithm of its probability
up to a constant. The score depends on the presence, loudness and place of each sound for its role, on the equality of both
sides' passages, and on how nearly the clock is in beat. All choices are scored before one is taken; the distance to the
runner-up shows how reliable it is.

Places and times are in frames of 0.5 ms from one origin a side, loudness in dB, scores in nats. The assumptions about clocks
are in `priors`; those about the share of beats in which a sound is present, and about sounds in two parts, are below (common
practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, log_ndtr, logsumexp

from torsionbeat.hearing.beginnings import BEGINS
from torsionbeat.hearing.priors import (
    FOREIGN,
    FRAMES_PER_MS,
    LOUDNESS_DB,
    NORMAL_POINTS,
    PASSAGE_MEDIAN,
    REBOUND_ALIKE,
    REBOUND_ALIKE_DB,
    last_rebound,
    log_of_beat_error,
    log_of_contact,
    log_of_fork,
    log_of_passage,
    log_of_rebound,
    log_of_unlocking,
)
from torsionbeat.tracks.densities import log_normal, log_student
from torsionbeat.tracks.pattern import LONGEST_LIFT

__all__ = [
    "ALIKE",
    "ALIKE_FRAMES",
    "ALIKE_SHARE",
    "UNLIKE_SHARE",
    "Account",
    "Roles",
    "Sound",
    "accounts",
    "presence_curve",
]

FloatArray = npt.NDArray[np.float64]

PRESENCE = {
    "drop": (30.0, 1.0),
    "contact": (12.0, 1.0),
    "unlocking": (6.0, 1.0),
    "rebound": (6.0, 1.0),
    "foreign": (0.4, 3.0),
}
"""Beta distribution of the share of beats in which a sound is present. An escapement sounds at each beat; a foreign sound
seldom falls twice at one place. With these numbers halved or doubled, 2 of 23 recordings changed one role."""
FOREIGN_DB = (-20.0, 14.0)
"""The same for a foreign sound, which may be anything: Student's distribution with 3 degrees of freedom."""
BOTH, NONE, ONE = 0.83, 0.12, 0.025
"""Share of clocks with contacts heard on both sides, on neither, and on one given side only. Clocks with one sound a beat exist;
a contact on one side alone is rare."""
TWO_PARTS, PARTS_APART_FRAMES, PART_DB = 1 / 6, 76.0, (-10.0, 6.0)
"""Share of sounds whose first part is separated from the rest by 12 ms of quiet or more; frames within which that part may begin
(`beginnings.LOOK_BACK` less the quiet); how much softer it is. One of six real ticks has such a part, 10 dB softer."""
BEGINS_DB, BEGINS_SPREAD_DB = 10 * float(np.log10(BEGINS)), 2.6
"""A sound begins where its power passes this share of its greatest (2 %); the share measured in a room is within a
factor of 1.8 of the true one (0.6 of the natural logarithm in the mean of all beats, from 326 mean sounds of realsounds)."""
ALIKE, ALIKE_FRAMES, ALIKE_SHARE, UNLIKE_SHARE = 0.9, 4 * FRAMES_PER_MS, 0.006, 0.08
"""In nine of ten clocks the passages of both sides differ by the larger of 4 ms and 0.6 %, as the lift takes the same time both
ways. In the others they differ by 8 %: one was timed from another part of its sound."""
# Closer at either end, where a share is most informative: rarely present, and nearly always.
_SHARES = np.concatenate(
    [[0.002, 0.005, 0.01, 0.02, 0.04, 0.07], np.arange(0.1, 0.95, 0.05), [0.95, 0.97, 0.985, 0.995, 0.999]]
)
# Each share represents what is nearer to it than to its neighbours.
_BETWEEN = np.concatenate([[0.0], (_SHARES[1:] + _SHARES[:-1]) / 2, [1.0]])
_LEVEL_SPREADS = (0.35, 0.7, 1.0)
"""Spreads of the evidence of a sound that is present (natural logarithm): 1.5, 3 and 4 dB. With 6 dB a
level near chance explained rarely present sounds as well as those always present."""
# The quantile of `placing`; levels nearer together than this (natural logarithm) are one.
_CHANCE_SHARE, _LEAST_WIDTH = 0.8, 2.0


@dataclass(frozen=True, slots=True)
class Roles:
    """Index of the drop and of the contact (None: none heard) among the sounds of a side."""

    drop: int
    contact: int | None


@dataclass(frozen=True, slots=True)
class Sound:
    """One sound of a side: its place, its loudness, and for each role the score of its share of the beats.

    ``doubt`` is the standard uncertainty of the place, in frames.

    A sound that is preceded by another and a quiet stretch gives a ``group`` of three: the first part, the second part, and both
    as one sound (``whole`` is the score of that). The first part may be too soft to be the beginning of the whole: then the sound
    begins with the second part (``after_part`` is the score of that).
    """

    place: float
    loudness_db: float
    presence: dict[str, float]
    doubt: float = 0.0
    group: int | None = None
    whole: float | None = None
    after_part: float | None = None

    def with_first_part(self, part: Sound, group: int) -> tuple[Sound, Sound, Sound]:
        """The first part, both as one sound, and the second part, in order of place.

        Parameters
        ----------
        part : Sound
        group : int
            Number that they share.
        """
        louder_db = part.loudness_db - self.loudness_db
        score = float(
            np.log(TWO_PARTS / PARTS_APART_FRAMES)
            + part.presence["unlocking"]
            + log_normal(louder_db, *PART_DB)
        )
        above = (louder_db - BEGINS_DB) / BEGINS_SPREAD_DB
        whole = replace(self, place=part.place, group=group, whole=score + float(log_ndtr(above)))
        second = replace(self, group=group, after_part=score + float(log_ndtr(-above)))
        return replace(part, group=group), whole, second

    @staticmethod
    def of(
        place: float,
        loudness_db: float,
        evidence: FloatArray,
        chance: tuple[float, float],
        doubt: float = 0.0,
    ) -> Sound:
        """Sound from its evidence in each beat.

        Parameters
        ----------
        place : float
        loudness_db : float
        evidence : ndarray
            shape (beats,).
        chance : tuple of float
            Evidence below which chance stays once in twenty times, and evidence that chance passes once in five.
        doubt : float
            Standard uncertainty of the place, in frames.
        """
        curve = presence_curve(evidence, chance)
        scores = {role: float(logsumexp(curve, b=weights)) for role, weights in _presence_weights().items()}
        most = max(scores.values())
        return Sound(place, loudness_db, {role: score - most for role, score in scores.items()}, doubt)


@dataclass(frozen=True, slots=True)
class Account:
    """One interpretation: roles by side, passage by side (None without contact), how far out of beat, and its score."""

    score: float
    roles: tuple[Roles, ...]
    passages: tuple[float | None, ...]
    out_of_beat: float


@lru_cache(maxsize=1)
def _presence_weights() -> dict[str, FloatArray]:
    """Share of each role's Beta distribution that falls to each of `_SHARES`."""
    return {role: np.maximum(np.diff(betainc(*shape, _BETWEEN)), 1e-300) for role, shape in PRESENCE.items()}


def presence_curve(evidence: FloatArray, chance: tuple[float, float]) -> FloatArray:
    """Score of a sound that is present in a share of the beats, for each of `_SHARES`.

    Where the sound is present its evidence is log-normal about a level that is fitted. Elsewhere the evidence is chance's: flat
    between the two marks of ``chance``, exponential beyond. This separates faint, always present sounds from loud, rare ones.
    """
    low, high = chance
    beyond = evidence - high
    flat = np.log(_CHANCE_SHARE / max(high - low, _LEAST_WIDTH))
    absent = np.where(beyond > 0, np.log(1 - _CHANCE_SHARE) - beyond, flat)
    logs = np.log(np.maximum(evidence, 1.0))
    lowest = float(np.log(max(high, 2.0)))
    levels = np.arange(lowest, max(float(logs.max(initial=0.0)), lowest) + 0.2, 0.25)
    best = np.full(len(_SHARES), -np.inf)
    for spread in _LEVEL_SPREADS:
        there = log_normal(logs[None, :], levels[:, None], spread) - logs[None, :]
        for number, share in enumerate(_SHARES):
            each = np.logaddexp(np.log(share) + there, np.log1p(-share) + absent[None, :]).sum(axis=1)
            best[number] = max(best[number], float(each.max()))
    best -= np.log(len(_LEVEL_SPREADS) * len(levels))
    return best


@lru_cache(maxsize=256)
def _log_of_placed(passage: float, doubt: float, period: float) -> float:
    """Logarithm of the prior density of a lift passage that is known to a standard uncertainty, per frame."""
    each = [log_of_passage(one, period) for one in (passage + doubt * NORMAL_POINTS).tolist()]
    return float(logsumexp(each)) - float(np.log(len(each)))


def _log_of_both(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Logarithm of the density of the second side's passage, given the first side's; each with its standard uncertainty."""
    (one, one_doubt), (two, two_doubt) = first, second
    longer, doubt = max(one, two), float(np.hypot(one_doubt, two_doubt))
    alike = float(np.hypot(max(ALIKE_FRAMES, ALIKE_SHARE * longer), doubt))
    unlike = float(np.hypot(UNLIKE_SHARE * longer, doubt))
    scores = np.log([ALIKE, 1 - ALIKE]) + log_normal(two, one, np.array([alike, unlike]))
    return float(logsumexp(scores))


def _log_of_rest(sound: Sound, side: list[Sound], contact: int | None, drop: int, period: float) -> float:
    """Score of a sound that is neither contact nor drop: the sum over unlocking, rebound of either, and foreign."""
    own = side[drop]
    terms = [
        np.log(FOREIGN / (4 * LONGEST_LIFT * period))
        + sound.presence["foreign"]
        + log_student(sound.loudness_db - own.loudness_db, *FOREIGN_DB)
    ]
    if contact is not None and side[contact].place < sound.place < own.place:
        terms.append(
            log_of_unlocking(sound.place - side[contact].place, own.place - side[contact].place)
            + sound.presence["unlocking"]
            + log_normal(sound.loudness_db - own.loudness_db, *LOUDNESS_DB["unlocking"])
        )
    for before, passage in ((contact, 0.0), (drop, _usual_passage(side, contact, drop, period))):
        apart = np.inf if before is None else sound.place - side[before].place
        if before is not None and 0 < apart < last_rebound(passage):
            louder_db = sound.loudness_db - side[before].loudness_db
            terms.append(log_of_rebound(apart, louder_db, passage) + sound.presence["rebound"])
    return float(logsumexp(terms))


def _usual_passage(side: list[Sound], contact: int | None, drop: int, period: float) -> float:
    """The lift passage of a side, or the usual one where no contact is heard."""
    return PASSAGE_MEDIAN * period if contact is None else side[drop].place - side[contact].place


def _of_side(side: list[Sound], period: float) -> list[tuple[float, Roles]]:
    """Every choice of drop and contact of one side, with its score."""
    out = []
    for drop, contact in _choices(side):
        score = side[drop].presence["drop"]
        if contact is not None:
            softer = side[contact].loudness_db - side[drop].loudness_db
            score += side[contact].presence["contact"] + float(log_of_contact(softer))
        for group in _groups(side):
            score += _log_of_group(group, side, contact, drop, period)
        out.append((score, Roles(drop, contact)))
    return out


def _choices(side: list[Sound]) -> Iterator[tuple[int, int | None]]:
    """Every drop with no contact and with each possible contact before it; a part of the drop's own whole sound is not one."""
    for drop, own in enumerate(side):
        yield drop, None
        for contact in range(drop):
            other = side[contact]
            parts = other.group is not None and other.group == own.group
            if not (parts and (own.whole is not None or other.whole is not None)):
                yield drop, contact


def _groups(side: list[Sound]) -> list[list[int]]:
    """Indices of the sounds of a side, with the members of one group in one list."""
    out: dict[int, list[int]] = {}
    for number, sound in enumerate(side):
        out.setdefault(-1 - number if sound.group is None else sound.group, []).append(number)
    return list(out.values())


def _log_of_group(
    group: list[int], side: list[Sound], contact: int | None, drop: int, period: float
) -> float:
    """Score of a group that is neither contact nor drop: two sounds, or one sound with two parts."""
    whole = next((number for number in group if side[number].whole is not None), None)
    own = 0.0 if whole is None else side[whole].whole or 0.0
    if whole is not None and whole in (contact, drop):
        return own
    left = [number for number in group if number not in (whole, contact, drop)]
    score = sum(_log_of_rest(side[number], side, contact, drop, period) for number in left)
    if whole is not None and len(left) == 2:
        score = float(np.logaddexp(score, own + _log_of_rest(side[whole], side, contact, drop, period)))
    second = [side[number].after_part for number in group if number in (contact, drop)]
    if len(left) == 1 and len(second) == 1 and second[0] is not None:
        score = float(np.logaddexp(score, second[0]))
    return score


def accounts(sides: list[list[Sound]], out_of_half: float, period: float) -> list[Account]:
    """All interpretations of one or two sides, the best first.

    Parameters
    ----------
    sides : list of list of Sound
        Each in order of place.
    out_of_half : float
        Frames by which the second side's origin lies later than half a period after the first's.
    period : float
        Frames.
    """
    out = []
    for chosen in product(*(_of_side(side, period) for side in sides)):
        score = sum(one[0] for one in chosen)
        roles = tuple(one[1] for one in chosen)
        passages = [_passage(side, role) for side, role in zip(sides, roles, strict=True)]
        known = [passage for passage in passages if passage is not None]
        first = _log_of_placed(*known[0], period) if known else 0.0
        if not np.isfinite(first):
            continue
        score += first + float(np.log(NONE if not known else BOTH if len(known) == len(sides) else ONE))
        out_of_beat = 0.0
        if len(sides) == 2:
            out_of_beat = out_of_half + sides[1][roles[1].drop].place - sides[0][roles[0].drop].place
            score += log_of_beat_error(out_of_beat, period)
        if len(known) == 2:
            score += _log_of_both(*known) + _log_of_one_fork(sides, roles)
        if len(sides) == 2:
            score += _log_of_one_room(sides, roles, period)
        frames = tuple(None if passage is None else passage[0] for passage in passages)
        out.append(Account(float(score), roles, frames, float(out_of_beat)))
    out.sort(key=lambda account: -account.score)
    return out


def _passage(side: list[Sound], roles: Roles) -> tuple[float, float] | None:
    """The passage and its standard uncertainty from the places of its sounds; None without a contact."""
    if roles.contact is None:
        return None
    contact, drop = side[roles.contact], side[roles.drop]
    return drop.place - contact.place, float(np.hypot(drop.doubt, contact.doubt))


def _log_of_one_fork(sides: list[list[Sound]], roles: tuple[Roles, ...]) -> float:
    """How much likelier the second contact's loudness is given the first one's than by itself (logarithm)."""
    own = [
        side[role.contact].loudness_db - side[role.drop].loudness_db
        for side, role in zip(sides, roles, strict=True)
        if role.contact is not None
    ]
    return float(log_of_fork(own[0], own[1]))


def _log_of_one_room(sides: list[list[Sound]], roles: tuple[Roles, ...], period: float) -> float:
    """How much likelier the second side's rebounds are given the first side's than by themselves (logarithm)."""
    one, other = (_rebounds(side, role, period) for side, role in zip(sides, roles, strict=True))
    total = 0.0
    for of, passage, apart, louder_db in other:
        own = log_of_rebound(apart, louder_db, passage)
        gained = [
            float(
                log_normal(apart, apart_1, ALIKE_FRAMES)
                + log_normal(louder_db, louder_db_1, REBOUND_ALIKE_DB)
            )
            for of_1, _, apart_1, louder_db_1 in one
            if of == of_1
        ]
        if gained:
            total += float(
                np.logaddexp(np.log(REBOUND_ALIKE) + max(gained), np.log(1 - REBOUND_ALIKE) + own) - own
            )
    return total


def _rebounds(side: list[Sound], roles: Roles, period: float) -> list[tuple[str, float, float, float]]:
    """What may be a rebound of a side's contact or drop: of which, with which lift passage (0 of a contact), by how many frames
    later, and by how many dB louder."""
    out = []
    usual = _usual_passage(side, roles.contact, roles.drop, period)
    named = (roles.drop, roles.contact)
    wholes = [side[number].group for number in named if number is not None and side[number].whole is not None]
    for number, sound in enumerate(side):
        own_part = sound.group is not None and (sound.after_part is None or sound.group in wholes)
        if own_part or number in named:  # has other explanations
            continue
        for of, before, passage in (("contact", roles.contact, 0.0), ("drop", roles.drop, usual)):
            apart = np.inf if before is None else sound.place - side[before].place
            louder_db = -np.inf if before is None else sound.loudness_db - side[before].loudness_db
            if 0 < apart < last_rebound(passage) and louder_db < 0:  # no echo is louder than what it echoes
                out.append((of, passage, apart, louder_db))
    return out
