"""Roles: which sound of a beat is the contact and which the drop.

The drop is the loudest sound, the contact the first. Where both sides show a pair with the same distance, that
pair is taken on both, so that a side whose contact happens to be the louder is not misread: the lift passage takes
the same time both ways. Sounds between contact and drop (unlocking) or after the drop (banking) are neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

__all__ = ["Roles", "evenly_ticking", "roles_of"]

_LIKE = 0.12
_ALIKE = 0.03
"""Shares by which the passages of both sides may differ at all, and where they are clearly the same."""
_CLEARLY_LOUDER_DB = 1.5
_NEARLY_DB = 2.0
_LATER_FRAMES = 120.0
"""60 ms: the rebound of a drop (banking) comes sooner."""
_FAR_FRAMES = 600.0
"""0.3 s: after that neither rebound nor echo of a room is left of a sound."""
_SOFTEST_DB = 8.0
"""A drop may be so much softer than the loudest sound of its side, no more: what is softer is an echo."""
_SOFTEST_FAR_DB = 14.0
_OUT_OF_BEAT = 0.01
"""Share of the period by which a clock is seldom out of beat: at an arc of 400 deg that is 12 deg of offset."""
_HALF_SURE = 0.5
_TICKS, _ALIKE_DB = 4, 4.0
_EVEN, _EVEN_FRAMES = 0.01, 12.0
"""How many sounds, how alike and how evenly spaced (share of the step, or 6 ms) are the ticks of an ordinary clock."""


@dataclass(frozen=True, slots=True)
class Roles:
    """Index of the drop and of the contact (None: none heard) among the sounds of a side."""

    drop: int
    contact: int | None


def roles_of(
    sides: list[list[tuple[float, float, float]]], out_of_half: float = 0.0, period: float | None = None
) -> list[Roles]:
    """Roles for one or two sides.

    Each sound is (place in frames, loudness in dB, share of beats in which it is certain), in order of place; places
    of one side share an origin. With ``period`` in frames, ``out_of_half`` is by how much the second side's origin lies
    later than half a period after the first's.
    """
    alone = [_alone(side) for side in sides]
    if len(sides) != 2:
        return alone
    both = _matching_pairs(sides[0], sides[1])
    if both is not None:
        return both
    roles = alone if period is None else _nearer_to_beat(sides, alone, out_of_half, period)
    return _one_passage(sides, roles)


def evenly_ticking(side: list[tuple[float, float, float]]) -> bool:
    """Whether the sounds of a side are the ticks of an ordinary clock: four or more, alike, whole steps apart.

    A whole number of another clock's ticks is a period too; but the sounds of an escapement neither fall evenly nor
    are equally loud.
    """
    sure = [(place, loudness) for place, loudness, share in side if share >= _HALF_SURE]
    if len(sure) < _TICKS:
        return False
    places, loudness = zip(*sure, strict=True)
    gaps = [after - before for before, after in pairwise(places)]
    step = min(gaps)
    if step <= 0:
        return False
    even = all(abs(gap / step - round(gap / step)) * step < max(_EVEN * gap, _EVEN_FRAMES) for gap in gaps)
    return even and max(loudness) - min(loudness) < _ALIKE_DB


def _alone(side: list[tuple[float, float, float]]) -> Roles:
    """The loudest sound is the drop; where two are nearly as loud, the one the side was found by (place 0).

    But nothing of a clock follows its drop that is as loud and as sure, and nothing at all so long after it that it is
    neither rebound nor echo: where such a sound does, it is the drop, and what was taken for one is the contact.
    """
    strongest = min(range(len(side)), key=lambda index: abs(side[index][0]))
    loudest = max(range(len(side)), key=lambda index: side[index][1])
    louder = side[loudest][1] > side[strongest][1] + _CLEARLY_LOUDER_DB
    drop = loudest if louder and _as_sure(side[loudest], side[strongest]) else strongest
    for index in range(drop + 1, len(side)):
        apart = side[index][0] - side[drop][0]
        softest = side[drop][1] - (_SOFTEST_FAR_DB if apart > _FAR_FRAMES else _NEARLY_DB)
        if apart > _LATER_FRAMES and side[index][1] > softest and _as_sure(side[index], side[drop]):
            return Roles(index, drop)
    return Roles(drop, 0 if drop > 0 else None)


def _nearer_to_beat(
    sides: list[list[tuple[float, float, float]]], roles: list[Roles], out_of_half: float, period: float
) -> list[Roles]:
    """Where the drops of both sides lie far from half a period apart, another sound that puts it right is the drop."""

    def miss(first: int, second: int) -> float:
        return abs(out_of_half + sides[1][second][0] - sides[0][first][0])

    now = miss(roles[0].drop, roles[1].drop)
    if now < _OUT_OF_BEAT * period:
        return roles
    best = (now / 4, roles)
    for number in (0, 1):
        for index, sound in enumerate(sides[number]):
            if sound[2] < _HALF_SURE or _too_soft(sides[number], index, _SOFTEST_DB):
                continue
            drops = [index if side == number else roles[side].drop for side in (0, 1)]
            if miss(*drops) < best[0]:
                old = roles[number].drop
                changed = Roles(index, old if old < index else (0 if index > 0 else None))
                best = (miss(*drops), [changed if side == number else roles[side] for side in (0, 1)])
    return best[1]


def _one_passage(sides: list[list[tuple[float, float, float]]], roles: list[Roles]) -> list[Roles]:
    """Contacts whose passages differ are not both right: the one that is sure stays, and of two that are, neither.

    Two unsure ones stay: all beats laid over each other will tell.
    """
    passages, sure = [], []
    for side, role in zip(sides, roles, strict=True):
        if role.contact is None:
            return roles
        passages.append(side[role.drop][0] - side[role.contact][0])
        sure.append(side[role.contact][2] >= _HALF_SURE)
    if abs(passages[0] - passages[1]) <= _LIKE * max(passages) or not any(sure):
        return roles
    return [
        role if sure[number] and not sure[1 - number] else Roles(role.drop, None)
        for number, role in enumerate(roles)
    ]


def _as_sure(sound: tuple[float, float, float], other: tuple[float, float, float]) -> bool:
    return sound[2] >= 0.95 * other[2]


def _pairs(side: list[tuple[float, float, float]]) -> list[tuple[int, int]]:
    return [(first, last) for last in range(1, len(side)) for first in range(last)]


def _too_soft(side: list[tuple[float, float, float]], index: int, softest_db: float) -> bool:
    return side[index][1] < max(sound[1] for sound in side) - softest_db


def _matching_pairs(
    one: list[tuple[float, float, float]], two: list[tuple[float, float, float]]
) -> list[Roles] | None:
    """The pairs, one on each side, with the same distance: the loudest drops, then the longest distance.

    An echo is soft on both sides: where distances and contacts are alike, a drop as loud as its contact vouches for both.
    """
    best: tuple[tuple[float, float], list[Roles]] | None = None
    for (first, last), (other_first, other_last) in product(_pairs(one), _pairs(two)):
        distance, other_distance = one[last][0] - one[first][0], two[other_last][0] - two[other_first][0]
        apart, larger = abs(distance - other_distance), max(distance, other_distance)
        if apart > _LIKE * larger:
            continue
        loud = not (_too_soft(one, last, _NEARLY_DB) and _too_soft(two, other_last, _NEARLY_DB))
        alike = apart < _ALIKE * larger and abs(one[first][1] - two[other_first][1]) < _SOFTEST_DB
        vouched = alike and loud and min(distance, other_distance) > _LATER_FRAMES
        softest = _SOFTEST_FAR_DB if vouched or distance > _FAR_FRAMES else _SOFTEST_DB
        if _too_soft(one, last, softest) or _too_soft(two, other_last, softest):
            continue
        value = (one[last][1] + two[other_last][1], distance + other_distance)
        if best is None or value > best[0]:
            best = (value, [Roles(last, first), Roles(other_last, other_first)])
    return best[1] if best is not None else None
