"""Sample clocks and reference clocks against printed limits. Standards are quoted at second hand where it says so."""

from __future__ import annotations

import math

import pytest

from torsionbeat.sound.timebase import unknown_timebase
from torsionbeat.theory import rate


def test_an_unknown_crystal_is_one_of_the_better_sold():
    """IEC 60958 level I: 50 ppm (read at second hand, in an encyclopedia of audio terms); 4.3 s a day, computed."""
    half_width_ppm = unknown_timebase().standard_uncertainty_ppm * math.sqrt(3)
    assert half_width_ppm == pytest.approx(50, rel=1e-12)
    assert rate.s_per_day_from_ppm(half_width_ppm) == pytest.approx(4.3, abs=0.05)


def test_a_watch_crystal_as_sold():
    """32.768 kHz crystals: 20 ppm, 52 s a month (an electronics question-and-answer page)."""
    assert rate.s_per_month_from_s_per_day(rate.s_per_day_from_ppm(20)) == pytest.approx(52, abs=0.5)


def test_studio_references():
    """AES11 grade 1: 1 ppm, grade 2: 10 ppm (read at second hand): 0.09 and 0.9 s a day, computed."""
    assert rate.s_per_day_from_ppm([1, 10]) == pytest.approx([0.0864, 0.864], rel=1e-12)
