"""A room's record from any logger: columns, units, moments, holes, and the mean between two moments."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.room import Room, longest_step_s, parse_room, read_room


def codes(room):
    return [remark.code for remark in room.remarks]


ROWS = "2026-03-01T20:00Z,{0}\n2026-03-01T21:00Z,{1}\n"


@pytest.mark.parametrize(
    ("title", "cells", "celsius"),
    [
        ("temperature", (20.0, 21.5), (20.0, 21.5)),
        ("Temp (F)", (68.0, 50.0), (20.0, 10.0)),
        ("temp_f", (32.0, 212.0 / 2), (0.0, 41.1111)),
        ("Temperature [K]", (293.15, 273.15), (20.0, 0.0)),
    ],
)
def test_the_title_says_the_unit(title, cells, celsius):
    room = parse_room(f"time,{title}\n" + ROWS.format(*cells))
    np.testing.assert_allclose(room.temperature_c, celsius, atol=1e-3)
    assert room.absolute
    assert room.time_s[0] == datetime(2026, 3, 1, 20, tzinfo=UTC).timestamp()
    assert room.pressure_hpa is None


@pytest.mark.parametrize(
    ("pressure", "hpa"), [(101_325, 1013.25), (101.325, 1013.25), (29.92, 1013.2), (1013.25, 1013.25)]
)
def test_a_pressure_may_be_in_pascal_kilopascal_inches_of_mercury_or_hectopascal(pressure, hpa):
    """An inch of mercury is 33.8639 hPa (NIST SP 811)."""
    text = f"time,temp,pressure\n2026-03-01T20:00Z,20,{pressure}\n2026-03-01T21:00Z,20,{pressure}\n"
    np.testing.assert_allclose(parse_room(text).pressure_hpa, hpa, atol=0.05)


@pytest.mark.parametrize(
    ("first", "step", "absolute", "time_s"),
    [
        (0, 600, False, (0, 600)),
        (1_770_000_000, 600, True, (1_770_000_000, 1_770_000_600)),
        (1_770_000_000_000, 600_000, True, (1_770_000_000, 1_770_000_600)),
    ],
)
def test_numbers_are_seconds_of_the_recording_or_since_1970(first, step, absolute, time_s):
    room = parse_room(f"seconds;temp\n{first};20\n{first + step};21\n")
    assert room.absolute is absolute
    assert tuple(room.time_s) == time_s


def test_decimal_commas_semicolons_and_no_titles():
    room = parse_room("0;19,5\n600;19,7\n1200;19,9\n")
    np.testing.assert_allclose(room.temperature_c, [19.5, 19.7, 19.9])
    np.testing.assert_allclose(room.time_s, [0, 600, 1200])


def test_date_and_hour_in_two_columns_and_rows_out_of_order():
    room = parse_room("Date,Time,Temp\n2026-03-01,21:00,21\n2026-03-01,20:00,20\n")
    np.testing.assert_allclose(room.temperature_c, [20, 21])
    assert np.diff(room.time_s).tolist() == [3600]


def test_days_and_months_that_may_change_places_are_told():
    same = parse_room("time,temp\n01.03.2026 20:00,20\n01.03.2026 21:00,21\n")
    assert codes(same) == []
    either = parse_room("time,temp\n01/03/2026 20:00,20\n02/03/2026 20:00,21\n")
    assert codes(either) == ["room-dates-ambiguous"]
    assert np.diff(either.time_s).tolist() == [86_400]  # a day, not a month
    only = parse_room("time,temp\n01/13/2026 20:00,20\n01/14/2026 20:00,21\n")
    assert codes(only) == []


def test_rows_without_a_figure_are_left_out_and_a_pressure_is_bridged():
    room = parse_room(
        "seconds,temp,pressure\n0,20,1000\n600,,1001\n1200,21,\n1800,22,1006\n", name="logger.csv"
    )
    assert codes(room) == ["room-rows-left-out", "room-pressure-bridged"]
    assert "1 rows of logger.csv" in room.remarks[0]
    np.testing.assert_allclose(room.time_s, [0, 1200, 1800])
    np.testing.assert_allclose(room.pressure_hpa, [1000, 1003, 1006])


def test_a_gap_is_told_beyond_an_hour_and_five_steps():
    def logged(gap_s, step_s=600):
        times = [0, step_s, 2 * step_s, 2 * step_s + gap_s, 3 * step_s + gap_s]
        return codes(parse_room("seconds,temp\n" + "".join(f"{t},20\n" for t in times)))

    assert logged(3600) == []
    assert logged(3700) == ["room-gap"]
    assert logged(3700, step_s=1200) == []  # five steps are 6000 s
    assert logged(6100, step_s=1200) == ["room-gap"]
    assert longest_step_s(np.array([0.0, 1200.0, 2400.0])) == 6000.0
    assert longest_step_s(np.array([0.0])) == 0.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hello\nworld\n", "holds no table"),
        ("when,how\nx1,20\nx2,21\n", "no table|no time|no temperature"),
        ("seconds,temp\n0,20\n600,\n", "has 1 rows with a time and a temperature; 2 are needed"),
        ("seconds,temp\n0,20\n600,80\n", "says 80 C; no room has that"),
        ("time,temp\n2026-13-01 20:00,20\n2026-13-01 21:00,20\n", "the times in .* cannot be read"),
    ],
)
def test_what_is_no_record_of_a_room_is_refused(text, said):
    with pytest.raises(InputError, match=said):
        parse_room(text)


def test_a_file_of_another_alphabet_and_one_that_is_not_there(tmp_path):
    path = tmp_path / "room.csv"
    path.write_bytes("time;Temperatur °C\n2026-03-01 20:00;20\n2026-03-01 21:00;21\n".encode("latin-1"))
    np.testing.assert_allclose(read_room(path).temperature_c, [20, 21])
    path.write_bytes("seconds,temp\n0,20\n600,21\n".encode("utf-16"))
    np.testing.assert_allclose(read_room(path).temperature_c, [20, 21])
    with pytest.raises(InputError, match="cannot be read"):
        read_room(tmp_path / "none.csv")


def test_the_mean_between_two_moments_is_that_of_straight_lines():
    room = Room(np.array([0.0, 1000.0, 2000.0]), np.array([20.0, 22.0, 20.0]), None, True)
    assert room.mean_c(0.0, 2000.0) == pytest.approx(21.0)
    assert room.mean_c(500.0, 1000.0) == pytest.approx(21.5)
    assert room.mean_c(500.0, 1500.0) == pytest.approx(21.5)
    assert room.mean_c(1000.0, 1000.0) == pytest.approx(22.0, abs=0.01)
    assert room.mean_c(-1.0, 1000.0) is None
    assert room.mean_c(1000.0, 2000.1) is None
    assert Room(room.time_s, room.temperature_c, None, False).mean_c(0.0, 2000.0) is None


def test_no_mean_over_a_silence_of_the_logger():
    time = np.array([0.0, 600, 1200, 1800, 12_000, 12_600])
    room = Room(time, np.full(6, 20.0), None, True)
    assert room.mean_c(0.0, 1800.0) == pytest.approx(20.0)
    assert room.mean_c(1200.0, 12_100.0) is None
    assert room.mean_c(2000.0, 3000.0) is None  # wholly within it
    assert room.mean_c(12_000.0, 12_600.0) == pytest.approx(20.0)
