"""Mean period and its uncertainty: white noise, missed beats, wander, jumps."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.linalg import null_space

from torsionbeat.reading import mean_period as mean_period_module
from torsionbeat.reading.mean_period import mean_period, no_surer_than_its_parts, with_what_timing_hides

COVERAGE = 1.96


def beats(rng, count, period_s=15.0, error_s=0.1, sigma_s=0.001):
    number = np.arange(count)
    return number, 3.2 + period_s / 2 * number + error_s * (number % 2) + sigma_s * rng.standard_normal(count)


def test_exact_beats_give_exact_figures():
    number, time = beats(np.random.default_rng(0), 40, sigma_s=0.0)
    steady = mean_period(time, number)
    assert steady.period_s == pytest.approx(15.0, abs=1e-9)
    assert steady.beat_error_s == pytest.approx(0.1, abs=1e-9)
    assert steady.period_uncertainty_s < 1e-6


@pytest.mark.parametrize("missing", [(3, 7), (5, 6)])
def test_two_missed_beats_in_eleven_cost_nothing(missing):
    number, time = beats(np.random.default_rng(0), 11, sigma_s=0.0)
    kept = ~np.isin(number, missing)
    steady = mean_period(time[kept], number[kept])
    assert steady.period_s == pytest.approx(15.0, abs=1e-9)
    assert steady.beat_error_s == pytest.approx(0.1, abs=1e-9)


@pytest.mark.parametrize("count", [30, 90])
def test_white_noise_gives_the_uncertainty_of_least_squares(count):
    """u(T) = 2 sigma sqrt(12 / (N (N^2 - 1))): N beats of half a period; straight-line fit, as in JCGM 100, H.3."""
    ratios, errors = [], []
    for seed in range(5):
        steady = mean_period(*beats(np.random.default_rng(seed), count)[::-1])
        plain = 2 * 0.001 * np.sqrt(12 / (count * (count**2 - 1)))
        ratios.append(steady.period_uncertainty_s / plain)
        errors.append((steady.period_s - 15.0) / plain)
    # Never less than the line's own but for what the noise is misjudged by, 1/sqrt(2 N) of it, 13 % at N = 30.
    # More, because wander cannot be excluded from the record itself: twice is what that may cost in the middle.
    assert min(ratios) > 0.8
    assert np.median(ratios) < 2.0
    # the estimate itself loses little against the line: the rms of 5 normal values stays below 1.8
    assert np.sqrt(np.mean(np.square(errors))) < 1.8


def test_event_noise_is_told():
    steady = mean_period(*beats(np.random.default_rng(3), 200, sigma_s=0.002)[::-1])
    assert steady.event_noise_s == pytest.approx(0.002, rel=0.2)  # 200 values know it to 5 %


def test_more_noise_is_more_uncertain():
    quiet, loud = (mean_period(*beats(np.random.default_rng(4), 60, sigma_s=s)[::-1]) for s in (0.001, 0.01))
    assert loud.period_uncertainty_s / quiet.period_uncertainty_s == pytest.approx(10, rel=0.05)
    assert loud.beat_error_uncertainty_s / quiet.beat_error_uncertainty_s == pytest.approx(10, rel=0.05)


def test_interval_holds_the_mean_over_the_stretch():
    """A hundred records, random walk of phase and 1 ms on each beat: the truth is the walk's own mean period."""
    scaled, beat_held = [], []
    for seed in range(100):
        rng = np.random.default_rng([seed, 6])
        number, time = beats(rng, 24)
        walk = np.cumsum(rng.choice([0.0, 0.0005, 0.003]) * rng.standard_normal(24))
        steady = mean_period(time + walk, number)
        truth = 15.0 + 2 * (walk[-1] - walk[0]) / 23
        scaled.append((steady.period_s - truth) / steady.period_uncertainty_s)
        beat_held.append(abs(steady.beat_error_s - 0.1) < COVERAGE * steady.beat_error_uncertainty_s)
    # 95 of 100 meant; 90 are the least that is promised
    assert np.mean(np.abs(scaled) < COVERAGE) >= 0.90
    assert np.mean(beat_held) >= 0.90
    assert np.sqrt(np.mean(np.square(scaled))) > 0.4  # nor many times too wide


def test_wander_widens_the_interval():
    rng = np.random.default_rng(8)
    number, time = beats(rng, 120)
    walk = np.cumsum(0.01 * rng.standard_normal(120))
    still, wandering = mean_period(time, number), mean_period(time + walk, number)
    assert wandering.period_uncertainty_s > 3 * still.period_uncertainty_s
    truth = 15.0 + 2 * (walk[-1] - walk[0]) / 119
    assert abs(wandering.period_s - truth) < COVERAGE * wandering.period_uncertainty_s


def test_known_jump_does_not_count_towards_the_period():
    number, time = beats(np.random.default_rng(9), 80)
    jumped = time + 0.8 * (number > 39)
    steady = mean_period(jumped, number, (39.5,))
    assert abs(steady.period_s - 15.0) < COVERAGE * steady.period_uncertainty_s
    assert steady.period_uncertainty_s < 0.001
    assert abs(mean_period(jumped, number).period_s - 15.0) > 0.005  # 2 * 0.8 s / 79 were it not known


def test_one_side_has_no_beat_error():
    number, time = beats(np.random.default_rng(10), 60)
    steady = mean_period(time[::2], number[::2])
    assert np.isnan(steady.beat_error_s)
    assert steady.period_s == pytest.approx(15.0, abs=5 * steady.period_uncertainty_s)


def test_three_beats_are_the_fewest():
    number, time = beats(np.random.default_rng(11), 3, error_s=0.0)
    steady = mean_period(time, number)
    assert steady.period_s == pytest.approx(15.0, abs=0.01)
    # one degree of freedom: Student's factor is 6.5 times the normal one
    assert steady.period_uncertainty_s > 0


def test_long_night_is_as_sure_as_its_length_allows():
    """1920 beats go in groups; the figure is that of the single beats."""
    number, time = beats(np.random.default_rng(12), 1920)
    steady = mean_period(time, number)
    plain = 2 * 0.001 * np.sqrt(12 / (1920 * (1920**2 - 1.0)))
    assert abs(steady.period_s - 15.0) < 4 * plain
    assert 0.8 < steady.period_uncertainty_s / plain < 3


def test_side_that_falls_silent_at_a_jump_tells_nothing_of_its_own():
    """Side b is heard eight times, all before the jump: the period comes from side a on both ends of it."""
    number = np.concatenate([np.arange(0, 24), np.arange(24, 200, 2)])
    number = number[(number % 2 == 0) | (number < 16)]
    rng = np.random.default_rng(5)
    time_s = (
        30.0 * number + 0.05 * (number % 2) + 0.4 * (number > 100) + 0.002 * rng.standard_normal(len(number))
    )
    steady = mean_period(time_s, number, (100.5,))
    assert abs(steady.period_s - 60.0) < 3 * steady.period_uncertainty_s
    assert steady.beat_error_s == pytest.approx(0.05, abs=3 * steady.beat_error_uncertainty_s)


def doubly_summed(early, late):
    """Covariance of a random walk's integral at two moments: the integral of min(u, v) over [0, early] x [0, late]."""
    low, high = min(early, late), max(early, late)
    return quad(lambda u: u * high - u * u / 2 if u <= high else 0.0, 0, low)[0]


@pytest.mark.parametrize(("count", "walk", "drift"), [(9, 1e-8, 1e-10), (14, 1e-7, 0.0), (12, 0.0, 1e-9)])
def test_prediction_is_that_of_universal_kriging(monkeypatch, count, walk, drift):
    """With the noise given, period and beat error are the bordered system's, and the few-beat factors stand before them.

    N. Cressie, Statistics for Spatial Data (1993), 3.4 (from memory). Factors: Student's for beats less three columns, and
    sqrt(1 + 8 / n) since the noise itself is only estimated.
    """
    event = 1e-6
    strengths = np.log([event, max(walk, 1e-300), max(drift, 1e-300)])
    monkeypatch.setattr(mean_period_module._Model, "best_strengths", lambda self: strengths)
    monkeypatch.setattr(mean_period_module._Model, "without_wander", lambda self, found: (found, 0.0))
    rng = np.random.default_rng(count)
    number = np.arange(count)
    time = 3.0 + 7.5 * number + 0.1 * (number % 2) + 1e-3 * rng.standard_normal(count)
    end = count - 1.0
    summed = np.array([[doubly_summed(i, j) for j in number] for i in number])
    c = event * np.eye(count) + walk * np.minimum.outer(number, number) + drift * summed
    to_end = walk * np.minimum(number, end) + drift * np.array([doubly_summed(i, end) for i in number])
    of_end = walk * end + drift * doubly_summed(end, end)
    x = np.column_stack([np.ones(count), number / end - 0.5, number % 2 - 0.5])
    bordered = np.block([[c, x], [x.T, np.zeros((3, 3))]])
    weights = np.linalg.solve(bordered, np.concatenate([to_end, [0, 1, 0]]))[:count]
    variance = of_end + weights @ c @ weights - 2 * weights @ to_end
    for_side = np.linalg.solve(bordered, np.concatenate([np.zeros(count), [0, 0, 1]]))[:count]
    factor = stats.t.ppf(0.975, count - 3) / stats.norm.ppf(0.975) * np.sqrt(1 + 8 / count)
    steady = mean_period(time, number)
    assert steady.period_s == pytest.approx(2 * weights @ time / end, rel=1e-9)
    assert steady.period_uncertainty_s == pytest.approx(2 * np.sqrt(variance) / end * factor, rel=1e-4)
    assert steady.beat_error_s == pytest.approx(for_side @ time, rel=1e-7)
    assert steady.beat_error_uncertainty_s == pytest.approx(
        np.sqrt(for_side @ c @ for_side) * factor, rel=1e-4
    )


def test_beats_that_scatter_like_a_wander_may_be_of_a_steady_clock(monkeypatch):
    """Fifteen beats, 5 ms apart from a line like waves: once in a thousand times scatter alone does that.

    Its probability by scipy's normal densities of what is left beside start, period and sides, with Schwarz's ln n for each of
    two strengths; the period is that of the clock that wanders, and its doubt that of both.
    """
    away_ms = [0.4, 1.6, 0.9, -1.7, 4.5, 9.9, -1.9, -3.8, -7.0, -8.2, -6.2, -4.4, 1.9, 6.6, 7.4]
    number = np.arange(15)
    time = 7.5 * number + 0.1 * (number % 2) + 1e-3 * np.array(away_ms)
    shares, strengths = [], []
    original = mean_period_module._Model.without_wander

    def seen(model, found):
        steady, share = original(model, found)
        shares.append(share)
        strengths.extend([found, steady])
        return steady, share

    monkeypatch.setattr(mean_period_module._Model, "without_wander", seen)
    told = mean_period(time, number)
    event, walk, drift = np.exp(strengths[0])
    summed = np.array([[doubly_summed(i, j) for j in number] for i in number])
    c = event * np.eye(15) + walk * np.minimum.outer(number, number) + drift * summed
    left = null_space(np.column_stack([np.ones(15), number, number % 2]).T).T
    rest = left @ time
    steady_variance = float(rest @ rest) / len(rest)
    logs = [
        stats.multivariate_normal(cov=each, allow_singular=True).logpdf(rest)
        for each in (left @ c @ left.T, steady_variance * np.eye(len(rest)))
    ]
    assert np.exp(strengths[1][0]) == pytest.approx(steady_variance, rel=1e-6)
    assert shares[0] == pytest.approx(1 / (1 + np.exp(logs[0] - logs[1] - np.log(15))), rel=1e-3)
    assert 0.05 < shares[0] < 0.5
    each = []
    for found in (strengths[0], strengths[1]):
        monkeypatch.setattr(mean_period_module._Model, "best_strengths", lambda model, own=found: own)
        monkeypatch.setattr(mean_period_module._Model, "without_wander", lambda model, own: (own, 0.0))
        each.append(mean_period(time, number))
    factor = stats.t.ppf(0.975, 12) / stats.norm.ppf(0.975) * np.sqrt(1 + 8 / 15)
    for value, spread in (("period_s", "period_uncertainty_s"), ("beat_error_s", "beat_error_uncertainty_s")):
        one, other = (getattr(clock, value) for clock in each)
        u_one, u_other = (getattr(clock, spread) for clock in each)
        assert getattr(told, value) == pytest.approx(one, rel=1e-9)
        beyond = shares[0] * (max(u_other**2 - u_one**2, 0.0) + factor**2 * (one - other) ** 2)
        assert getattr(told, spread) == pytest.approx(np.sqrt(u_one**2 + beyond), rel=1e-6)
    # the steady clock's is the least-squares line's
    line = np.linalg.lstsq(np.column_stack([number, np.ones(15), number % 2]), time, rcond=None)[0]
    assert each[1].period_s == pytest.approx(2 * line[0], rel=1e-9)


def test_a_steady_clock_adds_doubt_and_takes_none_away():
    """Known better without wander: nothing is gained. A figure 3 off in half of the cases: the variance grows by 4.5."""
    assert mean_period_module._in_doubt(0.9, (7.0, 4.0), (7.0, 1.0)) == pytest.approx((7.0, 2.0))
    assert mean_period_module._in_doubt(0.5, (7.0, 4.0), (10.0, 4.0)) == pytest.approx((7.0, np.sqrt(8.5)))
    assert mean_period_module._in_doubt(0.5, (7.0, 4.0), (7.0, 9.0)) == pytest.approx((7.0, np.sqrt(6.5)))


def test_groups_of_beats_count_by_their_number():
    """Means of eight beats scatter by a root of eight less: the single event's noise is found all the same."""
    number, time = beats(np.random.default_rng(21), 1600, sigma_s=0.002)
    assert mean_period(time, number).event_noise_s == pytest.approx(
        0.002, rel=0.3
    )  # a walk takes a part of it


def few(end_s=0.0, contacts_s=0.0):
    """Fifteen beats to a fifth of a millisecond, their drops and middles; the last one off, or every third contact."""
    rng = np.random.default_rng(5)
    number, drop = beats(rng, 15, sigma_s=2e-4)
    middle = drop + 2e-4 * rng.standard_normal(15)
    middle[-1] += end_s
    middle[[4, 6, 14]] += contacts_s
    return number, drop, middle


def test_parts_that_agree_leave_the_uncertainty_as_it_is():
    """White noise: what a part left out may differ by is what Hausman's variance allows, so that little is added."""
    number, drop, _ = few()
    steady = mean_period(drop, number)
    told = no_surer_than_its_parts(steady, drop, drop, number)
    assert told.period_s == steady.period_s
    assert steady.period_uncertainty_s <= told.period_uncertainty_s < 1.5 * steady.period_uncertainty_s


@pytest.mark.parametrize("fault", [{"end_s": -4e-3}, {"contacts_s": -3e-3}])
def test_a_badly_timed_end_or_contact_is_no_change_of_the_clock(fault):
    number, drop, middle = few(**fault)
    steady = mean_period(middle, number)
    told = no_surer_than_its_parts(steady, middle, drop, number)
    assert abs(told.period_s - 15.0) < 2.5 * told.period_uncertainty_s
    without = mean_period(middle[:-1], number[:-1])
    by_drops = mean_period(drop, number)
    variance = steady.period_uncertainty_s**2
    first = mean_period(middle[1:], number[1:])
    beyond = [
        (part.period_s - steady.period_s) ** 2 - max(part.period_uncertainty_s**2 - variance, 0.0)
        for part in (first, without, by_drops)
    ]
    assert told.period_uncertainty_s == pytest.approx(np.sqrt(variance + max(beyond)))
    assert told.period_uncertainty_s > 1.2 * steady.period_uncertainty_s


def test_many_beats_are_left_as_they_are():
    number, time = beats(np.random.default_rng(1), 65)
    steady = mean_period(time, number)
    assert no_surer_than_its_parts(steady, time, time + 1e-3 * number, number) is steady


def test_an_end_left_out_with_its_side_makes_no_beat_error_of_it():
    """Of side b two beats, one of them the last: what is left without it is so unsure that it adds nothing."""
    number = np.array([0, 1, 2, 4, 6, 9])
    time = 3.2 + 7.5 * number + 0.1 * (number % 2) + 1e-4 * np.array([1, -1, 1, -1, 1, -1])
    steady = mean_period(time, number)
    told = no_surer_than_its_parts(steady, time, time, number)
    assert told.period_uncertainty_s == pytest.approx(steady.period_uncertainty_s, rel=0.3)


def test_four_beats_that_agree_by_luck_are_not_sure():
    """Many clocks, four beats each, 1 ms of scatter: fewer than one in 200 is five standard uncertainties off.

    Without what timing hides it is one in a hundred: Student's distribution with one degree of freedom.
    """
    plain, told = [], []
    for seed in range(600):
        number, time = beats(np.random.default_rng([seed, 9]), 4)
        steady = mean_period(time, number)
        wider = with_what_timing_hides(steady, number)
        for ratios, one in ((plain, steady), (told, wider)):
            ratios.append(abs(one.period_s - 15.0) / one.period_uncertainty_s)
            ratios.append(abs(one.beat_error_s - 0.1) / one.beat_error_uncertainty_s)
    assert np.mean(np.array(plain) > 5) > 1 / 200
    assert np.mean(np.array(told) > 5) < 1 / 200


def test_what_timing_hides_is_nothing_beside_many_beats():
    number, time = beats(np.random.default_rng(2), 40)
    steady = mean_period(time, number)
    wider = with_what_timing_hides(steady, number)
    assert wider.period_s == steady.period_s
    assert 1 < wider.period_uncertainty_s / steady.period_uncertainty_s < 1.02


def test_what_timing_hides_is_one_difference_of_the_usual_scatter():
    """By the line's own formulas for five beats, H.3 of JCGM 100: slope and side, scatter 0.7 ms among two freedoms and one."""
    number, time = beats(np.random.default_rng(3), 5, sigma_s=0.0)
    steady = mean_period(time, number)
    wider = with_what_timing_hides(steady, number)
    factor = stats.t.ppf(0.975, 3) / stats.norm.ppf(0.975) * np.sqrt(1 + 8 / 5)
    scatter = 0.0007 * factor / np.sqrt(3)
    assert wider.period_uncertainty_s == pytest.approx(2 * scatter / np.sqrt(10), rel=1e-3)
    assert wider.beat_error_uncertainty_s == pytest.approx(2 * scatter / np.sqrt(5), rel=1e-3)
