"""Which side is which: nights whose letters are made to agree.

Which side of a recording is called a depends on the beat that was heard first, so the letters of two recordings of
one clock may be exchanged. The sounds tell it: fork and pallets do not ring alike on both sides. Mean sounds are
held against each other where they are at hand, else the levels by which the sides differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

from torsionbeat.history.nights import Group, Night, with_sides_swapped
from torsionbeat.history.sound_rows import KINDS, PLACE_DB, between_sides_db, likeness

__all__ = ["alike", "groups_alike", "same_letters"]

CLEAR_LIKENESS = 0.1
"""Sum of likenesses, letters as they are less letters exchanged, that is clear. Of 160 pairs of simulated recordings of
one clock, the microphone in other places, 120 were decided by it, none wrongly."""

LEAST_LIKENESS = 0.85
"""Mean likeness of the better lettering below which the clock does not sound as it did, and nothing is decided. Of
120 pairs of simulated recordings of one clock in unlike places 95 % reach it, of other clocks a fifth."""

CLEAR_LEVELS = 3.0
"""Logarithm of how much likelier the levels are with one lettering than with the other, that is clear. Of the
same pairs 122 were decided by it, none wrongly."""

MOST_OFF = 2.0
"""Standard uncertainties by which a kind's levels may differ with the better lettering, and still be decided by."""


def same_letters(one: Sequence[Night], other: Sequence[Night]) -> bool | None:
    """Whether two rows of nights, each lettered alike, call the same side a; None where the sounds do not tell."""
    pairs = list(product(one, other))
    if all(x.voices and y.voices for x, y in pairs):
        margins, clear = [_by_voices(x, y) for x, y in pairs], CLEAR_LIKENESS
    else:
        margins, clear = [_by_levels(x, y) for x, y in pairs], CLEAR_LEVELS
    known = [margin for margin in margins if margin is not None]
    if 2 * len(known) <= len(pairs):
        return None
    margin = sum(known) / len(known)
    return margin > 0 if abs(margin) >= clear else None


def alike(nights: Sequence[Night], reference: int = 0) -> list[Night]:
    """Give nights of one state of a clock with the letters of one of them.

    Where the sounds do not tell, a night is taken so that its beat error is nearest to that one's: with the clock
    not worked on between, that is the likelier.
    """
    known = nights[reference]
    turned = []
    for night in nights:
        same = True if night is known else same_letters([known], [night])
        if same is None:
            old, new = known.reading.beat_error_ms, night.reading.beat_error_ms
            same = old is None or new is None or old.nominal_value * new.nominal_value >= 0
        turned.append(night if same else with_sides_swapped(night))
    return turned


def groups_alike(before: Group, after: Group, swap_sides: bool | None) -> tuple[Group, Group, bool | None]:
    """Give both groups, each lettered alike and the second as the first, and whether it was turned for that.

    ``swap_sides`` None lets the sounds decide; the last value is None where they did not.
    """
    first = replace(before, nights=tuple(alike(before.nights)))
    second = replace(after, nights=tuple(alike(after.nights)))
    turned = swap_sides
    if turned is None:
        same = same_letters(first.nights, second.nights)
        turned = None if same is None else not same
    if turned:
        second = replace(second, nights=tuple(map(with_sides_swapped, second.nights)))
    return first, second, turned


def _by_voices(one: Night, other: Night) -> float | None:
    """Likeness of the mean sounds with the letters as they are, less that with the letters exchanged."""
    old, new = ({(v.kind, v.side): v for v in night.voices} for night in (one, other))
    kept, exchanged = [], []
    for kind in KINDS:
        a, b = ((kind, side) for side in "ab")
        if all(place in voices for place in (a, b) for voices in (old, new)):
            kept += [likeness(old[a], new[a]), likeness(old[b], new[b])]
            exchanged += [likeness(old[a], new[b]), likeness(old[b], new[a])]
    if not kept or max(sum(kept), sum(exchanged)) < LEAST_LIKENESS * len(kept):
        return None
    return sum(kept) - sum(exchanged)


def _by_levels(one: Night, other: Night) -> float | None:
    """Logarithm of the likelihood ratio that the sides' differences of level give for the letters as they are."""
    ratios, off = [], []
    for kind in KINDS:
        old, new = between_sides_db(one.reading, kind), between_sides_db(other.reading, kind)
        if old is not None and new is not None:
            sigma = math.sqrt(2 * PLACE_DB**2 + old.std_dev**2 + new.std_dev**2)
            p, q = old.nominal_value / sigma, new.nominal_value / sigma
            ratios.append(2 * p * q)
            off.append((abs(p - q), abs(p + q)))
    ratio = float(sum(ratios))
    if not off or max(pair[0 if ratio > 0 else 1] for pair in off) > MOST_OFF:
        return None
    return ratio
