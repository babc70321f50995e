"""From the rows of the log to what the model learns from: each number at its place, each stretch once."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from uncertainties import ufloat

from torsionbeat.bench.bench_course import (
    LATEST_DOCUMENTS,
    KnownOfClock,
    checks_heard,
    given_heard,
    nights_of_others,
    readings_heard,
    works_done,
)
from torsionbeat.benchlog import open_log
from torsionbeat.regulation.present import from_document

START = datetime(2026, 3, 1, 20, tzinfo=UTC)
HALF_S = 30.0


def document(rate=2.0, *, heard=80, source="unknown", ppm=10.0, duration_s=3600.0, recorder="Desk", beats=0):
    """A reading; with ``beats`` the swings of a clock whose halves are all alike."""
    return {
        "schema": 1,
        "recording": {
            "name": "n.flac", "duration_s": duration_s, "sample_rate_hz": 48_000, "channels": 1, "gaps": [],
            "recorder": recorder,
        },
        "timebase": {"source": source, "offset_ppm": 0.0, "standard_uncertainty_ppm": ppm},
        "clock": {"nominal_period_s": 60.0, "lift_deg": 20.0},
        "period_s": {"value": 60 / (1 + rate / 86_400), "standard_uncertainty": 1e-4},
        "rate_s_per_day": {"value": rate, "standard_uncertainty": 1.0},
        "beats": {"expected": 120, "heard": heard},
        "swings": [
            {"time_s": HALF_S * n, "side": "ab"[n % 2], "period_s": 60.0, "arc_deg": 430.0} for n in range(beats)
        ],
    }  # fmt: skip


@pytest.fixture
def log(tmp_path):
    """Give a log with the 400-day clock Lamp."""
    with open_log(tmp_path / "log.sqlite") as opened:
        opened.add_clock("Lamp", kind="400-day", nominal_period_s=60.0)
        yield opened


def at(hours):
    return START + timedelta(hours=hours)


def rates(heard):
    return [one.rate_s_per_day.nominal_value for one in heard]


@pytest.mark.parametrize("documents", [True, False])
def test_readings_of_one_stretch_count_once_and_one_without_a_rate_not_at_all(log, documents):
    """Two microphones in one night: that of more beats counts; an hour later is another stretch."""
    log.add_reading("Lamp", document(1.0, heard=70), taken_at=at(0))
    log.add_reading("Lamp", document(2.0, heard=90), taken_at=at(0.5))
    log.add_reading("Lamp", document(3.0, heard=10), taken_at=at(1.5))  # begins as the second ends
    log.add_reading("Lamp", document(4.0, heard=99) | {"rate_s_per_day": None}, taken_at=at(1.6))
    assert rates(readings_heard(log, "Lamp", documents=documents)) == [2.0, 3.0]


def test_a_reading_is_of_its_stretch_its_rate_and_its_recorder(log):
    row = log.add_reading("Lamp", document(2.5, ppm=10.0), taken_at=at(0))
    (heard,) = readings_heard(log, "Lamp")
    assert (heard.from_s, heard.until_s) == (START.timestamp(), START.timestamp() + 3600)
    assert (heard.rate_s_per_day.nominal_value, heard.rate_s_per_day.std_dev) == (2.5, 1.0)
    assert heard.timebase_s_per_day == pytest.approx(0.864)  # 10 ppm of 86 400 s
    assert (heard.source, heard.recorder, heard.id) == ("reading", "unknown Desk", row.id)
    (bare,) = readings_heard(log, "Lamp", documents=False)
    assert (bare.recorder, bare.within) == ("unknown", None)


def test_a_host_clock_errs_anew_every_night_so_that_no_crystal_is_shared(log):
    log.add_reading("Lamp", document(source="host clock"), taken_at=at(0))
    (heard,) = readings_heard(log, "Lamp")
    assert heard.recorder == ""


def test_the_wander_within_the_latest_recordings_is_measured(log):
    """Sixty-four beats are the fewest that tell it; of older recordings than the latest dozen it is left out."""
    for number in range(LATEST_DOCUMENTS + 2):
        beats = 63 if number == 4 else 64
        log.add_reading("Lamp", document(float(number), beats=beats, duration_s=60.0), taken_at=at(number))
    heard = readings_heard(log, "Lamp")
    assert [one.within is not None for one in heard] == [False] * 2 + [True] * 2 + [False] + [True] * 9
    assert heard[-1].within.tau_s == pytest.approx(63 * HALF_S / 4, rel=1e-6)


def test_a_given_reading_shares_the_crystal_of_those_in_the_log(log):
    log.add_reading("Lamp", document(beats=64), taken_at=at(0))
    (kept,) = readings_heard(log, "Lamp")
    present = from_document(json.loads(json.dumps(document(3.0, beats=64))))
    given = given_heard(present, 1e9, ufloat(3.0, 1.0))
    assert given.recorder == kept.recorder == "unknown Desk"
    assert given.timebase_s_per_day == pytest.approx(kept.timebase_s_per_day)
    assert (given.from_s, given.until_s, given.source) == (1e9, 1e9 + 3600, "given")
    assert given.within.tau_s == pytest.approx(kept.within.tau_s)
    assert given_heard(from_document(document(3.0)), 0.0, ufloat(3.0, 1.0)).within is None


def test_a_hand_check_is_of_the_hours_before_it_and_of_no_crystal(log):
    row = log.add_handcheck("Lamp", ufloat(1.5, 0.25), 48.0, [], checked_at=at(100))
    (heard,) = checks_heard(log, "Lamp")
    assert (heard.from_s, heard.until_s) == (at(52).timestamp(), at(100).timestamp())
    assert (heard.rate_s_per_day.nominal_value, heard.rate_s_per_day.std_dev) == (1.5, 0.25)
    assert (heard.source, heard.recorder, heard.timebase_s_per_day, heard.id) == (
        "hand check",
        "",
        0.0,
        row.id,
    )


def test_works_come_with_their_amounts_under_their_own_names(log):
    log.add_work("Lamp", "weights", "a", {"added_g": 1.5, "doubt_g": 0.2}, done_at=at(1))
    log.add_work("Lamp", "regulator", "b", {"moved": -2, "doubt": 0.5}, done_at=at(2))
    log.add_work("Lamp", "regulator", "c", {"setting": 3.0}, done_at=at(3))
    log.add_work("Lamp", "level", "d", {"who": "me"}, done_at=at(0))
    wrong = log.add_work("Lamp", "weights", "e", {"added_g": 9.0}, done_at=at(4))
    log.retract("Lamp", "work", wrong.id, "another clock")
    level, weights, move, setting = works_done(log, "Lamp")
    assert (level.kind, level.what, level.added_g, level.moved) == ("level", "d", None, None)
    assert (weights.added_g, weights.doubt_g, weights.moved, weights.setting) == (1.5, 0.2, None, None)
    assert (move.moved, move.doubt, move.added_g, move.setting) == (-2.0, 0.5, None, None)
    assert (setting.setting, setting.done_at_s, setting.id) == (3.0, at(3).timestamp(), 3)


def test_other_clocks_tell_how_unsteady_such_clocks_are(log):
    """Those of the same kind with two readings at least; never the clock itself."""
    for name, kind, nights in (
        ("Twin", "400-day", 3), ("Lone", "400-day", 1), ("Air", "air-driven", 3), ("Pair", "400-day", 2)
    ):  # fmt: skip
        log.add_clock(name, kind=kind, nominal_period_s=60.0)
        for night in range(nights):
            log.add_reading(name, document(float(night)), taken_at=at(24 * night))
    for night in range(3):
        log.add_reading("Lamp", document(50.0 + night), taken_at=at(24 * night))
    found = nights_of_others(log, "Lamp")
    assert sorted(len(rows) for rows in found) == [2, 3]
    assert all(row.rate_s_per_day.nominal_value < 10 for rows in found for row in rows)


def test_what_is_known_is_filled_up_and_never_replaced():
    given = KnownOfClock(kind="", nominal_period_s=60.0, lift_deg=None, weight_total_g=0.0, q=None)
    record = KnownOfClock(
        kind="air-driven", nominal_period_s=15.0, lift_deg=20.0, weight_total_g=5.0, q=300.0
    )
    both = given.or_else(record)
    assert (both.kind, both.nominal_period_s, both.lift_deg, both.weight_total_g, both.q) == (
        "air-driven", 60.0, 20.0, 0.0, 300.0
    )  # fmt: skip
    assert (both.air_driven, given.air_driven) == (True, False)


def test_a_record_is_known_under_its_own_names(log):
    log.change_clock(
        "Lamp", knock_arc_deg=600.0, regulator_low=-3.0, strip_width_mm=2.5, side_b_name="towards the door"
    )
    known = KnownOfClock.of_record(log.clock("Lamp"), q=250.0)
    assert (known.knock_arc_deg, known.regulator_low, known.regulator_high) == (600.0, -3.0, None)
    assert (known.strip_width_mm, known.side_b_name, known.q) == (2.5, "towards the door", 250.0)
    assert Path(log.where).exists()
