"""Reading ahead: the same blocks in the same order, errors where they belong, and no thread left behind."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from torsionbeat.sound.block import Block, read_ahead


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
