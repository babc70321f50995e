"""What numbers of the log may be: both ends of each range, what is no number, and the names in the message."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from torsionbeat.benchlog.ranges import (
    CLOCK_FIELDS,
    DETAILS,
    Allowed,
    fault_of_details,
    fault_of_number,
    range_of,
)
from torsionbeat.benchlog.tables import ClockRecord, FreeSwingRecord, HandCheckRecord, ReadingRecord

MOMENT = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.mark.parametrize("name", sorted(DETAILS))
def test_a_detail_may_be_from_one_end_of_its_range_to_the_other(name):
    allowed = DETAILS[name]
    for value in (allowed.low, allowed.high):
        assert fault_of_details({name: value}) is None
    for value in (
        math.nextafter(allowed.low, -math.inf),
        math.nextafter(allowed.high, math.inf),
        math.nan,
        "3",
        True,
        None,
    ):
        said = fault_of_details({name: value})
        assert said.startswith(
            f"{name} is {value!r}; it must be a number from {allowed.low:g} to {allowed.high:g}"
        )


def test_details_that_are_not_numbers_by_their_nature_are_left_alone():
    assert fault_of_details({}) is None
    assert fault_of_details({"unit": "turns"}) is None


def test_a_column_has_the_range_of_its_table():
    assert range_of("clocks", "lift_deg") == Allowed(0.01, 180, "deg")
    assert range_of("clocks", "maker") is None
    assert range_of("readings", "period_s") == Allowed(0.05, 3600, "s")
    assert range_of("readings", "u_period_s").low == 0
    assert (
        range_of("clocks", "u_regulator_s_per_day_per_unit") == CLOCK_FIELDS["u_regulator_s_per_day_per_unit"]
    )
    assert range_of("notes", "text") is None


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (ReadingRecord(period_s=15.0, u_period_s=0.001, taken_at=MOMENT), None),
        (ReadingRecord(period_s=15.0, u_period_s=0.0, taken_at=MOMENT), None),
        (
            ReadingRecord(period_s=3601.0, u_period_s=0.1),
            "period_s is 3601; it must lie between 0.05 and 3600 s",
        ),
        (ReadingRecord(period_s=math.inf, u_period_s=0.1), "period_s is inf; it must lie"),
        (
            ReadingRecord(period_s=15.0, u_period_s=-0.1),
            "u_period_s is -0.1; it must lie between 0 and 1e+09",
        ),
        (ReadingRecord(period_s=15.0, u_period_s=None), "period_s has no uncertainty"),
        (ReadingRecord(timebase_offset_ppm=3.0, u_timebase_offset_ppm=None), None),
        (ReadingRecord(beats_heard="many"), "beats_heard is 'many', which is not a number"),
        (ReadingRecord(beats_heard=True), "beats_heard is True, which is not a number"),
        (ReadingRecord(temperature_c=-50.0), None),
        (
            ReadingRecord(temperature_c=80.5),
            "temperature_c is 80.5; it must lie between -50 and 80 degrees Celsius",
        ),
        (
            ReadingRecord(taken_at=datetime(1799, 12, 31, tzinfo=UTC)),
            "taken_at is 1799-12-31 00:00:00+00:00; it must lie",
        ),
        (ReadingRecord(taken_at=datetime(1800, 1, 1, tzinfo=UTC)), None),
        (ReadingRecord(taken_at=datetime(2200, 1, 1, tzinfo=UTC)), "it must lie between 1800 and 2200"),
        (FreeSwingRecord(q=0.05, u_q=0.01), "q is 0.05; it must lie between 0.1 and 1e+07"),
        (HandCheckRecord(span_h=0.0), "span_h is 0; it must lie between 0.001 and 1e+06 h"),
        (ClockRecord(lift_deg=0.001), "lift_deg is 0.001; it must lie between 0.01 and 180 deg"),
        (ClockRecord(regulator_s_per_day_per_unit=20.0), None),  # a record of a clock may lack an uncertainty
    ],
)
def test_a_row_s_first_number_that_cannot_be_is_named(row, said):
    found = fault_of_number(row)
    if said is None:
        assert found is None
    else:
        assert said in found
