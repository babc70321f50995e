"""Before and after: what is called changed, what is not, and what cancels."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.history.comparison import Group, Night, compare
from torsionbeat.history.nights import counted_once
from torsionbeat.history.wander import pooled_deviations
from torsionbeat.sound.timebase import unknown_timebase

MAY = datetime(2026, 5, 1, 21, 0, tzinfo=UTC)


def width(estimate):
    return estimate.high - estimate.low


def test_two_nights_of_the_same_clock_show_no_change_of_rate_arc_and_offset(plain, other):
    result = compare(plain, other)
    for name in ("rate (+ gains)", "arc (amplitude end to end)", "offset", "arc, spread within a night"):
        assert result.row(name).verdict == "no change to be seen", name


def test_identical_clocks_are_hardly_ever_called_changed(make_night):
    judged = changed = 0
    for seed in range(0, 40, 2):
        arc = 360.0 + 4 * seed
        sides = [make_night(100 + seed + i, arc=arc, hours=1.0, wander=2.0, missed=0.03) for i in (0, 1)]
        for row in compare(*sides, same_recorder=True, same_place=True).rows:
            judged += row.verdict != "not judged"
            changed += row.verdict == "changed"
    assert judged >= 180
    # each row is judged at 95 %, and most doubts are allowed for in full: 1 to 2 % were seen over 2000 rows
    assert changed / judged <= 0.05


def test_a_real_change_is_seen_between_two_single_recordings(make_night):
    before = make_night(61, arc=420.0, hours=1.0, timebase=unknown_timebase())
    after = make_night(
        62,
        arc=445.0,
        period=59.995,
        hours=1.0,
        timebase=unknown_timebase(),
        level_db={("a", "contact"): 29.0},
    )
    result = compare(before, after, same_recorder=True)
    for name in ("rate (+ gains)", "arc (amplitude end to end)", "contact, side b louder than side a"):
        assert result.row(name).verdict == "changed", name


def test_an_overhaul_shows_in_rate_arc_and_loudness(plain, overhauled):
    result = compare(plain, overhauled, same_place=True)
    rate = result.row("rate (+ gains)")
    truth = 86_400 * (60 / 59.98 - 60 / 59.99)
    assert rate.change.low <= truth <= rate.change.high
    arc = result.row("arc (amplitude end to end)")
    assert arc.verdict == "changed"
    assert arc.change.value == pytest.approx(
        32, abs=2
    )  # a drive that wanders moves three hours' mean by a degree
    louder = result.row("drop, side b louder than side a")
    assert louder.verdict == "changed"
    assert louder.change.low <= 4 <= louder.change.high
    assert result.row("drop, side a, above the room").verdict == "no change to be seen"


def nights_of(reading, rates, arcs, day=1.0):
    return Group(
        tuple(
            Night(
                replace(reading, rate_s_per_day=ufloat(rate, 2.5), arc_deg=ufloat(arc, 7.5)),
                taken_at=MAY + timedelta(days=day * i),
            )
            for i, (rate, arc) in enumerate(zip(rates, arcs, strict=True))
        )
    )


@pytest.mark.parametrize("apart_of_its_length", [0.0, 0.9])
def test_a_night_counts_once_however_often_it_is_read(plain, apart_of_its_length):
    base = replace(plain, swings=replace_with_none(plain), events=no_events(plain))
    apart_days = apart_of_its_length * base.recording.duration_s / 86_400
    once = compare(nights_of(base, [14.0], [430.0]), nights_of(base, [20.0], [430.0]))
    often = compare(nights_of(base, [14.0] * 4, [430.0] * 4, apart_days), nights_of(base, [20.0], [430.0]))
    assert len(often.before.nights) == (
        1 if apart_of_its_length < 0.5 else 2
    )  # the first, and the one that is clear of it
    if apart_of_its_length < 0.5:
        assert often.row("rate (+ gains)").change == once.row("rate (+ gains)").change
    assert [one.code for one in often.remarks if getattr(one, "code", "") == "nights-overlap"] == [
        "nights-overlap"
    ]
    assert not any(getattr(one, "code", "") == "nights-overlap" for one in once.remarks)


def test_of_two_that_overlap_the_one_that_heard_more_is_kept(plain):
    half = replace(plain, beats_heard=plain.beats_heard // 2)
    for order in ((half, plain), (plain, half)):
        kept = counted_once([Night(one, taken_at=MAY + timedelta(seconds=n)) for n, one in enumerate(order)])
        assert [night.reading.beats_heard for night in kept] == [plain.beats_heard]
    apart = [
        Night(plain, taken_at=MAY),
        Night(plain, taken_at=MAY + timedelta(seconds=plain.recording.duration_s)),
    ]
    assert len(counted_once(apart)) == 2
    assert len(counted_once([Night(plain), Night(plain)])) == 2  # nobody knows when


def test_groups_of_an_unchanged_clock_are_called_changed_5_times_in_100(plain):
    rng = np.random.default_rng(8)
    base = replace(plain, swings=replace_with_none(plain), events=no_events(plain))
    changed = 0
    draws = 300
    for _ in range(draws):
        sides = [nights_of(base, rng.normal(14, 3, n), rng.normal(430, 2, n)) for n in (4, 5)]
        changed += compare(*sides, same_recorder=True).row("rate (+ gains)").verdict == "changed"
    # binomial standard deviation 1.3 %; the 3 ppm for the crystal make it a little rarer
    assert 0.01 <= changed / draws <= 0.09


def replace_with_none(reading):
    s = reading.swings
    return type(s)(*(getattr(s, name)[:0] for name in type(s).__dataclass_fields__))


def no_events(reading):
    e = reading.events
    return type(e)(*(getattr(e, name)[:0] for name in type(e).__dataclass_fields__))


def test_drift_and_spread_of_the_arc_from_night_to_night(plain):
    rng = np.random.default_rng(9)
    falling = nights_of(plain, [14] * 8, 430 - 2.0 * np.arange(8) + rng.normal(0, 1, 8))
    steady = nights_of(plain, [14] * 8, 430 + rng.normal(0, 1, 8))
    result = compare(falling, steady)
    drift = result.row("arc, drift from day to day")
    assert drift.verdict == "changed"
    assert drift.before.low <= -2 <= drift.before.high
    assert result.row("arc, spread from night to night").verdict == "changed"


def test_rates_without_a_nominal_period_are_compared_as_periods(plain, other):
    bare = replace(other, rate_s_per_day=None)
    names = [row.name for row in compare(plain, bare).rows]
    assert "period, out and back" in names
    assert "rate (+ gains)" not in names


def test_a_figure_missing_on_one_side_is_not_judged(plain, other):
    row = compare(plain, replace(other, arc_deg=None)).row("arc (amplitude end to end)")
    assert row.before is not None
    assert row.after is row.change is None
    assert (row.verdict, row.note) == ("not judged", "not measured after")


def test_q_of_free_swings_and_missed_beats(plain, make_night):
    poor = make_night(4, missed=0.08, timebase=unknown_timebase())
    before = Group((Night(poor),), free_swing_q=ufloat(250, 6))
    after = Group((Night(plain),), free_swing_q=ufloat(310, 8))
    result = compare(before, after)
    q = result.row("Q of the free swing")
    assert q.change.value == pytest.approx(60)
    assert width(q.change) == pytest.approx(2 * 1.96 * 10)
    missed = result.row("beats missed")
    assert missed.verdict == "changed"
    assert missed.before.low <= 8 <= missed.before.high
    assert missed.after.value == 0


def test_a_wandering_drive_shows_in_the_wander_of_the_rate(make_night, twin_readings):
    calm = make_night(5, hours=6)
    pooled = pooled_deviations([calm, make_night(6, hours=6)])
    single = pooled_deviations([calm])
    for tau in (300.0, 900.0, 3600.0):
        assert pooled[tau].freedom > 1.8 * single[tau].freedom
        assert pooled[tau].high / pooled[tau].low < single[tau].high / single[tau].low


def test_wander_that_the_sounds_make_is_not_the_clocks(make_night):
    calm, jittery = (make_night(5, hours=3, jitter_ms=jitter) for jitter in (0.5, 2.0))
    row = compare(calm, jittery).row("wander of the rate over 5 min")
    assert row.after.value == pytest.approx(4 * row.before.value, rel=0.25)  # white phase noise is four times
    assert row.verdict == "not judged"
    assert "scatter of single sounds" in row.note


def test_a_rate_that_wanders_more_is_called_so(make_night):
    calm = make_night(5, hours=6)
    number = calm.swings.number
    walk = np.cumsum(np.cumsum(np.random.default_rng(2).normal(0, 3e-5, number[-1] + 1)))[number]
    restless = replace(calm, swings=replace(calm.swings, time_s=calm.swings.time_s + walk))
    row = compare(calm, restless).row("wander of the rate over 15 min")
    assert row.ratio
    assert row.verdict == "changed"
    assert row.change.low > 1


def test_readings_too_short_for_stability_say_so(make_night):
    short = make_night(7, hours=0.1)
    row = compare(short, short).row("wander of the rate")
    assert row.note == "not measured before or after"


def test_the_document_is_json_and_holds_every_row(plain, other):
    result = compare(plain, other)
    back = json.loads(json.dumps(result.document(), allow_nan=False))
    assert [row["name"] for row in back["rows"]] == [row.name for row in result.rows]
    assert back["before"]["nights"][0]["timebase"] == "unknown"
    rate = back["rows"][0]
    assert rate["change_is"] == "difference"
    assert set(rate["change"]) == {"value", "low", "high"}


def test_the_number_of_judged_rows_is_said(plain, other):
    result = compare(plain, other)
    judged = sum(row.verdict != "not judged" for row in result.rows)
    assert any(remark.startswith(f"{judged} rows were judged") for remark in result.remarks)


def test_a_side_without_readings_is_refused(plain):
    with pytest.raises(InputError, match="without any recording"):
        compare(plain, [])
