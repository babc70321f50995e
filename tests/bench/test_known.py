"""What is given now goes before the record; a tolerance belongs to its lift."""

from __future__ import annotations

import pytest

from torsionbeat.bench.known import KnownClock
from torsionbeat.benchlog import open_log
from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock

RECORD = Clock(name="Lamp", nominal_period_s=15.0, lift_deg=20.0, lift_tolerance_deg=0.5, arc_low_deg=200.0)


def test_nothing_given_leaves_the_record():
    assert KnownClock().over(RECORD) == RECORD
    assert KnownClock().clock() == Clock()


def test_a_lift_given_leaves_the_record_s_tolerance_behind():
    told = KnownClock(nominal_period_s=12.0, lift_deg=18.0).over(RECORD)
    assert (told.nominal_period_s, told.lift_deg, told.lift_tolerance_deg, told.arc_low_deg) == (
        12.0,
        18.0,
        0.0,
        200.0,
    )
    assert KnownClock(lift_deg=18.0, lift_tolerance_deg=0.2).over(RECORD).lift_tolerance_deg == 0.2
    only = KnownClock(lift_tolerance_deg=0.2).over(RECORD)
    assert (only.lift_deg, only.lift_tolerance_deg) == (20.0, 0.2)


def test_a_tolerance_without_a_lift_or_as_large_as_it_is_refused():
    with pytest.raises(
        InputError, match=r"the lift tolerance is 0\.5 deg, but no lift is known; give --lift too"
    ):
        KnownClock(lift_tolerance_deg=0.5).clock()
    with pytest.raises(InputError, match="the tolerance must be the smaller"):
        KnownClock(lift_tolerance_deg=20.0).over(RECORD)
    assert KnownClock(lift_tolerance_deg=19.9).over(RECORD).lift_tolerance_deg == 19.9


def test_a_name_is_looked_up_in_the_log_it_names(tmp_path):
    log = str(tmp_path / "log.sqlite")
    with open_log(log) as opened:
        opened.add_clock("Lamp", nominal_period_s=15.0, lift_deg=20.0, lift_tolerance_deg=0.5)
    told = KnownClock("lamp", lift_deg=21.0, log=log).clock()
    assert (told.name, told.nominal_period_s, told.lift_deg, told.lift_tolerance_deg) == (
        "Lamp",
        15.0,
        21.0,
        0.0,
    )
    with pytest.raises(InputError, match="no clock is named 'Shelf'"):
        KnownClock("Shelf", log=log).clock()
