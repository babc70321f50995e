"""Means, spreads, shares and differences held against libraries, printed intervals and many draws."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from torsionbeat.errors import InputError
from torsionbeat.reading.intervals import (
    BLOCKS,
    Estimate,
    block_count,
    block_mean,
    block_means,
    block_medians,
    independent_count,
    mean_of_blocks,
    median_block_count,
    median_over_blocks,
    middle_of_blocks,
    night_mean,
    pooled_spread,
    ratio_of_spreads,
    share,
    share_difference,
    slope_per_day,
    spread,
    welch,
)


def ends(figure):
    return figure.nominal_value - 1.96 * figure.std_dev, figure.nominal_value + 1.96 * figure.std_dev


def remembering(rng, n, memory):
    noise = rng.standard_normal(n)
    values = np.empty(n)
    values[0] = noise[0]
    for i in range(1, n):
        values[i] = memory * values[i - 1] + np.sqrt(1 - memory**2) * noise[i]
    return values


def test_two_groups_of_nights_differ_as_scipy_says():
    rng = np.random.default_rng(1)
    before, after = rng.normal(3, 1, 4), rng.normal(1, 2.5, 7)
    mine = welch(*([ufloat(x, 1e-6) for x in side] for side in (before, after)))
    theirs = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert ends(mine) == pytest.approx((theirs.low, theirs.high), abs=1e-4)  # 1.96 for 1.959964


def test_one_night_on_each_side_leaves_their_own_uncertainties():
    assert ends(welch([ufloat(1, 0.3)], [ufloat(2, 0.4)])) == pytest.approx((1 - 0.98, 1 + 0.98))


def test_one_night_against_several_takes_their_scatter():
    several = [ufloat(x, 0.01) for x in (1.0, 3.0, 5.0)]
    mine = welch([ufloat(9.0, 0.01)], several)
    half = stats.t.ppf(0.975, 2) * np.sqrt(
        4 + 4 / 3
    )  # both sides share the variance 4, two degrees of freedom
    assert 1.96 * mine.std_dev == pytest.approx(half, rel=1e-4)


def test_nights_alike_by_chance_keep_their_own_uncertainty():
    assert welch([ufloat(1, 0.5)] * 3, [ufloat(1, 0.5)] * 3).std_dev > 0.5 * np.sqrt(2 / 3)
    assert night_mean([ufloat(1, 0.5)] * 4).std_dev > 0.25


def test_figures_without_any_uncertainty_are_refused(recwarn):
    exact = [ufloat(1, 1e-200)]
    with pytest.raises(InputError, match="without any uncertainty"):
        welch(exact, exact)


def test_ratio_of_spreads_is_that_of_the_f_distribution():
    rng = np.random.default_rng(2)
    t = np.arange(40.0)
    one, two = (spread(t, rng.normal(0, s, 40)) for s in (1.0, 2.0))
    ratio = ratio_of_spreads(one, two)
    f = stats.f(two.freedom, one.freedom)
    assert ratio.low == pytest.approx(ratio.value / np.sqrt(f.ppf(0.975)))
    assert ratio.high == pytest.approx(ratio.value / np.sqrt(f.ppf(0.025)))


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_share_has_the_printed_interval(hits, trials, low, high):
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, Table I, method 3 (from memory)
    mine = share(hits, trials)
    assert (mine.low, mine.high) == pytest.approx((low, high), abs=6e-5)  # printed to four places


def test_share_is_that_of_scipy():
    theirs = stats.binomtest(7, 480).proportion_ci(0.95, method="wilson")
    mine = share(7, 480)
    assert (mine.low, mine.high) == pytest.approx((theirs.low, theirs.high), rel=1e-4)


def test_difference_of_shares_has_the_printed_interval():
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 873, Table II (a), method 10 (from memory)
    mine = share_difference(share(48, 80), share(56, 70))
    assert (mine.low, mine.high) == pytest.approx((0.0524, 0.3339), abs=6e-5)


def test_crowded_misses_count_as_fewer():
    assert share(10, 400, crowding=4).high == pytest.approx(share(2.5, 100).high)


def test_independent_count_is_that_of_a_process_with_memory():
    # AR(1): correlations phi^k, so 1 + 2 sum phi^2k = (1 + phi^2) / (1 - phi^2)
    rng = np.random.default_rng(3)
    counts = [independent_count(remembering(rng, 4000, 0.9)) for _ in range(20)]
    assert np.mean(counts) == pytest.approx(4000 * (1 - 0.81) / (1 + 0.81), rel=0.1)  # mean of 20: a few %


def test_independent_count_of_white_and_constant_values():
    rng = np.random.default_rng(4)
    assert independent_count(rng.standard_normal(1000)) > 900
    assert independent_count(np.ones(10)) == 10


def test_block_mean_holds_the_truth_of_correlated_swings_95_times_in_100():
    rng = np.random.default_rng(5)
    t = np.arange(1200.0)
    hits = 0
    for _ in range(400):
        low, high = ends(block_mean(t, remembering(rng, 1200, 0.9)))  # remembers 10 swings, a block has 100
        hits += low <= 0 <= high
    # binomial standard deviation of 400 draws is 1.1 %; blocks that remember a little lose up to 3 %
    assert 0.91 <= hits / 400 <= 0.98


def test_taking_correlated_swings_as_independent_would_not():
    rng = np.random.default_rng(5)
    misses = 0
    for _ in range(200):
        values = remembering(rng, 1200, 0.9)
        misses += abs(values.mean()) > 1.96 * values.std() / np.sqrt(1200)
    assert misses / 200 > 0.5  # why there are blocks at all


def test_spread_of_correlated_swings_holds_the_truth():
    rng = np.random.default_rng(6)
    t = np.arange(800.0)
    hits = 0
    for _ in range(300):
        found = spread(t, remembering(rng, 800, 0.8))
        hits += found.low <= 1 <= found.high
    assert 0.90 <= hits / 300 <= 0.99


def test_spread_leaves_out_a_steady_trend():
    t = np.arange(100.0)
    noise = np.random.default_rng(7).normal(0, 1, 100)
    assert spread(t, noise).value == pytest.approx(spread(t, noise + 3 * t).value)


def test_too_little_gives_nothing():
    assert block_mean([0, 1, 2], [1, 2, 3]) is None
    assert block_mean([], []) is None
    assert spread([0, 1], [1, 2]) is None
    assert spread(range(20), [1.0] * 20) is None
    assert np.all(np.isnan(block_means([0, 1], [np.nan, np.nan])))
    assert night_mean([]) is None


def test_ratio_of_spreads_keeps_the_two_freedoms_apart():
    """F with 40 degrees of freedom above and 5 below: not the same the other way round."""
    before, after = Estimate(1.0, 0.6, 2.0, 5.0), Estimate(3.0, 2.4, 3.9, 40.0)
    ratio = ratio_of_spreads(before, after)
    f = stats.f(40, 5)
    assert (ratio.low, ratio.high) == pytest.approx((3 / np.sqrt(f.ppf(0.975)), 3 / np.sqrt(f.ppf(0.025))))
    assert f.ppf(0.975) > 2 * stats.f(5, 40).ppf(0.975) or f.ppf(0.025) > 2 * stats.f(5, 40).ppf(0.025)


def test_mean_of_blocks_is_students():
    """Four blocks: t(0.975, 3) = 3.182 of their standard error."""
    figure = mean_of_blocks(np.array([1.0, 2.0, 3.0, 6.0]))
    values = stats.ttest_1samp([1.0, 2.0, 3.0, 6.0], 0).confidence_interval(0.95)
    assert ends(figure) == pytest.approx((values.low, values.high), abs=1e-3)


def test_middle_of_blocks_by_hand():
    """sqrt(pi / (2 n)) of the spread by medians, which is a fifth too small for so few, and Student's factor."""
    medians = np.array([1.0, 2.0, 2.5, 3.0, 3.2, 4.5, 9.0])
    figure = middle_of_blocks(medians)
    spread_of_one = 1.2 * stats.median_abs_deviation(medians, scale="normal")
    sigma = np.sqrt(np.pi / 2 / 7) * spread_of_one * stats.t.ppf(0.975, 6) / stats.norm.ppf(0.975)
    assert figure.nominal_value == 3.0
    assert figure.std_dev == pytest.approx(sigma, rel=1e-4)


@pytest.mark.parametrize("blocks", [4, 6, 12])
def test_middle_of_normal_blocks_holds_the_truth(blocks):
    """What the factor of a fifth is for: 92 to 96 of 100."""
    rng = np.random.default_rng(blocks)
    held = 0
    for _ in range(2000):
        low, high = ends(middle_of_blocks(rng.normal(5, 1, blocks)))
        held += low < 5 < high
    assert 0.905 < held / 2000 < 0.975  # two standard errors of 2000 draws on either side


def test_slope_over_days_is_that_of_scipy():
    dates = [datetime(2026, 5, 1 + day, tzinfo=UTC) for day in (0, 1, 3, 7, 8)]
    values = np.array([1.0, 1.4, 1.2, 2.9, 2.6])
    line = stats.linregress([0, 1, 3, 7, 8], values)
    slope = slope_per_day(dates, values)
    assert slope.nominal_value == pytest.approx(line.slope, rel=1e-12)
    assert slope.std_dev == pytest.approx(
        line.stderr * stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975), rel=1e-9
    )


# At the edges


def test_how_many_blocks_so_many_values_fill():
    """At least three values in a block for a mean, five for a median, and no more blocks than there are at most."""
    assert [block_count(count) for count in (2, 3, 11, 12, 3 * BLOCKS, 3 * BLOCKS + 99)] == [
        0,
        1,
        3,
        4,
        BLOCKS,
        BLOCKS,
    ]
    assert [median_block_count(count) for count in (4, 5, 19, 20, 5 * BLOCKS, 5 * BLOCKS + 99)] == [
        0, 1, 3, 4, BLOCKS, BLOCKS,
    ]  # fmt: skip


def test_four_blocks_are_enough_and_three_are_not():
    values = [1.0, 2.0, 3.0, 4.0, 5.0] * 4
    assert block_mean(range(12), values[:12]) is not None
    assert block_mean(range(11), values[:11]) is None
    assert median_over_blocks(range(20), values) is not None
    assert median_over_blocks(range(19), values[:19]) is None
    holed = [np.nan, *values[:18], np.nan]
    assert median_over_blocks(range(20), holed) is None  # only what is known counts


def test_block_medians_go_by_time_and_leave_out_what_is_not_known():
    time, values = [5, 4, 3, 2, 1, 0, 6], [1.0, 2.0, 3.0, 7.0, 8.0, 9.0, np.nan]
    assert block_medians(time, values, 2).tolist() == [8.0, 2.0]


def test_a_spread_of_eight_values_by_hand():
    """Residuals about the line, over n - 2, with no fewer than one degree of freedom."""
    rng = np.random.default_rng(8)
    time, values = np.arange(8.0) ** 1.5, rng.standard_normal(8)
    line = stats.linregress(time, values)
    rest = values - line.intercept - line.slope * time
    found = spread(time, values)
    assert found.value == pytest.approx(np.sqrt(rest @ rest / 6))
    assert found.freedom == pytest.approx(max(independent_count(rest) - 2, 1.0))
    assert spread(time[:7], values[:7]) is None


def test_independent_count_by_hand():
    """Alternating values: each correlation squared counts twice, up to a quarter of the length."""
    values = np.array([1.0, -1.0] * 10)
    correlations = [(20 - lag) / 20 for lag in range(1, 5)]
    assert min(correlations) > 2 / np.sqrt(20)
    assert independent_count(values) == pytest.approx(20 / (1 + 2 * sum(c**2 for c in correlations)))


def test_nights_pooled_by_their_freedom():
    one, two = Estimate(2.0, 0.0, 0.0, 3.0), Estimate(4.0, 0.0, 0.0, 9.0)
    both = pooled_spread([one, None, two])
    assert both.value == pytest.approx(np.sqrt((3 * 4 + 9 * 16) / 12))
    assert both.freedom == 12.0
    chi = stats.chi2(12)
    assert (both.low, both.high) == pytest.approx(
        (both.value * np.sqrt(12 / chi.ppf(0.975)), both.value * np.sqrt(12 / chi.ppf(0.025)))
    )
    assert pooled_spread([None]) is None


def test_the_mean_of_two_nights_is_students():
    """Scatter 2 of two nights, a root of two smaller, by t(0.975, 1) = 12.706."""
    found = night_mean([ufloat(1.0, 0.1), ufloat(3.0, 0.1)])
    assert found.nominal_value == 2.0
    assert found.std_dev == pytest.approx(12.7062 / 1.959964 * np.sqrt(2.0 / 2), rel=1e-4)
    assert night_mean([ufloat(5.0, 0.3)]).std_dev == 0.3


def test_a_slope_needs_three_days_that_are_not_one():
    days = [datetime(2026, 5, day, tzinfo=UTC) for day in (1, 2, 3)]
    assert slope_per_day(days[:2], np.array([1.0, 2.0])) is None
    assert slope_per_day([days[0]] * 3, np.array([1.0, 2.0, 3.0])) is None
    assert slope_per_day(days, np.array([1.0, 2.0, 3.5])).nominal_value == pytest.approx(1.25)
