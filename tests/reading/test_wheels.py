"""Wheels by their teeth: what comes back with a wheel is found at its turn, and nothing on a healthy clock."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Clock, Swings
from torsionbeat.reading.movement import with_wheels
from torsionbeat.reading.wheels import LEAST_BEATS, find_wheels
from torsionbeat.theory.train import Train

PERIOD_S, LIFT_DEG = 60.0, 20.0
TRAIN = Train(15, ((60, 8), (72, 10)))


def night(seed, beats=960, *, places=(7, 20), turn=30, drop_db=0.0, passage_percent=0.0, **more):
    """Eight hours of a clock: arc that wanders by 1 %, sounds to 0.5 ms and 1.5 dB, 1 % of the beats not heard.

    The arc follows the drive as a balance of Q 600 does: each swing loses pi / Q of its energy twice over.
    """
    rng = np.random.default_rng(seed)
    number = np.arange(beats) + more.get("first", 0)
    slack, share = np.exp(-1 / 30), np.pi / 600
    wander, arc, arcs = 0.01 * rng.standard_normal(), 430.0, []
    weak_beats, weak_turn, weak = more.get("weak", (0, 225, 0.0))
    for beat in number:
        wander = slack * wander + 0.01 * np.sqrt(1 - slack**2) * rng.standard_normal()
        drive = (1 + wander) * (1 - weak * (beat % weak_turn < weak_beats))
        arc *= np.sqrt(1 - 2 * share + 2 * share * drive * (430.0 / arc) ** 2)
        arcs.append(arc)
    bad = np.isin(number % turn, places)
    passage = PERIOD_S / np.pi * np.arcsin(LIFT_DEG / np.array(arcs)) * (1 + passage_percent / 100 * bad)
    wave = more.get("wave_percent", 0.0) / 100
    passage = passage * (1 + wave * np.sin(2 * np.pi * number / turn))
    middle = number * PERIOD_S / 2 + 5e-3 * (number % 2)
    contact = middle - passage / 2 + 5e-4 * rng.standard_normal(beats)
    drop = middle + passage / 2 + 5e-4 * rng.standard_normal(beats)
    noise = more.get("noise_db", np.zeros(beats))
    levels = {
        "drop": 35 + 1.5 * rng.standard_normal(beats) + drop_db * bad - noise,
        "contact": 25 + 1.5 * rng.standard_normal(beats) - noise,
    }
    kept = rng.random(beats) > 0.01
    swings = Swings(
        number[kept],
        ((contact + drop) / 2)[kept],
        np.where(number % 2, "b", "a")[kept],
        np.full(kept.sum(), PERIOD_S),
        (drop - contact)[kept],
        (LIFT_DEG / np.sin(np.pi * (drop - contact) / PERIOD_S))[kept],
    )
    return swings, {kind: row[kept] for kind, row in levels.items()}


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_night_shows_nothing(seed):
    assert find_wheels(*night(seed)) == ()
    assert find_wheels(*night(seed), TRAIN) == ()


@pytest.mark.parametrize("first", [0, 1, 17])
def test_a_tooth_whose_drop_is_softer_is_found_at_both_pallets(first):
    (fault,) = find_wheels(*night(5, drop_db=-4.0, first=first))
    assert (fault.every_beats, fault.teeth, fault.shape, fault.quantity) == (30, 15, "tooth", "drop_level_db")
    assert fault.where == ((7, "b"), (20, "a"))
    assert abs(fault.size.nominal_value + 4.0) < 3 * fault.size.std_dev < 1.5
    assert fault.false_alarm < 1e-6


def test_a_tooth_whose_passage_is_longer_is_found_by_its_passage():
    (fault,) = find_wheels(*night(6, passage_percent=2.0))
    assert (fault.every_beats, fault.quantity, fault.where) == (
        30,
        "lift_passage_percent",
        ((7, "b"), (20, "a")),
    )
    assert abs(fault.size.nominal_value - 2.0) < 4 * fault.size.std_dev < 0.2


def test_a_tooth_that_lands_on_one_pallet_badly_has_one_place():
    (fault,) = find_wheels(*night(7, drop_db=-6.0, places=(12,)))
    assert fault.where == ((12, "a"),)


def test_a_wheel_out_of_true_is_a_wave_and_no_tooth():
    (fault,) = find_wheels(*night(8, wave_percent=0.5))
    assert (fault.every_beats, fault.shape, fault.quantity) == (30, "sine", "lift_passage_percent")
    assert abs(fault.size.nominal_value - 0.5) < 4 * fault.size.std_dev < 0.1
    ((crest, side),) = fault.where
    assert side == "a"
    assert abs(crest - 7.5) <= 1  # sin(2 pi n / 30) is largest at 7.5; the crest is named by a beat of side a


def test_a_tooth_further_up_shows_as_a_step_of_the_arc():
    (fault,) = find_wheels(*night(9, weak=(4, 225, 0.5)), TRAIN)
    assert (fault.every_beats, fault.teeth, fault.quantity) == (225.0, 60, "arc_deg")
    assert fault.size.nominal_value < -4 * fault.size.std_dev
    assert fault.where[0][0] <= 8
    assert "the wheel of 60" in fault.wheel


def test_noise_that_comes_and_goes_every_thirty_beats_is_no_tooth():
    on = (np.arange(960) % 30) < 15
    assert find_wheels(*night(10, noise_db=6.0 * on)) == ()


def test_another_clock_that_comes_round_with_the_beats_is_no_tooth():
    """Its tick falls on every thirtieth beat: 900 s of beats hold a whole number of its 0.8036 s."""
    interval_s = 900.0 / 1120  # 30 beats; at a single beat its phase is elsewhere
    swings, levels = night(11)
    phase = np.mod(swings.time_s / interval_s, 1.0)
    levels["drop"] = levels["drop"] + 6.0 * (phase < 1 / 30)
    heard = find_wheels(swings, levels)
    assert heard  # without knowing of that clock it looks like a tooth
    assert find_wheels(swings, levels, None, (interval_s,)) == ()


@pytest.mark.parametrize("told_off", [0.0, 7e-5])
@pytest.mark.parametrize("every", [30, 58, 214])
def test_a_clock_whose_ticks_come_round_near_a_wheel_is_no_tooth_though_its_interval_is_told_a_little_wrong(
    every, told_off
):
    """Every turn, or every other one, its tick falls on the same beat; with few turns its phase alone says little."""
    swings, levels = night(21)
    ticks = round(every * PERIOD_S / 2 / 0.43) + (0.5 if every == 58 else 0.0)
    interval_s = every * PERIOD_S / 2 / ticks
    drop_s = swings.time_s + swings.lift_passage_s / 2
    levels["drop"] = levels["drop"] + 6.0 * (np.mod(drop_s / interval_s, 1.0) < 0.04)
    assert find_wheels(swings, levels, None, (interval_s * (1 + told_off),)) == ()
    assert find_wheels(swings, levels, TRAIN, (interval_s * (1 + told_off),)) == ()


@pytest.mark.parametrize("every", [30, 31, 225])
def test_a_days_noise_with_a_period_near_a_wheel_is_no_tooth(every):
    beat = np.arange(960)
    noise = 5.0 * np.sin(2 * np.pi * beat / every) + 4.0 * ((beat % every) < every // 3)
    assert find_wheels(*night(22, noise_db=noise)) == ()
    assert find_wheels(*night(22, noise_db=noise), TRAIN) == ()


def test_a_tooth_beside_another_clock_is_still_found():
    (fault,) = find_wheels(*night(12, drop_db=-5.0), None, (0.8,))
    assert fault.every_beats == 30


def test_short_recordings_are_not_searched():
    assert find_wheels(*night(13, beats=LEAST_BEATS - 1)) is None
    assert find_wheels(*night(13, beats=400), Train(120)) is None


def test_drops_alone_are_searched_by_loudness(make_night):
    swings, levels = night(14, drop_db=-5.0)
    nothing = np.full(len(swings), np.nan)
    silent = Swings(swings.number, swings.time_s, swings.side, swings.period_s, nothing, nothing)
    (fault,) = find_wheels(silent, {"drop": levels["drop"], "contact": nothing})
    assert fault.quantity == "drop_level_db"


def test_a_reading_says_what_was_found_and_where_to_look(make_night):
    reading = with_wheels(make_night(3, hours=3.0))
    assert reading.wheels == ()
    assert reading_document(reading)["wheels"] == []
    short = with_wheels(make_night(3, hours=0.5))
    assert short.wheels is None
    assert "wheels" not in reading_document(short)
    assert short.remarks[-1].code == "wheels-not-searched"
    assert "at least 120 beats, and 60 beats were heard" in short.remarks[-1]


def test_a_fault_is_told_in_a_remark_and_in_the_document(make_night):
    from dataclasses import replace

    reading = make_night(3, hours=8.0)
    level = np.array(reading.events.level_db)
    order = np.searchsorted(reading.swings.time_s, reading.events.time_s).clip(0, len(reading.swings) - 1)
    bad = (reading.events.kind == "drop") & (
        np.abs(reading.swings.time_s[order - 1] - reading.events.time_s) < 1
    )
    numbers = reading.swings.number[order - 1]
    level[bad & (numbers % 30 == 5)] -= 8.0
    worn = replace(
        reading, events=replace(reading.events, level_db=level), clock=Clock("", 60.0, 20.0, train=TRAIN)
    )
    told = with_wheels(worn)
    (fault,) = reading_document(told)["wheels"]
    assert (fault["every_beats"], fault["teeth"], fault["shape"]) == (30.0, 15, "tooth")
    assert fault["where"] == [{"beat": 5, "side": "b"}]
    assert fault["size"]["value"] == pytest.approx(-8.0, abs=1.0)
    assert told.remarks[-1].code == "wheel-tooth"
    assert (
        "Every 30 beats, the escape wheel, the drop is 7.5 (give or take 0.6) dB softer" in told.remarks[-1]
    )
    assert "than its neighbours, at beat 5 (side b)" in told.remarks[-1]
    assert "once in 10 000 recordings at most" in told.remarks[-1]
    assert reading_document(told)["clock"]["train"] == "15,60/8,72/10"
