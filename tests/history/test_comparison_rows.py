"""Rows of a comparison: how the change is made of the nights, what is shared, and what it is called."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from torsionbeat.history.comparison_rows import Row, nothing_common, pair_row, ratio_row
from torsionbeat.reading.intervals import Estimate, ratio_of_spreads, symmetric, welch

BEFORE = [ufloat(10.0, 0.2), ufloat(10.4, 0.2), ufloat(9.8, 0.2)]
AFTER = [ufloat(12.0, 0.2), ufloat(12.2, 0.2), ufloat(11.9, 0.2)]


def test_the_change_is_after_less_before_by_welchs_method():
    row = pair_row("rate", "s/day", BEFORE, AFTER)
    assert row.before.value == pytest.approx(10.0667, abs=1e-3)
    assert row.change.value == pytest.approx(12.0333 - 10.0667, abs=1e-3)
    expected = symmetric(welch(BEFORE, AFTER))
    assert (row.change.low, row.change.high) == (pytest.approx(expected.low), pytest.approx(expected.high))
    assert row.verdict == "changed"
    assert not row.note


def test_what_nights_share_widens_either_side_and_what_is_left_of_it_the_change():
    assert nothing_common(1.0, 2.0) == (0.0, 0.0, 0.0)
    plain = pair_row("rate", "s/day", BEFORE, AFTER)
    seen = []

    def common(before, after):
        seen.append((before, after))
        return 3.0, 4.0, 1.5

    row = pair_row("rate", "s/day", BEFORE, AFTER, common)
    assert seen == [(pytest.approx(10.0667, abs=1e-3), pytest.approx(12.0333, abs=1e-3))]
    for one, other, extra in (
        (plain.before, row.before, 3.0),
        (plain.after, row.after, 4.0),
        (plain.change, row.change, 1.5),
    ):
        half, wider = (one.high - one.low) / 2, (other.high - other.low) / 2
        assert wider == pytest.approx(math.hypot(half, 1.96 * extra), rel=1e-9)
        assert other.value == one.value
    assert row.verdict == "no change to be seen"


def test_nights_without_the_figure_are_left_out_and_a_side_without_any_is_told():
    row = pair_row("arc", "deg", [None, BEFORE[0]], [AFTER[0], None])
    assert row.change.value == pytest.approx(2.0)
    missing = pair_row("arc", "deg", [None], AFTER)
    assert (missing.before, missing.change, missing.note) == (None, None, "not measured before")
    assert missing.after.value == pytest.approx(12.0333, abs=1e-3)
    assert pair_row("arc", "deg", BEFORE, []).note == "not measured after"
    assert pair_row("arc", "deg", [], [None]).note == "not measured before or after"
    assert missing.verdict == "not judged"


def test_what_is_not_judged_says_why_and_has_no_change():
    row = pair_row("level", "dB", BEFORE, AFTER, unjudged="another microphone")
    assert (row.change, row.note, row.verdict) == (None, "another microphone", "not judged")
    assert row.before.value == pytest.approx(10.0667, abs=1e-3)


def estimate(low, value, high):
    return Estimate(value, low, high, 20.0)


def test_a_ratio_has_changed_where_its_interval_leaves_out_one():
    old, new = estimate(0.9, 1.0, 1.1), estimate(1.9, 2.0, 2.1)
    row = ratio_row("scatter", "ms", old, new)
    assert row.ratio
    expected = ratio_of_spreads(old, new)
    assert (row.change.low, row.change.value, row.change.high) == (
        expected.low,
        expected.value,
        expected.high,
    )
    assert row.change.value == pytest.approx(2.0)
    assert row.verdict == "changed"
    assert ratio_row("scatter", "ms", old, estimate(0.8, 1.05, 1.4)).verdict == "no change to be seen"
    assert ratio_row("scatter", "ms", None, new).note == "not measured before"
    assert ratio_row("scatter", "ms", old, new, unjudged="another room").note == "another room"


@pytest.mark.parametrize(
    ("low", "high", "ratio", "verdict"),
    [
        (0.1, 0.5, False, "changed"),
        (-0.5, -0.1, False, "changed"),
        (0.0, 0.5, False, "no change to be seen"),
        (0.1, 0.5, True, "changed"),
        (0.9, 1.0, True, "no change to be seen"),
        (1.01, 1.2, True, "changed"),
    ],
)
def test_the_verdict_asks_whether_no_change_lies_within(low, high, ratio, verdict):
    row = Row("x", "", None, None, estimate(low, (low + high) / 2, high), ratio=ratio)
    assert row.verdict == verdict
