"""Rows of a comparison that come from the sounds: how loud they are, how long they ring, how alike.

Loudness is height above the room's noise, so it moves with the microphone's place and with the room; the
difference between the two sides does not.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from torsionbeat.reading.figures import Reading, UFloat
from torsionbeat.reading.nights import Group, Night
from torsionbeat.reading.rows import Row, figure_row, pair_row
from torsionbeat.reading.scatter import LEAST_BLOCKS, block_count, block_mean, block_means

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile

__all__ = ["KINDS", "between_sides_db", "likeness", "loudness_rows", "voice_rows"]

KINDS = ("contact", "drop")

FALL_DB = 10.0


def loudness_rows(before: Group, after: Group) -> Iterator[Row]:
    """Give the level of each kind on each side, and how much louder side b is than side a."""
    readings = before.readings + after.readings
    if not any(len(reading.events) for reading in readings):
        note = "single sounds are not kept with a reading; compare the recordings themselves"
        yield Row("loudness of contact and drop", "dB", None, None, note=note)
        return
    for kind in KINDS:
        if not any(kind in reading.events.kind for reading in readings):
            continue
        for side in "ab":
            own = partial(_level, kind=kind, side=side)
            yield figure_row(f"{kind}, side {side}, above the room", "dB", before, after, own)
        own = partial(between_sides_db, kind=kind)
        yield figure_row(f"{kind}, side b louder than side a", "dB", before, after, own)


def voice_rows(before: Group, after: Group) -> Iterator[Row]:
    """Give how long each mean sound takes to fall by 10 dB, and in a note how alike the sounds are."""
    for kind, side in product(KINDS, "ab"):
        old, new = (_voices(group.nights, kind, side) for group in (before, after))
        if not old or not new:
            continue
        row = pair_row(
            f"{kind}, side {side}, falls by 10 dB in",
            "ms",
            [*map(_fall_ms, old)],
            [*map(_fall_ms, new)],
            shows_scatter=False,
        )
        alike = float(np.mean([likeness(one, other) for one, other in product(old, new)]))
        said = f"likeness of the sounds {alike:.2f} (1: the same)"
        yield replace(row, note="; ".join(filter(None, (row.note, said))))


def between_sides_db(reading: Reading, kind: str) -> UFloat:
    """How much louder a kind of sound is on side b than on side a; blocks of the night against each other."""
    events = reading.events
    sides = [(events.kind == kind) & (events.side == side) for side in "ab"]
    blocks = block_count(min(int(np.count_nonzero(mine)) for mine in sides))
    if blocks < LEAST_BLOCKS:
        return None
    a, b = (block_means(events.time_s[mine], events.level_db[mine], blocks) for mine in sides)
    # Each block's difference counts once: three equal values make a block.
    return block_mean(np.repeat(np.arange(blocks), 3), np.repeat(b - a, 3), blocks)


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
    return block_mean(events.time_s[mine], events.level_db[mine])


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
