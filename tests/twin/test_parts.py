"""The twin's parts: both ends of what each may be, and the course of a temperature."""

from __future__ import annotations

import re

import pytest

from torsionbeat.errors import InputError
from torsionbeat.twin.parts import Drive, Escapement, Temperature


@pytest.mark.parametrize(
    ("make", "good", "bad"),
    [
        (lambda x: Escapement(lift_deg=x, unlocking_deg=0), (0.5, 120), (0.49, 120.1)),
        (lambda x: Escapement(offset_deg=x), (-180, 180), (-180.1, 180.1)),
        (lambda x: Escapement(unlocking_deg=x), (0, 19.9), (-0.1, 20)),  # within a lift of 20
        (lambda x: Escapement(unlocking_resistance=x), (0, 2), (-0.1, 2.1)),
        (lambda x: Drive(arc_deg=x), (1, 1500), (0.9, 1501)),
        (lambda x: Drive(arc_deg=None, push_deg=x), (0, 360), (-0.1, 361)),
        (lambda x: Drive(wander_percent=x), (0, 50), (-0.1, 50.1)),
        (lambda x: Drive(wander_beats=x), (0.1,), (0, -1)),
    ],
)
def test_a_part_is_taken_up_to_both_ends_of_its_range_and_no_further(make, good, bad):
    for value in good:
        make(value)
    for value in bad:
        with pytest.raises(InputError, match=re.escape(f"{value:g}")):
            make(value)


def test_a_drive_has_an_arc_or_a_push():
    for arc, push in ((300.0, 5.0), (None, None)):
        with pytest.raises(InputError, match="either a steady arc or a push, and not both"):
            Drive(arc_deg=arc, push_deg=push)


def test_a_temperature_runs_straight_between_its_points_and_stays_beyond_them():
    warm = Temperature((0.0, 3600.0, 7200.0), (0.0, 4.0, -2.0))
    assert [warm.at(time) for time in (-10.0, 900.0, 3600.0, 5400.0, 9000.0)] == [0.0, 1.0, 4.0, 1.0, -2.0]
    for times, kelvin in (((), ()), ((0.0, 1.0), (2.0,)), ((1.0, 0.0), (2.0, 3.0))):
        with pytest.raises(InputError, match="give as many of each, times rising"):
            Temperature(times, kelvin)
