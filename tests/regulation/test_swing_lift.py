"""The lift from a free swing: recovered from the twin's own formulas, and held by its interval as often as stated."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.regulation.swing_lift import swing_lift
from torsionbeat.theory.decay import arc_at_deg
from torsionbeat.theory.swing import lift_passage_s

PERIOD_S, LIFT_DEG = 60.0, 22.0


def swung(
    rng,
    *,
    air_per_h=0.6,
    dry_deg_per_h=20.0,
    offset_deg=1.5,
    beats=120,
    scatter_ms=2.0,
    counts=3,
    within=10.0,
):
    """Give passages of an hour's free swing, and arcs counted in it, each wrong by up to ``within`` degrees."""
    time_s = 30.0 * np.arange(beats) + 5.0
    arc = arc_at_deg(time_s, 430.0, air_per_h / 3600, dry_deg_per_h / 3600)
    passage_s = lift_passage_s(arc, PERIOD_S, LIFT_DEG, offset_deg) + 1e-3 * scatter_ms * rng.standard_normal(
        beats
    )
    at_s = np.sort(rng.uniform(time_s[0], time_s[-1], counts))
    counted = arc_at_deg(at_s, 430.0, air_per_h / 3600, dry_deg_per_h / 3600) + rng.uniform(
        -within, within, counts
    )
    doubt = np.full(counts, within / np.sqrt(3))
    return time_s, passage_s, PERIOD_S, at_s, counted, doubt


@pytest.mark.parametrize(("air_per_h", "dry_deg_per_h"), [(0.6, 0.0), (0.0, 150.0), (0.4, 60.0)])
def test_right_counts_give_the_lift_whatever_damps_the_swing(air_per_h, dry_deg_per_h):
    rng = np.random.default_rng(1)
    given = swung(rng, air_per_h=air_per_h, dry_deg_per_h=dry_deg_per_h, within=0.05)
    found = swing_lift(*given, offset_of_lift=1.5 / LIFT_DEG)
    assert found.lift_deg.nominal_value == pytest.approx(LIFT_DEG, abs=4 * found.lift_deg.std_dev)
    assert (
        found.lift_deg.std_dev < 0.03
    )  # 2 ms of 1 s passages over 120 beats: 0.02 % and the count's own 0.01 %
    assert found.passage_scatter_s == pytest.approx(2e-3, rel=0.3)


def test_its_interval_holds_the_lift_as_often_as_stated():
    inside = 0
    for seed in range(100):
        found = swing_lift(*swung(np.random.default_rng(seed)), offset_of_lift=1.5 / LIFT_DEG).lift_deg
        inside += abs(found.nominal_value - LIFT_DEG) < 1.96 * found.std_dev
    assert (
        inside >= 90
    )  # 95 % of 100: 88 to 100 by chance at 3 sigma; rectangles reach less far than normal errors


@pytest.mark.parametrize("counts", [1, 9])
def test_counts_weigh_by_their_arcs_over_their_doubts(counts):
    """Each count says lift = count / ratio, good to its doubt over the ratio; the passages add next to nothing."""
    given = swung(np.random.default_rng(3), counts=counts)
    found = swing_lift(*given, offset_of_lift=1.5 / LIFT_DEG)
    expected = 1 / np.sqrt(np.sum((found.arcs_deg / LIFT_DEG / given[5]) ** 2))
    assert found.lift_deg.std_dev == pytest.approx(expected, rel=0.05)


def test_a_bang_taken_for_a_contact_does_not_move_it():
    time_s, passage_s, *rest = swung(np.random.default_rng(4), within=0.05)
    passage_s[50] += 0.4
    found = swing_lift(time_s, passage_s, *rest, offset_of_lift=1.5 / LIFT_DEG).lift_deg
    assert found.nominal_value == pytest.approx(LIFT_DEG, abs=0.05)


def test_what_cannot_be_fitted_is_refused():
    time_s, passage_s, period_s, at_s, counted, doubt = swung(np.random.default_rng(5))
    nothing = np.zeros(0)
    with pytest.raises(InputError, match="there are 0 and 120"):
        swing_lift(time_s, passage_s, period_s, nothing, nothing, nothing)
    with pytest.raises(InputError, match="there are 3 and 11"):
        swing_lift(time_s[:11], passage_s[:11], period_s, at_s, counted, doubt)
    with pytest.raises(InputError, match="before or after the beats"):
        swing_lift(time_s, passage_s, period_s, at_s + 9000, counted, doubt)
