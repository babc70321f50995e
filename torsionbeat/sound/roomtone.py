"""Room sound for stretches that were listened to but not kept, so that a beat stands in its room again.

In go the blocks of a recording of which only the sound around the beats was kept; out come the same blocks, and
between them the room: short grains of the sound just before each kept beat, taken at random and laid over each other
so that their power stays the same. Nothing is put where sound was lost, and no sound of the clock is in a grain.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from torsionbeat.sound.block import Block, Samples

__all__ = ["with_room_tone"]

QUIET_S = 0.25
"""The beginning of each kept stretch, which lies before the first sound of its beat."""

GRAIN_S = 0.06
MEMORY = 8
"""Stretches whose beginnings are taken from: the room changes during a night."""

PIECE_S = 5.0


def with_room_tone(
    blocks: Iterable[Block], not_kept: tuple[tuple[int, int], ...], sample_rate_hz: float
) -> Iterator[Block]:
    """Put room sound into the stretches ``not_kept`` (start, stop in frames, in order); seeded, so always the same."""
    waiting = list(reversed(not_kept))
    rooms: list[Samples] = []
    generator = np.random.default_rng(1)
    position = 0
    for block in blocks:
        if block.start_frame > position:
            quiet = block.samples[: int(QUIET_S * sample_rate_hz)]
            if len(quiet) >= 2 * int(GRAIN_S * sample_rate_hz):
                rooms = [*rooms[1 - MEMORY :], quiet]
            while waiting and waiting[-1][0] < block.start_frame:
                start, stop = waiting.pop()
                start, stop = max(start, position), min(stop, block.start_frame)
                if rooms and stop > start:
                    yield from _tone(start, stop, rooms, generator, sample_rate_hz)
        position = block.stop_frame
        yield block
    for start, stop in reversed(waiting):
        if rooms and stop > max(start, position):
            yield from _tone(max(start, position), stop, rooms, generator, sample_rate_hz)


def _tone(
    start: int, stop: int, rooms: list[Samples], generator: np.random.Generator, sample_rate_hz: float
) -> Iterator[Block]:
    """Grains with sine-shaped flanks, each beginning half a grain after the last: their powers add up to one."""
    half = int(GRAIN_S * sample_rate_hz / 2)
    rise = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half)).astype(np.float32)[:, None]
    most = max(int(PIECE_S * sample_rate_hz) // half, 1)
    sources = np.concatenate([room[: min(map(len, rooms))] for room in rooms])
    length = min(map(len, rooms))
    tail = np.zeros((half, sources.shape[1]), np.float32)
    while start < stop:
        count = min(most, (stop - start) // half + 2)
        first = generator.integers(0, length - 2 * half, count) + length * generator.integers(
            0, len(rooms), count
        )
        grains = sources[first[:, None] + np.arange(2 * half)[None, :]] * rise[None]
        sound = grains[:, :half].copy()
        sound[0] += tail
        sound[1:] += grains[:-1, half:]
        tail = grains[-1, half:]
        samples = sound.reshape(-1, sources.shape[1])[: stop - start]
        yield Block(start, samples)
        start += len(samples)
