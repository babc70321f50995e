"""Roles: which sound of a beat is the contact and which the drop.

The drop is the loudest sound, the contact the first. Where both sides show a pair with the same distance, that
pair is taken on both, so that a side whose contact happens to be the louder is not misread: the lift passage takes
the same time both ways. Sounds between contact and drop (unlocking) or after the drop (banking) are neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

__all__ = ["Roles", "roles_of"]

_LIKE = 0.12
_CLEARLY_LOUDER_DB = 1.5
_NEARLY_DB = 2.0
_LATER_FRAMES = 120.0
"""60 ms: the rebound of a drop (banking) comes sooner."""
_SOFTEST_DB = 8.0
"""A drop may be so much softer than the loudest sound of its side, no more: what is softer is an echo."""


@dataclass(frozen=True, slots=True)
class Roles:
    """Index of the drop and of the contact (None: none heard) among the sounds of a side."""

    drop: int
    contact: int | None


def roles_of(sides: list[list[tuple[float, float, float]]]) -> list[Roles]:
    """Roles for one or two sides.

    Each sound is (place in frames, loudness in dB, share of beats in which it is certain), in order of place; places
    of one side share an origin.
    """
    if len(sides) == 2:
        both = _matching_pairs(sides[0], sides[1])
        if both is not None:
            return both
    return [_alone(side) for side in sides]


def _alone(side: list[tuple[float, float, float]]) -> Roles:
    """The loudest sound is the drop; where two are nearly as loud, the one the side was found by (place 0).

    But nothing of a clock follows its drop that is as loud and as sure: where such a sound does, it is the drop, and
    what was taken for one is the contact.
    """
    strongest = min(range(len(side)), key=lambda index: abs(side[index][0]))
    loudest = max(range(len(side)), key=lambda index: side[index][1])
    louder = side[loudest][1] > side[strongest][1] + _CLEARLY_LOUDER_DB
    drop = loudest if louder and _as_sure(side[loudest], side[strongest]) else strongest
    for index in range(drop + 1, len(side)):
        later = side[index][0] - side[drop][0] > _LATER_FRAMES
        if later and side[index][1] > side[drop][1] - _NEARLY_DB and _as_sure(side[index], side[drop]):
            return Roles(index, drop)
    return Roles(drop, 0 if drop > 0 else None)


def _as_sure(sound: tuple[float, float, float], other: tuple[float, float, float]) -> bool:
    return sound[2] >= 0.95 * other[2]


def _pairs(side: list[tuple[float, float, float]]) -> list[tuple[int, int]]:
    return [(first, last) for last in range(1, len(side)) for first in range(last)]


def _too_soft(side: list[tuple[float, float, float]], index: int) -> bool:
    return side[index][1] < max(sound[1] for sound in side) - _SOFTEST_DB


def _matching_pairs(
    one: list[tuple[float, float, float]], two: list[tuple[float, float, float]]
) -> list[Roles] | None:
    """The pairs, one on each side, with the same distance: the loudest drops, then the longest distance."""
    best: tuple[tuple[float, float], list[Roles]] | None = None
    for (first, last), (other_first, other_last) in product(_pairs(one), _pairs(two)):
        if _too_soft(one, last) or _too_soft(two, other_last):
            continue
        distance = one[last][0] - one[first][0]
        other_distance = two[other_last][0] - two[other_first][0]
        if abs(distance - other_distance) > _LIKE * max(distance, other_distance):
            continue
        value = (one[last][1] + two[other_last][1], distance + other_distance)
        if best is None or value > best[0]:
            best = (value, [Roles(last, first), Roles(other_last, other_first)])
    return best[1] if best is not None else None
