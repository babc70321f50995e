"""Blocks: regrouped with every frame in its place; read ahead in the same order, errors where they belong, no thread left."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from torsionbeat.sound.block import Block, read_ahead, regrouped


def blocks(count, fails_at=None):
    for number in range(count):
        if number == fails_at:
            raise OSError("the disk is gone")
        yield Block(3 * number, np.full((3, 1), number, np.float32))


def threads():
    return [one for one in threading.enumerate() if one.name == "read-ahead"]


def test_the_same_blocks():
    got = list(read_ahead(blocks(20)))
    assert [block.start_frame for block in got] == [3 * number for number in range(20)]
    assert all(block.samples[0, 0] == number for number, block in enumerate(got))
    assert not threads()


def test_what_goes_wrong_is_raised_in_its_place():
    got = []
    with pytest.raises(OSError, match="the disk is gone"):
        got.extend(block.start_frame for block in read_ahead(blocks(9, fails_at=5)))
    assert not threads()


def test_reading_that_is_given_up_leaves_no_thread():
    ahead = read_ahead(blocks(1000))
    assert next(ahead).start_frame == 0
    ahead.close()
    assert not threads()


def numbered(start, stop):
    return Block(start, np.arange(start, stop, dtype=np.float32)[:, None])


@pytest.mark.parametrize("frames", [1, 2, 5, 7, 100])
def test_blocks_regrouped_hold_the_same_frames_in_their_places(frames):
    """A gap of three frames after frame 11: no block reaches over it, none but the last before a gap or the end is shorter."""
    given = [numbered(0, 4), numbered(4, 5), numbered(5, 11), numbered(14, 30)]
    made = list(regrouped(given, frames))
    for block in made:
        assert block.samples[:, 0].tolist() == list(range(block.start_frame, block.stop_frame))
    assert [frame for block in made for frame in block.samples[:, 0]] == [*range(11), *range(14, 30)]
    short = [block.stop_frame for block in made if len(block.samples) < frames]
    assert all(len(block.samples) <= frames for block in made)
    assert set(short) <= {11, 30}


def test_nothing_regrouped_is_nothing():
    assert list(regrouped([], 4)) == []
