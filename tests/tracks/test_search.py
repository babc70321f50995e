"""Which period: the clock's own, with and without a word beforehand, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.tracks.search import Wanted, _as_before, find_clock

FRAME_S = 0.004
ANY = Wanted(None, 4.0, 121.0)


def rising(seed, clocks, duration_s=240.0, height=8.0):
    """Rising strength of clocks, each (period, first drop, beat error in s), in bands of their own."""
    rng = np.random.default_rng(seed)
    up = rng.standard_normal((int(duration_s / FRAME_S), 4)).astype(np.float32)
    for number, (period_s, first_s, error_s) in enumerate(clocks):
        times = np.arange(first_s, duration_s - 0.5, period_s / 2)
        times[1::2] += error_s
        times += 0.003 * rng.standard_normal(len(times))
        at = np.rint(times / FRAME_S).astype(int)
        for step in (0, 1):
            up[at + step, 2 * number : 2 * number + 2] += height
    return np.clip(up, -3, 12)


@pytest.mark.parametrize("period_s", [6.0, 12.31, 15.004])
@pytest.mark.parametrize("told", [True, False])
def test_period_is_found_told_or_not(period_s, told):
    wanted = Wanted(period_s * 1.01, 4.0, 121.0) if told else ANY
    found = find_clock(rising(1, [(period_s, 1.7, 0.2)]), FRAME_S, wanted)
    assert found.period_s == pytest.approx(period_s, rel=1e-3)  # what a track follows
    assert found.pattern.second is not None


def test_a_clock_heard_before_is_followed_without_a_search(monkeypatch):
    """Its sounds are those that a search finds; one whose period has changed is searched for."""
    up = rising(1, [(12.31, 1.7, 0.2)], duration_s=600.0)
    searched = find_clock(up, FRAME_S, Wanted(12.31, 4.0, 121.0))
    assert find_clock(up, FRAME_S, Wanted(15.0, 4.0, 121.0, heard=True)).period_s == pytest.approx(
        12.31, rel=1e-3
    )
    monkeypatch.setattr("torsionbeat.tracks.search.autocorrelation", None)
    found = find_clock(up, FRAME_S, Wanted(12.312, 4.0, 121.0, heard=True))
    for one, other in (
        (found.pattern.first, searched.pattern.first),
        (found.pattern.second, searched.pattern.second),
    ):
        away = one.frames[:, None] - other.frames[None, :]
        # a frame or two: the sounds are two frames long
        assert np.median(np.abs(away).min(axis=1)) <= 1


def test_a_clock_heard_before_that_is_not_clear_is_searched_for():
    """Eight periods do not show both sides beyond doubt: other periods are tried too, and the same clock is found."""
    up = rising(1, [(12.31, 1.7, 0.2)], duration_s=100.0)
    wanted = Wanted(12.31, 4.0, 121.0, heard=True)
    assert _as_before(up, FRAME_S, wanted) is None
    assert find_clock(up, FRAME_S, wanted).period_s == pytest.approx(12.31, rel=1e-3)


def test_nominal_period_that_contradicts_does_not_hide_the_clock():
    found = find_clock(rising(2, [(6.0, 1.7, 0.02)]), FRAME_S, Wanted(15.0, 4.0, 121.0))
    assert found.period_s == pytest.approx(6.0, rel=1e-3)


@pytest.mark.parametrize("period_s", [12.0, 9.7])
def test_of_two_clocks_the_one_that_was_told(period_s):
    up = rising(3, [(12.0, 1.7, 0.1), (9.7, 2.2, -0.1)])
    assert find_clock(up, FRAME_S, Wanted(period_s, 4.0, 121.0)).period_s == pytest.approx(period_s, rel=1e-3)


def test_what_is_left_of_another_clock_hides_no_slower_one():
    """A clock that ticks each second was taken out, and some of it is left, every six seconds: that is followed as surely as
    the clock, which is out of step with it."""
    up = np.maximum(
        rising(7, [(60.004, 1.7, 0.2)], 1200.0), rising(8, [(12.0, 3.3, 0.0)], 1200.0, height=5.0)
    )
    found = find_clock(up, FRAME_S, Wanted(60.0, 4.0, 121.0), (1.0,))
    assert found.period_s == pytest.approx(60.004, rel=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_noise_holds_no_clock(seed):
    assert find_clock(rising(seed, []), FRAME_S, ANY) is None
    assert find_clock(rising(seed, []), FRAME_S, Wanted(15.0, 4.0, 121.0)) is None


@pytest.mark.parametrize("seed", range(4))
def test_sounds_at_random_times_are_no_clock(seed):
    up = rising(seed, [])
    times = np.sort(np.random.default_rng([seed, 1]).uniform(1, 239, 80))
    up[np.rint(times / FRAME_S).astype(int)] += 10
    assert find_clock(up, FRAME_S, ANY) is None


def test_too_short_a_sound():
    assert find_clock(rising(5, [], duration_s=5.0), FRAME_S, ANY) is None


@pytest.mark.parametrize("periods", np.arange(0.9, 1.3, 0.025).round(3))
def test_a_stretch_of_little_more_than_one_period_is_searched_without_a_stumble(periods):
    """From one period told to 1.05 there is no lag within 4.5 % of it: nothing is found, and nothing fails."""
    up = rising(5, [(12.0, 1.7, 0.1)], duration_s=12.0 * periods)
    found = find_clock(up, FRAME_S, Wanted(12.0, 4.0, 121.0))
    assert found is None or found.period_s < 12.0 * periods


@pytest.mark.parametrize("hum_hz", [41.7, 60.0])
def test_a_hum_makes_no_period_of_an_untold_clock(hum_hz):
    """A fan, in two bands, beside a clock of 15 s whose period is not told."""
    series = rising(6, [(15.0, 1.7, 0.2)], duration_s=600.0)
    time = np.arange(len(series)) * FRAME_S
    series[:, 2:] += (2 * np.sin(2 * np.pi * hum_hz * time)).astype(np.float32)[:, None]
    found = find_clock(series, FRAME_S, Wanted(None, 4.0, 121.0))
    assert found is not None
    assert found.period_s == pytest.approx(15.0, rel=1e-3)


def test_a_clear_clock_told_at_twice_its_period_is_not_given_up_for_something_faint_near_it():
    """12 s, and half as loud something of 23.1 s on one side only; 24 s was told."""
    up = rising(2, [(12.0, 1.7, 0.2)], duration_s=900.0)
    at = np.rint(np.arange(3.1, 899.0, 23.1) / FRAME_S).astype(int)
    up[at, 2:] += 8.0
    told = find_clock(up, FRAME_S, Wanted(24.0, 4.0, 121.0))
    assert told is not None
    assert told.period_s == pytest.approx(12.0, rel=1e-3)
    # told as it is, the faint one is what was asked for
    own = find_clock(up, FRAME_S, Wanted(23.1, 4.0, 121.0))
    assert own is not None
    assert own.period_s == pytest.approx(23.1, rel=1e-3)
