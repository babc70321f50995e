"""What the nights of a clock share is no lesser for their number."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.comparison import compare
from torsionbeat.history.comparison_rows import figure_row
from torsionbeat.history.nights import Group, Night, reading_from_document
from torsionbeat.history.shared_doubt import (
    beat_errors_of_both,
    own_arc,
    own_beat_error,
    own_offset,
    own_rate,
    remark_on_shared_arc,
    shared_arc,
    shared_beat_error,
    shared_offset,
    shared_rate,
)
from torsionbeat.history.wander import arc_wander_deg, rate_wander_s_per_day
from torsionbeat.reading.document import reading_document
from torsionbeat.sound.timebase import unknown_timebase
from torsionbeat.theory.robust import COVERAGE

NIGHTS = 6
ARC, ERROR, OFFSET = (own_arc, shared_arc), (own_beat_error, shared_beat_error), (own_offset, shared_offset)


def told(reading, arc, error_ms, *, own=(1.0, 0.5), shared=(4.0, 3.0)):
    """The reading with such figures, their own standard uncertainties, and those from where the sounds begin."""
    return replace(
        reading,
        clock=replace(reading.clock, lift_tolerance_deg=0.0),
        arc_deg=ufloat(arc, np.hypot(own[0], shared[0])),
        beat_error_ms=ufloat(error_ms, np.hypot(own[1], shared[1])),
        offset_deg=ufloat(1.8, 0.2),
        arc_from_beginnings_deg=shared[0],
        beat_error_from_beginnings_ms=shared[1],
    )


def row(before, after, figure):
    """Row of a figure: two sides of readings, of which none knows its date."""
    first, second = (Group(tuple(map(Night, side))) for side in (before, after))
    own, shared = figure
    return figure_row("", "", first, second, own, shared(first, second))


def width(estimate):
    return estimate.high - estimate.low


def half(estimate):
    return (estimate.high - estimate.low) / 2


def test_sounds_that_begin_elsewhere_put_all_nights_off_alike_and_the_intervals_hold(plain):
    """Two groups of six nights: 4 deg and 3 ms that each group has in common, 1 deg and 0.5 ms of each night's own."""
    rng = np.random.default_rng(20)
    held = dict.fromkeys(("arc", "error", "change of arc", "change of error"), 0)
    draws = 60
    for _ in range(draws):
        groups = []
        for _ in (0, 1):
            arc, error = 430 + 4 * rng.standard_normal(), 70 + 3 * rng.standard_normal()
            groups.append(
                [
                    told(plain, arc + rng.standard_normal(), error + 0.5 * rng.standard_normal())
                    for _ in range(NIGHTS)
                ]
            )
        arc, error = row(*groups, ARC), row(*groups, ERROR)
        held["arc"] += arc.before.low <= 430 <= arc.before.high
        held["error"] += error.before.low <= 70 <= error.before.high
        held["change of arc"] += arc.change.low <= 0 <= arc.change.high
        held["change of error"] += error.change.low <= 0 <= error.change.high
    # 95 % of 60 are 57, with a standard deviation of 1.7; if more nights lessened it, some 40 in 100 would hold
    for name, count in held.items():
        assert count >= 53, name


def test_more_nights_lessen_what_is_their_own_and_nothing_else(plain):
    few, many = ([told(plain, 430, 70)] * count for count in (2, 40))
    lone = [told(plain, 430, 70)]
    assert half(row(lone, lone, ARC).before) == pytest.approx(COVERAGE * np.hypot(1, 4), rel=1e-3)
    for figure, shared, own in ((ARC, 4.0, 1.0), (ERROR, 3.0, 0.5)):
        widths = [half(row(group, group, figure).before) for group in (few, many)]
        # Of forty nights a fortieth of the variance, by Student's t of 39 degrees of freedom (2.02), is left.
        assert widths[1] == pytest.approx(np.hypot(COVERAGE * shared, 2.02 * own / np.sqrt(40)), rel=0.01)
        assert widths[0] > widths[1]
        # Nothing cancels: fork and pallets sound otherwise after the work.
        change = half(row(many, many, figure).change)
        assert change == pytest.approx(np.sqrt(2) * widths[1], rel=0.01)


def test_a_side_shares_what_its_nights_share_on_the_mean(plain):
    """A quiet night of 1 deg and a loud one of 5 are off by 3 deg together, if both are off the same way."""
    quiet, loud = told(plain, 430, 70, shared=(1.0, 3.0)), told(plain, 430, 70, shared=(5.0, 3.0))
    mixed, alike = ([quiet, loud] * 20, [told(plain, 430, 70, shared=(3.0, 3.0))] * 40)
    told_of = row(mixed, alike, ARC)
    assert half(told_of.before) == pytest.approx(half(told_of.after), rel=1e-3)


def test_the_offset_shares_what_arc_and_beat_error_share(plain):
    """offset = arc / 2 sin(pi error / T) for a lift of zero width: near rest in proportion to both."""
    reading = told(plain, 430, 70, shared=(43.0, 7.0))  # a tenth of each
    shared = 0.1 * np.sqrt(2) * 430 / 2 * np.sin(np.pi * 0.07 / 60)
    reading = replace(reading, offset_deg=ufloat(0.79, np.hypot(0.02, shared)))
    assert own_offset(reading).std_dev == pytest.approx(0.02, rel=0.1)
    many = row([reading] * 40, [reading] * 40, OFFSET)
    assert half(many.before) == pytest.approx(
        np.hypot(COVERAGE * shared, 2.02 * 0.02 / np.sqrt(40)), rel=0.02
    )


def test_without_the_figure_or_of_a_reading_of_old_nothing_is_shared(plain):
    old = replace(plain, arc_from_beginnings_deg=0.0, beat_error_from_beginnings_ms=0.0)
    assert own_beat_error(old).std_dev == old.beat_error_ms.std_dev
    none = replace(told(plain, 430, 70), arc_deg=None, offset_deg=None, arc_from_beginnings_deg=0.0)
    assert own_arc(none) is None
    assert own_offset(none) is None
    # Of the one that has it.
    before = row([none, told(plain, 430, 70)], [plain], ARC).before
    assert half(before) == pytest.approx(COVERAGE * np.hypot(1, 4), rel=0.001)


def test_what_is_shared_comes_back_out_of_a_document(plain):
    reading = told(plain, 430, 70)
    back = reading_from_document(json.loads(json.dumps(reading_document(reading))))
    assert back.arc_from_beginnings_deg == 4.0
    assert back.beat_error_from_beginnings_ms == 3.0
    document = reading_document(reading)
    del document["uncertainty_from_beginnings"]  # as it was kept before
    assert reading_from_document(document).arc_from_beginnings_deg == 0.0


def test_a_recorder_whose_clock_loses_cancels_too(make_night):
    losing = [make_night(s, period=60.05, timebase=unknown_timebase()) for s in (63, 64)]
    row = compare(*losing, same_recorder=True).row("rate (+ gains)")
    assert width(row.change) < 2  # 50 ppm either way would leave 14 s a day


def test_the_same_recorder_takes_its_crystal_out_of_the_change_but_not_out_of_the_rates(plain, other):
    apart, together = (
        compare(plain, other, same_recorder=same).row("rate (+ gains)") for same in (False, True)
    )
    assert width(apart.change) == pytest.approx(2 * 1.96 * 0.0864 * 50 / np.sqrt(3) * np.sqrt(2), rel=0.02)
    own = [r.rate_s_per_day.std_dev**2 - (0.0864 * 50 / np.sqrt(3)) ** 2 for r in (plain, other)]
    wander = [rate_wander_s_per_day(r) for r in (plain, other)]
    left = np.sqrt(sum(own) + (0.0864 * 3 / np.sqrt(3)) ** 2 + sum(w**2 for w in wander))
    assert width(together.change) == pytest.approx(2 * 1.96 * left, rel=1e-3)
    assert together.before == apart.before


def test_the_tolerance_of_one_lift_cancels_but_for_its_share_of_the_change(plain, overhauled):
    row = compare(plain, overhauled).row("arc (amplitude end to end)")
    share = 0.5 / np.sqrt(3) / 20  # of either arc; of their change it is all that is left
    parts = [share * row.change.value]
    for night in (plain, overhauled):
        parts.append(arc_wander_deg(night))
        parts.append(np.sqrt(night.arc_deg.std_dev**2 - (share * night.arc_deg.nominal_value) ** 2))
    assert width(row.change) == pytest.approx(2 * 1.96 * np.linalg.norm(parts), rel=1e-3)
    assert width(row.before) > 2 * 1.96 * share * row.before.value
    wrong = replace(overhauled, clock=replace(overhauled.clock, lift_deg=21.0))
    result = compare(plain, wrong)
    assert width(result.row("arc (amplitude end to end)").change) > width(row.before)
    assert any("The lift differs: 20 deg before, 21 deg after" in remark for remark in result.remarks)


def test_of_single_nights_the_arc_may_wander_and_takes_the_beat_error_with_it(plain):
    """The beat error in ms is in proportion to 1 / arc: what the arc may wander moves it by the same share."""
    night = told(plain, 430, 70, own=(1e-3, 1e-3), shared=(1e-3, 1e-3))
    share = arc_wander_deg(night) / 430
    change = row([night], [night], ERROR).change
    assert half(change) == pytest.approx(COVERAGE * np.sqrt(2) * share * 70, rel=1e-3)
    assert (
        half(row([night] * 2, [night] * 2, ERROR).change) < half(change) / 10
    )  # two nights show it themselves


def test_the_rates_that_a_night_gives_are_its_own_but_for_the_crystal(plain):
    crystal = (
        50 / np.sqrt(3) * (86_400 + 8_640) * 1e-6
    )  # a tenth of a day fast: so much more is the crystal's share
    night = replace(plain, rate_s_per_day=ufloat(8_640.0, np.hypot(0.01, crystal)))
    assert own_rate(night).std_dev == pytest.approx(0.01, rel=0.05)  # a difference of large numbers
    by_clock = replace(night, timebase=replace(night.timebase, source="reference ticks"))
    assert own_rate(by_clock).std_dev == night.rate_s_per_day.std_dev
    assert (
        shared_rate(*(Group((Night(one),)) for one in (by_clock, by_clock)), same_recorder=False)(0, 0)[0]
        == 0.0
    )


def test_two_lifts_do_not_cancel_and_the_vaguest_of_a_side_counts(plain):
    old = replace(plain, arc_from_beginnings_deg=0.0, beat_error_from_beginnings_ms=0.0)
    sure, vague, other = (
        replace(old, clock=replace(old.clock, lift_deg=lift, lift_tolerance_deg=within))
        for lift, within in ((20.0, 0.1), (20.0, 0.5), (21.0, 0.3))
    )
    before, after = Group((Night(sure), Night(vague))), Group((Night(other),) * 2)
    told_of = shared_arc(before, after)(430.0, 400.0)
    parts = 0.5 / np.sqrt(3) / 20 * 430, 0.3 / np.sqrt(3) / 21 * 400
    assert told_of == pytest.approx((*parts, np.hypot(*parts)))
    exact = Group((Night(replace(old, clock=replace(old.clock, lift_tolerance_deg=0.0))),))
    assert shared_offset(exact, exact)(1.8, 1.8) == (0.0, 0.0, 0.0)
    assert shared_arc(exact, exact)(430.0, 430.0)[:2] == (0.0, 0.0)


def test_two_beat_errors_of_one_clock_are_off_alike_by_most_of_what_puts_each_off(plain):
    """3 ms from the beginnings, of whose variance 0.36 is each recording's own, and 0.5 ms of the night itself."""
    before, after = (Group((Night(told(plain, 430, error)),)) for error in (12.0, 180.0))
    first, second = beat_errors_of_both(before, after)
    assert (first.nominal_value, second.nominal_value) == (12.0, 180.0)
    for error in (first, second):
        assert error.std_dev == pytest.approx(np.hypot(0.5, 3.0))
    left = np.sqrt(2 * (0.5**2 + 0.36 * 3.0**2))
    assert (second - first).std_dev == pytest.approx(left)
    # With the letters of the first, the sounds of either side are put off the same way as before.
    first, second = beat_errors_of_both(before, after, swapped=True)
    assert (first.nominal_value, second.nominal_value) == (12.0, -180.0)
    assert (second - first).std_dev == pytest.approx(left)


def test_several_nights_lessen_the_beat_errors_own_doubt_alone(plain):
    many, none = (
        Group((Night(told(plain, 430, 70.0)),) * 40),
        Group((Night(replace(plain, beat_error_ms=None)),)),
    )
    error, missing = beat_errors_of_both(many, none)
    assert error.std_dev == pytest.approx(np.hypot(3.0, 2.02 / 1.96 * 0.5 / np.sqrt(40)), rel=1e-3)
    assert missing is None


def test_it_is_said_where_more_nights_do_not_make_the_arc_surer(plain):
    """Of six nights with 4 deg in common and 1 deg of their own, 7.8 of 7.9 deg are shared; with 1 and 5 deg, 2 of 5.6."""
    vague, own = (
        [told(plain, 430, 70, own=(own, 0.5), shared=(shared, 3.0))] * 6 for own, shared in ((1, 4), (5, 1))
    )

    def said(before, after):
        groups = [Group(tuple(map(Night, side))) for side in (before, after)]
        return remark_on_shared_arc(*groups, row(before, after, ARC))

    assert said(own, own) is None
    assert said(vague[:1], own) is None  # a lone night: the next would lessen it
    both = said(vague, vague)
    assert both.code == "arc-doubt-shared"
    assert "7.8 of ± 7.9 deg before, 7.8 of ± 7.9 deg after" in both
    assert "7.8 of ± 7.9 deg after. More nights" in said(own, vague)
    assert said([replace(plain, arc_deg=None)] * 2, vague[:1]) is None
    assert both in compare(vague, vague).remarks
