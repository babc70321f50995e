"""Findings: each fault named with its numbers, nothing on a healthy clock, nothing without evidence.

How often over many clocks is measured by tests/benchmarks/findings.py.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.finding import Finding
from torsionbeat.history.findings import SIGNS, Decay, find
from torsionbeat.history.nights import Night
from torsionbeat.reading.figures import Clock
from torsionbeat.twin import Balance, BeatShift, Drive, DriveChange, Escapement, TwinClock

JUNE = datetime(2026, 6, 1, 21, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def heard(twin_readings):
    """Give what makes a reading of a 60 s clock with a fault."""

    def make(seed=1, *, hours=4.0, balance=None, drive=None, clock=None, changes=(), start=None, **more):
        twin = TwinClock(
            balance=balance or Balance(60.0, q=250.0),
            escapement=Escapement(lift_deg=20.0, offset_deg=1.5),
            drive=drive or Drive(arc_deg=430.0, wander_percent=1.0),
            changes=changes,
            start_arc_deg=start,
        )
        beats, _ = twin.run(hours * 3600, seed)
        known = clock or Clock("Harbour lamp", 60.0, 20.0, 0.3, 370.0, 490.0, 560.0)
        return twin_readings.reading_of_beats(beats, known, duration_s=hours * 3600, seed=seed, **more)

    return make


@pytest.fixture(scope="module")
def healthy(heard):
    return heard()


def signs(found):
    return [finding.sign for finding in found]


def nights(reading, arcs, rates=None, kelvin=None, offsets=None, every_days=1.0):
    rows = []
    for i, arc in enumerate(arcs):
        one = replace(
            reading,
            arc_deg=ufloat(arc, 1.0),
            rate_s_per_day=ufloat(14.0 if rates is None else rates[i], 0.3),
            offset_deg=ufloat(1.5 if offsets is None else offsets[i], 0.05),
        )
        when = JUNE + timedelta(days=i * every_days)
        rows.append(Night(one, when, None if kelvin is None else 20 + kelvin[i]))
    return rows


def test_a_healthy_night_and_a_healthy_history_raise_nothing(healthy):
    assert find(healthy) == ()
    rng = np.random.default_rng(1)
    kelvin = rng.normal(0, 2, 12)
    rows = nights(healthy, 430 + rng.normal(0, 1.5, 12), 14 + rng.normal(0, 0.4, 12) + 0.1 * kelvin, kelvin)
    assert find(rows) == ()


def test_a_clock_of_which_one_side_was_heard_raises_nothing(healthy):
    def one_side(table):
        mine = table.side == "a"
        return type(table)(*(getattr(table, name)[mine] for name in type(table).__dataclass_fields__))

    deaf = replace(
        healthy,
        swings=one_side(healthy.swings),
        events=one_side(healthy.events),
        beat_error_ms=None,
        offset_deg=None,
    )
    assert find(deaf) == ()


def test_no_night_no_finding():
    assert find([]) == ()


def test_limits_of_the_arc(heard):
    low = find(heard(clock=Clock("", 60.0, 20.0, 0.3, arc_low_deg=460)))
    assert signs(low) == ["arc low"]
    assert low[0].evidence[0].startswith("arc (amplitude end to end) 43")
    assert low[0].evidence[1] == "the healthy arc begins at 460 deg"
    assert signs(find(heard(clock=Clock("", 60.0, 20.0, 0.3, arc_high_deg=400)))) == ["arc high"]


def test_a_limit_within_the_interval_of_the_arc_is_not_passed(heard):
    doubtful = Clock("", 60.0, 20.0, lift_tolerance_deg=2.0, arc_low_deg=440)
    assert find(heard(clock=doubtful)) == ()


def test_the_knock_margin_counts_the_offset(heard):
    near = find(heard(clock=Clock("", 60.0, 20.0, 0.1, knock_arc_deg=440.0)))
    assert signs(near) == ["knock near"]
    assert "comes near" in near[0].what
    assert "1.5 deg of it taken by the offset" in near[0].evidence[2]
    knocking = find(heard(clock=Clock("", 60.0, 20.0, 0.1, knock_arc_deg=430.0)))
    assert "knocks against" in knocking[0].what


def test_settling_after_work(heard):
    reading = heard(start=360.0)
    work = JUNE - timedelta(hours=2)
    found = find([Night(reading, JUNE)], works=(work,))
    assert signs(found) == ["settling"]
    assert found[0].sure == "clear"
    assert "2026-06-01" in found[0].what
    # constant work: half of Q T / pi = 250 * 60 / pi = 4775 s, 0.66 h
    assert float(found[0].evidence[1].split()[-2]) == pytest.approx(0.66, rel=0.2)
    assert find(reading)[0].sure == "likely"  # without a work in the log


def test_a_step_of_the_drive(heard):
    found = find(heard(hours=5.0, changes=(DriveChange(2 * 3600.0, 0.8),)))
    assert signs(found) == ["drive steps"]
    assert "steady until" in found[0].evidence[1]
    assert float(found[0].evidence[1].split("until ")[1].split()[0]) == pytest.approx(2.0, abs=0.3)
    assert "fell" in found[0].what
    assert "bellows" in found[0].caution


def test_one_side_louder_or_longer(heard):
    louder = find(heard(level_db={("b", "drop"): 29.0}))
    assert signs(louder) == ["one side louder"]
    assert "side b is louder than that of side a" in louder[0].what
    assert float(louder[0].evidence[0].split()[1]) == pytest.approx(9, abs=0.5)
    longer = find(heard(longer_b=0.93))
    assert signs(longer) == ["one side longer"]
    assert "side a is longer" in longer[0].what


def test_side_differences_of_a_healthy_clock_are_no_finding(heard):
    assert find(heard(level_db={("b", "drop"): 23.0}, longer_b=1.02)) == ()


def test_the_beat_setting_slips_at_once_or_slowly(heard):
    at_once = find(heard(changes=(BeatShift(2 * 3600.0, 1.5),)))
    assert signs(at_once) == ["beat slips"]
    assert "offset went from 1.5" in at_once[0].evidence[0]
    slowly = tuple(BeatShift(3600.0 * h, 0.3) for h in (0.8, 1.4, 2.0, 2.6, 3.2))
    assert signs(find(heard(changes=slowly))) == ["beat slips"]


def test_a_beat_that_slips_is_found_without_an_arc_too(heard):
    found = find(heard(changes=(BeatShift(2 * 3600.0, 2.5),), contact=False))
    assert signs(found) == ["beat slips"]
    assert "beat error went from" in found[0].evidence[0]


def test_a_beat_setting_that_slips_from_night_to_night(healthy):
    rows = nights(healthy, [430] * 5, offsets=[0.0, 0.4, 0.7, 1.1, 1.6])
    assert signs(find(rows)) == ["beat slips"]
    assert signs(find(rows, works=(rows[4].taken_at - timedelta(hours=1),))) == []  # set in between


def test_rate_following_the_arc_within_a_night(heard):
    found = find(
        heard(
            hours=6.0,
            balance=Balance(60.0, q=250.0, cubic_per_rad2=4e-4),
            drive=Drive(arc_deg=430.0, wander_percent=8.0),
        )
    )
    assert "rate follows arc" in signs(found)
    evidence = next(one for one in found if one.sign == "rate follows arc").evidence
    # dT/T = -3/8 c A^2: 86400 * 3/4 * c * A per radian of A; a degree of arc is half a degree of A
    truth = 86_400 * 0.75 * 4e-4 * np.radians(215) * np.radians(0.5)
    assert float(evidence[0].split()[0]) == pytest.approx(
        truth, rel=0.1
    )  # the arc's own size enters once more


def test_rate_following_arc_or_temperature_over_nights(healthy):
    rng = np.random.default_rng(2)
    arcs = 430 + rng.normal(0, 3, 10)
    by_arc = find(nights(healthy, arcs, 14 + 0.5 * (arcs - 430) + rng.normal(0, 0.3, 10)))
    assert signs(by_arc) == ["rate follows arc"]
    assert "over 10 nights" in by_arc[0].evidence[0]
    kelvin = rng.normal(0, 2, 10)
    rates = 14 + 2.0 * kelvin + rng.normal(0, 0.3, 10)
    by_heat = find(nights(healthy, [430 + x for x in rng.normal(0, 1, 10)], rates, kelvin))
    assert signs(by_heat) == ["rate follows temperature"]
    assert float(by_heat[0].evidence[0].split()[0]) == pytest.approx(2.0, abs=0.3)


def test_two_things_that_merely_drift_do_not_follow_each_other(healthy):
    rng = np.random.default_rng(3)
    steps = np.arange(12)
    rows = nights(
        healthy, 430 - 0.6 * steps + rng.normal(0, 1, 12), 14 + 0.5 * steps + rng.normal(0, 0.4, 12)
    )
    assert "rate follows arc" not in signs(find(rows))


def test_an_arc_that_wanders_and_one_that_falls(healthy):
    rng = np.random.default_rng(4)
    wandering = find(nights(healthy, 430 + rng.normal(0, 15, 10)))
    assert signs(wandering) == ["arc wanders"]
    assert wandering[0].sure == "clear"
    falling = find(nights(healthy, 430 - 1.2 * np.arange(0, 30, 3) + rng.normal(0, 1.5, 10), every_days=3.0))
    assert signs(falling) == ["arc falls"]
    assert "over 27 days" in falling[0].evidence[0]


def test_a_fall_within_days_is_not_called_weeks(healthy):
    assert "arc falls" not in signs(find(nights(healthy, 430 - 4.0 * np.arange(8))))


def test_figures_from_before_the_last_work_are_not_held_against_the_clock(healthy):
    arcs = [350, 352, 349, 430, 431, 429, 430, 431]
    rows = nights(healthy, arcs)
    assert signs(find(rows)) == ["drive steps"]
    assert find(rows, works=(rows[3].taken_at - timedelta(hours=3),)) == ()


@pytest.mark.parametrize(("dry", "expected"), [(0.0, []), (1.2, ["something rubs"])])
def test_a_free_swing_that_falls_along_a_straight_line(dry, expected):
    time = np.arange(0.0, 5400, 30)
    rate = np.pi / (300 * 60)
    drop = dry * 2 / 60  # deg lost every swing, per second
    arc = (430 + drop / rate) * np.exp(-rate * time) - drop / rate
    arc += np.random.default_rng(5).normal(0, 0.4, time.size)
    found = find([], decays=(Decay(time, arc, 60.0),))
    assert signs(found) == expected
    for one in found:
        share = 100 * dry / (dry + np.median(arc) * rate * 30)
        assert float(one.evidence[0].split("arc, ")[1].split()[0]) == pytest.approx(share, abs=5)
        assert "whatever the arc" in one.evidence[0]


def test_a_free_swing_too_short_to_fit_gives_nothing():
    assert find([], decays=(Decay(np.arange(3.0), np.array([3.0, 2.0, 1.0]), 60.0),)) == ()


def test_every_finding_says_what_to_look_at_and_what_to_beware_of(heard):
    found = find(heard(level_db={("b", "drop"): 29.0}, clock=Clock("", 60.0, 20.0, 0.3, arc_low_deg=460)))
    assert signs(found) == ["arc low", "one side louder"]  # in the order of SIGNS
    for one in found:
        assert one.sign in SIGNS
        assert one.look_first.endswith(".")
        assert one.caution.endswith(".")
        assert all(any(sign.isdigit() for sign in text) for text in one.evidence)


def test_a_finding_without_evidence_cannot_be_made():
    with pytest.raises(ValueError, match="has no evidence"):
        Finding("arc low", "The arc is low.", (), "clear", "Power.", "None.")
