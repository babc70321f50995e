"""Rows of a comparison that come from the sounds: how loud they are, how long they ring, how alike.

Loudness is height above the room's noise. It moves with the microphone's place and with the room, and so does,
less, the difference between the sides: from one place to another the echoes of the room and the way through
plate and case pass some tones better and others worse. What that alone can do is left in the change, unless
the microphone was not moved. A bang or a word beside a sound makes it seem lower, so all levels are medians.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from torsionbeat.history.comparison_rows import Row, figure_row, pair_row
from torsionbeat.history.nights import Group, Night
from torsionbeat.reading.figures import Reading, UFloat
from torsionbeat.reading.intervals import (
    LEAST_BLOCKS,
    block_medians,
    median_block_count,
    median_over_blocks,
    middle_of_blocks,
)

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile

__all__ = ["KINDS", "between_sides_db", "likeness", "loudness_rows", "voice_rows"]

KINDS = ("contact", "drop")

FALL_DB = 10.0

ROOM_DB = 1.0
"""Standard uncertainty of a level from day to day with the microphone in its place: the room's noise is not the
same (common practice, no source)."""

PLACE_DB = 1.5
"""Standard uncertainty that the microphone's place gives to the difference between the sides. The twin's rooms
give 0.7 dB, and most to a voice that rings on one tone; a real plate is no smoother (common practice, no source).
"""

MOVED = (
    "it moves with the microphone's place and the room, so it is judged only where neither was changed "
    "(--same-place)"
)
NOT_KEPT = "the mean sounds are not kept with a reading, so only the recordings themselves can be compared"
LONE = "one recording on each side does not show how far this differs from one recording to the next"


def loudness_rows(before: Group, after: Group, *, same_place: bool = False) -> Iterator[Row]:
    """Give the level of each kind on each side, and how much louder side b is than side a."""
    if not any(len(reading.events) for reading in before.readings + after.readings):
        note = "the readings were kept without the levels of their sounds"
        yield Row("loudness of contact and drop", "dB", None, None, note=note)
        return
    for kind in KINDS:
        if not any(kind in reading.events.kind for reading in before.readings + after.readings):
            continue
        for side in "ab":
            yield figure_row(
                f"{kind}, side {side}, above the room",
                "dB",
                before,
                after,
                partial(_level, kind=kind, side=side),
                lambda _b, _a: (0.0, 0.0, ROOM_DB * math.sqrt(2)),
                unjudged="" if same_place else MOVED,
            )
        place = 0.0 if same_place else PLACE_DB * math.sqrt(2)
        yield figure_row(
            f"{kind}, side b louder than side a",
            "dB",
            before,
            after,
            partial(between_sides_db, kind=kind),
            lambda _b, _a, place=place: (0.0, 0.0, place),  # type: ignore[misc]
        )


def voice_rows(before: Group, after: Group, *, same_place: bool = False) -> Iterator[Row]:
    """Give how long each mean sound takes to fall by 10 dB, and in a note how alike the sounds are."""
    if not all(any(night.voices for night in group.nights) for group in (before, after)):
        yield Row("voice of contact and drop", "", None, None, note=NOT_KEPT)
        return
    lone = len(before.nights) == len(after.nights) == 1
    for kind, side in product(KINDS, "ab"):
        old, new = (_voices(group.nights, kind, side) for group in (before, after))
        if not old or not new:
            continue
        row = pair_row(
            f"{kind}, side {side}, falls by 10 dB in",
            "ms",
            [*map(_fall_ms, old)],
            [*map(_fall_ms, new)],
            unjudged=MOVED if not same_place else LONE if lone else "",
        )
        alike = float(np.mean([likeness(one, other) for one, other in product(old, new)]))
        said = f"likeness of the sounds {alike:.2f} (1: the same)"
        yield replace(row, note="; ".join(filter(None, (row.note, said))))


def between_sides_db(reading: Reading, kind: str) -> UFloat:
    """How much louder a kind of sound is on side b than on side a; blocks of the night against each other."""
    events = reading.events
    sides = [(events.kind == kind) & (events.side == side) for side in "ab"]
    blocks = median_block_count(min(int(np.count_nonzero(mine)) for mine in sides))
    if blocks < LEAST_BLOCKS:
        return None
    a, b = (block_medians(events.time_s[mine], events.level_db[mine], blocks) for mine in sides)
    return middle_of_blocks(b - a)


def likeness(one: VoiceProfile, other: VoiceProfile) -> float:
    """Cosine between two mean sounds, each the logarithm of its power over the room: 1 is the same."""
    frames = min(len(one.profile), len(other.profile))
    bands = min(one.profile.shape[1], other.profile.shape[1])
    a, b = (np.log1p(np.maximum(v.profile[:frames, :bands], 0)).ravel().astype(float) for v in (one, other))
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return float(a @ b) / size if size else 0.0


def _level(reading: Reading, kind: str, side: str) -> UFloat:
    events = reading.events
    mine = (events.kind == kind) & (events.side == side)
    return median_over_blocks(events.time_s[mine], events.level_db[mine])


def _voices(nights: Sequence[Night], kind: str, side: str) -> list[VoiceProfile]:
    return [voice for night in nights for voice in night.voices if (voice.kind, voice.side) == (kind, side)]


def _fall_ms(voice: VoiceProfile) -> UFloat:
    # Both ends are known to a frame: two rectangular distributions.
    from uncertainties import ufloat

    power = np.sum(np.maximum(voice.profile, 0), axis=1, dtype=float)
    top = int(np.argmax(power))
    below = np.flatnonzero(power[top:] < power[top] * 10 ** (-FALL_DB / 10))
    if not below.size or power[top] <= 0:
        return None
    return ufloat(1e3 * voice.frame_s * int(below[0]), 1e3 * voice.frame_s / math.sqrt(6))
