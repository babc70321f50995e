"""The trend of the arc: told where there is one, and never where an arc only wanders."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from torsionbeat.reading.arc_trend import _family, arc_trend_deg_per_hour

COVERAGE = 1.96


def wandering(rng, beats, memory, sigma_deg, noise_deg):
    """An arc of 300 deg that goes back to its mean by a share of each beat, and is measured with noise."""
    drawn = lfilter([np.sqrt(1 - memory**2)], [1, -memory], rng.standard_normal(beats + 2000))[2000:]
    return 300 + sigma_deg * drawn + noise_deg * rng.standard_normal(beats)


@pytest.mark.parametrize(
    ("beats", "memory", "noise_deg"),
    [
        (10, 0.0, 0.0),
        (120, 0.9, 0.0),
        (120, 0.9, 0.5),
        (480, 0.98, 0.0),
        (480, 0.98, 1.0),
        (2000, 0.99, 0.3),
    ],
)
def test_no_trend_is_seen_in_a_wander(beats, memory, noise_deg):
    """Slow, correlated wander without any trend: the interval holds zero in 90 of 100 at least."""
    held = 0
    number = np.arange(beats)
    for seed in range(60):
        arc = wandering(np.random.default_rng([seed, beats]), beats, memory, 1.0, noise_deg)
        trend = arc_trend_deg_per_hour(7.5 * number, number, arc)
        held += abs(trend.nominal_value) < COVERAGE * trend.std_dev
    assert held >= 54 - 4  # 90 of 100 meant at least; binomial standard deviation of 60 at 0.9 is 2.3


@pytest.mark.parametrize("missed", [0.0, 0.2])
def test_a_trend_is_found(missed):
    """12 deg an hour in two hours, with a wander that remembers 50 beats."""
    rng = np.random.default_rng(4)
    number = np.arange(960)
    arc = wandering(rng, 960, 0.98, 0.5, 0.5) + 12 * number * 7.5 / 3600 + 2.0 * (number % 2)
    keep = rng.random(960) >= missed
    trend = arc_trend_deg_per_hour(7.5 * number[keep], number[keep], arc[keep])
    assert trend.nominal_value == pytest.approx(12, abs=COVERAGE * trend.std_dev)
    assert trend.nominal_value > 3 * trend.std_dev


def test_arcs_not_heard_are_left_out_and_few_give_none():
    number = np.arange(40)
    arc = 300 + 0.1 * np.random.default_rng(2).standard_normal(40)
    holed = np.where(number % 3 == 0, np.nan, arc)
    whole, part = (arc_trend_deg_per_hour(7.5 * number, number, values) for values in (arc, holed))
    assert part.std_dev > whole.std_dev
    assert arc_trend_deg_per_hour(7.5 * number[:7], number[:7], arc[:7]) is None
    assert arc_trend_deg_per_hour(0.0 * number, number, arc) is None


def test_a_straight_line_is_that_line():
    number = np.arange(50)
    trend = arc_trend_deg_per_hour(7.5 * number, number, 300 + 0.01 * number)
    assert trend.nominal_value == pytest.approx(0.01 * 3600 / 7.5, rel=1e-6)


def test_student_is_counted_for_few_arcs():
    """Ten independent arcs: the line's own standard error, widened by Student's 2.36 / 1.96 at seven freedoms at least."""
    number = np.arange(10)
    arc = 300 + 4.0 * np.random.default_rng(11).standard_normal(10)
    design = np.column_stack([np.ones(10), 7.5 * number / 3600, number % 2 - 0.5])
    _, squares, *_ = np.linalg.lstsq(design, arc, rcond=None)
    plain = np.sqrt(squares[0] / 7 * np.linalg.inv(design.T @ design)[1, 1])
    trend = arc_trend_deg_per_hour(7.5 * number, number, arc)
    assert (
        trend.std_dev > 2.365 / 1.96 * plain * 0.95
    )  # a wander may be fitted, which moves the line a little


def test_a_longer_memory_is_the_likelier_beforehand_by_its_root():
    """All members together are certain; of one size, 500 beats are ten times as likely as 5 (an arc answers slowly)."""
    number = np.arange(40)
    arc = 300 + np.random.default_rng(5).standard_normal(40)
    _, family = _family(7.5 * number, number, arc)
    priors = [prior for *_, prior in family._members]
    assert np.exp(np.concatenate(priors)).sum() == pytest.approx(1.0)
    assert np.exp(priors[-1] - priors[1]) == pytest.approx(10.0)
