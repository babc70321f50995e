"""The design: which nights are put together in a block."""

from __future__ import annotations

from dataclasses import replace

from uncertainties import ufloat

from torsionbeat.learning.design import blocks_of
from torsionbeat.learning.trials import Trial


def test_up_to_a_dozen_nights_stand_for_themselves_and_more_by_a_few_but_for_the_last():
    def blocks(count, **other):
        rows = [Trial(ufloat(3.0, 0.1), handling_s_per_day=0.0) for _ in range(count)]
        for night, mass in other.items():
            rows[int(night[1:])] = replace(rows[int(night[1:])], timebase=mass)
        return blocks_of(rows).tolist()

    assert blocks(12) == list(range(12))
    # Thirteen: by twos, the last three alone.
    assert blocks(13) == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 6, 7]
    # Twenty-five: by threes.
    assert blocks(25)[:7] == [0, 0, 0, 1, 1, 1, 2]
    # Another crystal begins another block, and so does the night after it.
    assert blocks(13, n1="usb")[:5] == [0, 1, 2, 2, 3]
