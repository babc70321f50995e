"""Room sound in place of what was not kept."""

from __future__ import annotations

import itertools

import numpy as np

from torsionbeat.sound.block import Block
from torsionbeat.sound.kept import with_room_tone

RATE_HZ = 16_000.0


def pieces(seed=1, level=3e-3):
    """Two seconds kept of every ten, five times."""
    rng = np.random.default_rng(seed)
    return [
        Block(start, rng.normal(0, level, (2 * 16_000, 1)).astype(np.float32))
        for start in range(128_000, 800_001, 160_000)
    ]


def holes(kept):
    stops = [0, *(block.stop_frame for block in kept)]
    return tuple((stop, block.start_frame) for stop, block in zip(stops, kept, strict=False))


def test_holes_are_filled_and_kept_sound_is_untouched():
    kept = pieces()
    out = list(with_room_tone(iter(kept), holes(kept), RATE_HZ))
    position = 0
    for block in out:
        assert block.start_frame == position
        position = block.stop_frame
    assert position == kept[-1].stop_frame
    assert [block for block in out if any(block is one for one in kept)] == kept


def test_room_is_as_loud_as_the_room():
    kept = pieces()
    tone = np.concatenate(
        [
            block.samples
            for block in with_room_tone(iter(kept), holes(kept), RATE_HZ)
            if all(block is not one for one in kept)
        ]
    )
    # powers of the flanks add up to one; drawing again from 0.25 s to 1.25 s leaves some per cent of scatter
    assert abs(20 * np.log10(tone.std() / 3e-3)) < 0.5


def test_lost_sound_stays_a_gap():
    kept = pieces()
    filled = list(with_room_tone(iter(kept), holes(kept)[:2], RATE_HZ))
    gaps = [later.start_frame - block.stop_frame for block, later in itertools.pairwise(filled)]
    assert sorted(gaps)[-3:] == [128_000] * 3
    assert sum(gaps) == 3 * 128_000


def test_same_blocks_give_the_same_room():
    kept = pieces()
    first, again = (list(with_room_tone(iter(kept), holes(kept), RATE_HZ)) for _ in range(2))
    assert all(np.array_equal(one.samples, other.samples) for one, other in zip(first, again, strict=True))


def test_what_was_heard_after_the_last_beat_is_filled_too():
    kept = pieces()
    stop = kept[-1].stop_frame + 100_003
    filled = list(with_room_tone(iter(kept), (*holes(kept), (kept[-1].stop_frame, stop)), RATE_HZ))
    assert filled[-1].stop_frame == stop
    assert sum(len(block.samples) for block in filled) == stop
