"""Temperature: loggers of all kinds, a twin that slows when warm, wandering clocks, steady rooms."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.room import Room, parse_room, read_room
from torsionbeat.regulation.temperature import temperature_effect
from torsionbeat.twin import Balance, Drive, Temperature, TwinClock

PERIOD_S = 15.0


def test_a_twin_that_slows_when_warm():
    # 158.5 ppm/K of period is -13.69 s/day per kelvin (beryllium copper and a brass balance, recomputed).
    hours = np.arange(0, 25.0)
    kelvin = 2 * np.sin(2 * np.pi * hours / 24)
    clock = TwinClock(
        Balance(PERIOD_S, q=500, period_ppm_per_k=158.5),
        drive=Drive(arc_deg=270, wander_percent=1),
        temperature=Temperature(tuple(3600 * hours), tuple(kelvin)),
    )
    beats, _ = clock.run(86_400, 3)
    room = Room(3600 * hours, 20 + kelvin, None, False)
    effect = temperature_effect(
        [beat.middle_s for beat in beats], [beat.number for beat in beats], PERIOD_S, room
    )
    assert abs(effect.s_per_day_per_k.nominal_value + 13.69) < 3 * effect.s_per_day_per_k.std_dev
    assert effect.s_per_day_per_k.std_dev < 0.3
    assert effect.sentence.startswith("Warmed by one kelvin it loses 13.")


def night(rng, coefficient, kelvin, *, wander=0.0, per_hpa=0.0, hpa=None):
    """A day of a 15 s clock: its beats, following a room, wandering by a red noise of its rate."""
    count = int(86_400 / 7.5)
    at = np.arange(count) * 7.5
    grid = np.arange(0, 86_401, 600.0)
    red = np.zeros(grid.size)
    for i in range(1, grid.size):
        red[i] = 0.9 * red[i - 1] + wander * rng.standard_normal()
    rate = coefficient * kelvin + red + (0 if hpa is None else per_hpa * (hpa - hpa.mean()))
    gained = np.cumsum(np.interp(at, grid, rate)) * 7.5 / 86_400
    return at - gained + 1e-3 * rng.standard_normal(count), np.arange(count), grid


def test_intervals_hold_the_truth_of_a_wandering_clock():
    rng = np.random.default_rng(8)
    held = told = 0
    for _ in range(60):
        grid = np.arange(0, 86_401, 600.0)
        kelvin = 1.5 * np.sin(2 * np.pi * grid / 86_400 + rng.uniform(0, 6)) + 0.5 * np.sin(grid / 9000)
        time, number, grid = night(rng, -13.7, kelvin, wander=0.5)
        effect = temperature_effect(time, number, PERIOD_S, Room(grid, 20 + kelvin, None, False))
        if effect.s_per_day_per_k is not None:
            told += 1
            held += abs(effect.s_per_day_per_k.nominal_value + 13.7) <= 1.96 * effect.s_per_day_per_k.std_dev
    assert told >= 55
    # 95 of 100 less three standard errors of 60 draws is 87; the red noise is far redder than its fit knows.
    assert held / told >= 0.87


def test_a_room_that_does_not_change_tells_nothing():
    rng = np.random.default_rng(2)
    grid = np.arange(0, 86_401, 600.0)
    kelvin = 0.05 * rng.standard_normal(grid.size)
    time, number, grid = night(rng, -13.7, kelvin)
    effect = temperature_effect(time, number, PERIOD_S, Room(grid, 20 + kelvin, None, False))
    assert effect.s_per_day_per_k is None
    assert "not enough change to tell" in effect.sentence


def test_a_trend_that_may_be_a_drift_tells_nothing():
    rng = np.random.default_rng(3)
    grid = np.arange(0, 86_401, 600.0)
    kelvin = np.linspace(0, 2, grid.size)
    time, number, grid = night(rng, -13.7, kelvin, wander=0.5)
    effect = temperature_effect(time, number, PERIOD_S, Room(grid, 20 + kelvin, None, False))
    assert effect.s_per_day_per_k is None


def test_pressure_beside_temperature():
    rng = np.random.default_rng(4)
    grid = np.arange(0, 86_401, 600.0)
    kelvin = 1.5 * np.sin(grid / 6000)
    hpa = 1000 + 8 * np.sin(grid / 11_000)
    time, number, grid = night(rng, -3.0, kelvin, wander=0.1, per_hpa=0.5, hpa=hpa)
    effect = temperature_effect(time, number, PERIOD_S, Room(grid, 20 + kelvin, hpa, False))
    assert abs(effect.s_per_day_per_hpa.nominal_value - 0.5) < 3 * effect.s_per_day_per_hpa.std_dev
    assert abs(effect.s_per_day_per_k.nominal_value + 3.0) < 3 * effect.s_per_day_per_k.std_dev


def at(text):
    return datetime.fromisoformat(text).astimezone().timestamp()


@pytest.mark.parametrize(
    "text",
    [
        "time,temperature\n2026-03-01T20:00:00,19.5\n2026-03-01T21:00:00,19.1\n",
        "Datum;Zeit;Temperatur (°C);Feuchte\n01.03.2026;20:00:00;19,5;40\n01.03.2026;21:00:00;19,1;41\n",
        "No.\tDate Time\tTemp, °F\n1\t2026-03-01 20:00\t67.1\n2\t2026-03-01 21:00\t66.38\n",
        "# a logger\n\ntimestamp,t_c,baro\n1,19.5,1001\n2,19.1,1002\n".replace(
            "1,19.5", f"{at('2026-03-01 20:00'):.0f},19.5"
        ).replace("2,19.1", f"{at('2026-03-01 21:00'):.0f},19.1"),
        '"2026-03-01 20:00:00","19.5","1001.2"\n"2026-03-01 21:00:00","19.1","1001.0"\n',
        "Date/Time,Celsius\n13/03/2026 20:00,19.5\n13/03/2026 21:00,19.1\n",
    ],
)
def test_loggers_of_all_kinds(text):
    room = parse_room(text)
    assert room.absolute
    np.testing.assert_allclose(room.temperature_c, [19.5, 19.1], atol=0.01)
    assert np.diff(room.time_s)[0] == 3600
    assert datetime.fromtimestamp(room.time_s[0]).hour == 20
    if "1001" in text:
        np.testing.assert_allclose(room.pressure_hpa, [1001, 1001.5], atol=1.1)


def test_seconds_from_the_start_are_not_moments():
    room = parse_room("elapsed_s,temp_c\n0,19.5\n600,19.6\n1200,\n")
    assert not room.absolute
    np.testing.assert_array_equal(room.time_s, [0, 600])
    assert "1 rows" in room.remarks[0]


def test_pressure_in_other_units():
    room = parse_room("time_s,temp,pressure\n0,19,100120\n600,19,100110\n")
    np.testing.assert_allclose(room.pressure_hpa, [1001.2, 1001.1])


def test_days_and_months_that_could_be_either_are_said():
    room = parse_room("date,temp\n03/04/2026 20:00,19\n03/04/2026 21:00,18\n")
    assert "could be read either way" in room.remarks[0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no table of times and temperatures"),
        ("hello\nworld\n", "no table of times and temperatures"),
        ("time,humidity\n2026-03-01T20:00,40\n2026-03-01T21:00,41\n", "no temperature column"),
        ("time,temp\nnoon on Sunday,19\n2026-13-45,19\n,19\n4,19\n", "cannot be read"),
        ("time,temp\n0,190\n600,191\n", "no room has that"),
    ],
)
def test_files_that_cannot_be_used(text, says):
    with pytest.raises(InputError, match=says):
        parse_room(text)


def test_a_missing_file(tmp_path):
    with pytest.raises(InputError, match=r"absent\.csv cannot be read"):
        read_room(tmp_path / "absent.csv")


def test_a_logger_that_writes_utf_16(tmp_path):
    path = tmp_path / "room.csv"
    path.write_bytes("time,temp °C\n0,19.5\n600,19.6\n".encode("utf-16"))
    assert read_room(path).temperature_c[0] == 19.5


def test_moments_need_a_beginning_and_must_overlap():
    time, number, grid = night(np.random.default_rng(5), 0.0, np.zeros(145))
    room = Room(grid + 1.7e9, np.full(grid.size, 20.0), None, True)
    with pytest.raises(InputError, match="say when the recording began"):
        temperature_effect(time, number, PERIOD_S, room)
    with pytest.raises(InputError, match="must overlap"):
        temperature_effect(time, number, PERIOD_S, room, began_s=1.6e9)
    with pytest.raises(InputError, match=r"the record spans 0\.2 h"):
        temperature_effect(time[:100], number[:100], PERIOD_S, room, began_s=1.7e9)


def test_a_gap_of_the_logger_is_told():
    rows = [f"{t},19.5" for t in [*range(0, 36_000, 600), *range(86_400, 122_400, 600)]]
    room = parse_room("time_s,temp\n" + "\n".join(rows) + "\n")
    (remark,) = room.remarks
    assert remark.code == "room-gap"
    assert "14.2 h" in remark  # from 35 400 s to 86 400 s
    steady = parse_room("time_s,temp\n" + "\n".join(f"{t},19.5" for t in range(0, 36_000, 600)) + "\n")
    assert steady.remarks == ()


def test_a_hole_in_the_pressure_is_bridged_and_told():
    room = parse_room("time_s,temp,pressure\n0,19,1000\n600,19,nan\n1200,19,1004\n")
    np.testing.assert_allclose(room.pressure_hpa, [1000, 1002, 1004])
    assert [remark.code for remark in room.remarks] == ["room-pressure-bridged"]
    empty = parse_room("time_s,temp,pressure\n0,19,-\n600,19,-\n")
    assert empty.pressure_hpa is None
    assert [remark.code for remark in empty.remarks] == ["room-pressure-left-out"]


def test_correlations_weighed_together_keep_what_they_disagree_in(monkeypatch):
    """The law of total variance: the mean of the squared doubts and the scatter of the values about their mean."""
    from torsionbeat.regulation import temperature

    rng = np.random.default_rng(9)
    blocks = np.arange(24.0)
    design = np.stack([np.ones(24), blocks / 23 - 0.5, np.sin(blocks / 2.0)], axis=1)
    wander = np.zeros(24)
    for row in range(1, 24):
        wander[row] = 0.5 * wander[row - 1] + rng.standard_normal()
    rate = -3.0 * design[:, 2] + wander

    def fit(*correlations):
        monkeypatch.setattr(temperature, "CORRELATIONS", np.array(correlations))
        value, spread, mean_r = temperature._fit(design, rate)
        return value[2], spread[2], mean_r

    (low, low_u, _), (high, high_u, _) = fit(0.0), fit(0.8)
    both, both_u, mean_r = fit(0.0, 0.8)
    share = mean_r / 0.8
    assert 0.05 < share < 0.95  # neither is beyond the other
    assert both == pytest.approx((1 - share) * low + share * high)
    apart = share * (1 - share) * (high - low) ** 2
    assert both_u**2 == pytest.approx((1 - share) * low_u**2 + share * high_u**2 + apart)
    assert apart > 0.01 * both_u**2
    # without any correlation it is least squares with Student's factor
    plain = np.linalg.lstsq(design, rate, rcond=None)[0]
    assert low == pytest.approx(plain[2])
