"""A trial: what of its uncertainty is its own, when two are of one state, what handling may have done."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.learning.trials import Trial

RATE = ufloat(3.0, 0.5)


def test_the_crystal_s_part_is_shared_only_where_the_crystal_has_a_name():
    assert Trial(RATE, timebase="usb", timebase_s_per_day=0.3).own_s_per_day == pytest.approx(0.4)
    assert Trial(RATE, timebase_s_per_day=0.3).own_s_per_day == pytest.approx(0.5)
    # Where the crystal is all of it a millisecond a day is left.
    assert Trial(RATE, timebase="usb", timebase_s_per_day=0.5).own_s_per_day == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("other", "same"),
    [
        ({}, True),
        ({"mass_g": 1.0}, False),
        ({"setting": 0.5}, False),
        ({"spring": 1}, False),
        ({"unknown": True}, False),
        ({"handling_s_per_day": 0.1}, False),
        ({"handling_s_per_day": 0.0}, True),
        ({"day": 9.0, "nights": 4.0, "temperature_c": 30.0}, True),
    ],
)
def test_two_trials_are_of_one_state_where_nothing_was_done(other, same):
    assert Trial(RATE, **other).same_state(Trial(RATE)) is same


def test_handling_is_what_was_said_or_a_fifth_of_a_second_where_the_clock_was_touched():
    before = Trial(RATE)
    assert Trial(RATE).handled_s_per_day(before) == 0.0
    assert Trial(RATE, mass_g=1.0).handled_s_per_day(before) == 0.2
    assert Trial(RATE, mass_g=1.0, handling_s_per_day=0.0).handled_s_per_day(before) == 0.0
    assert Trial(RATE, handling_s_per_day=1.5).handled_s_per_day(before) == 1.5


def test_what_cannot_be_is_refused():
    Trial(ufloat(14_400, 1))
    for bad in (
        {"mass_g": 501.0},
        {"mass_g": -501.0},
        {"mass_doubt_g": -0.1},
        {"setting_doubt": -0.1},
        {"handling_s_per_day": -0.1},
        {"timebase_s_per_day": -0.1},
        {"nights": 0.0},
    ):
        (value,) = bad.values()
        with pytest.raises(InputError, match=f"{value:g}"):
            Trial(RATE, **bad)
    for rate in (ufloat(14_401, 1), ufloat(-14_401, 1), ufloat(math.nan, 1)):
        with pytest.raises(InputError, match="rate is"):
            Trial(rate)
