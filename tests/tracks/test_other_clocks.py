"""Other clocks: found by their interval, taken out, and a lone beat between their ticks left standing."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.tracks.cadence import autocorrelation, without_other_cadence
from torsionbeat.tracks.other_clocks import (
    OtherClock,
    _every_interval,
    find_other_clock,
    without_other_clock,
    without_other_clocks,
)

FRAME_S = 0.004


def room(seed, times, duration_s=150.0, height=30.0):
    """Strength of a room in which something sounds at given times, in three bands."""
    rng = np.random.default_rng(seed)
    strength = rng.standard_normal((int(duration_s / FRAME_S), 3)).astype(np.float32)
    at = np.rint(np.asarray(times) / FRAME_S).astype(int)
    for step, share in enumerate((1.0, 0.5, 0.2)):
        strength[at + step] += share * height
    return strength


@pytest.mark.parametrize("interval_s", [0.2, 0.5, 0.9, 1.0])
def test_interval_is_found(interval_s):
    ticks = np.arange(0.37, 149, interval_s * (1 + 40e-6))
    found = find_other_clock(room(1, ticks), FRAME_S, 2.2)
    # a quarter frame over the twenty or more intervals looked at
    assert found.interval_s == pytest.approx(interval_s, rel=1e-3)


def test_limping_clock_is_found_by_tick_or_by_tick_and_tock():
    ticks = np.arange(0.37, 149, 0.9)
    ticks[1::2] += 0.025
    found = find_other_clock(room(2, ticks), FRAME_S, 2.2)
    assert min(abs(found.interval_s / 0.9 - 1), abs(found.interval_s / 1.8 - 1)) < 2e-3


@pytest.mark.parametrize("turns_s", [7, 10, 29])
def test_a_fan_that_turns_to_and_fro_hides_no_fast_clock(turns_s):
    """Noise that swells and fades by 9 dB: the correlation swells with it, and is below zero at some of the ticks."""
    rng = np.random.default_rng(1)
    time = np.arange(int(150 / FRAME_S)) * FRAME_S
    power = (
        rng.gamma(6, 1 / 6, (len(time), 3)) * ((1 + 0.5 * np.sin(2 * np.pi * time / turns_s)) ** 2)[:, None]
    )
    strength = ((power - 1) * np.sqrt(6)).astype(np.float32)
    strength[np.rint(np.arange(0.37, 149, 0.25) / FRAME_S).astype(int)] += 3
    found = find_other_clock(strength, FRAME_S, 2.2)
    assert found is not None
    assert found.interval_s == pytest.approx(0.25, rel=1e-3)


@pytest.mark.parametrize("hum_hz", [41.7, 50.0, 60.0])
def test_a_hum_is_taken_out_and_is_no_clock(hum_hz):
    """It repeats at every whole number of its turns, of which one is 0.1 to 0.25 s."""
    rng = np.random.default_rng(4)
    time = np.arange(int(150 / FRAME_S)) * FRAME_S
    hum = 4 * (1 + np.sin(2 * np.pi * hum_hz * time)) + 2 * (1 + np.sin(4 * np.pi * hum_hz * time))
    strength = rng.standard_normal((len(time), 3)).astype(np.float32) + hum[:, None].astype(np.float32)
    found = find_other_clock(strength, FRAME_S, 2.2)
    assert found is not None
    assert found.hums
    left, others, added = without_other_clocks(strength, FRAME_S, 2.2)
    assert others == ()
    assert added is None  # it is there at every moment, and so in the floor
    assert np.std(left) < 0.6 * np.std(strength)
    # a clock beside it is one all the same
    strength += room(4, np.arange(0.37, 149, 0.5)) - rng.standard_normal(strength.shape).astype(np.float32)
    assert [round(one.interval_s, 2) for one in without_other_clocks(strength, FRAME_S, 2.2)[1]] == [0.5]


@pytest.mark.parametrize("interval_s", [0.1, 0.125, 0.2, 0.25, 1.0])
def test_ticks_are_no_hum(interval_s):
    """At ten a second every other line of the spectrum is faster than any clock ticks."""
    found = find_other_clock(room(3, np.arange(0.37, 149, interval_s * (1 + 40e-6))), FRAME_S, 2.2)
    assert found is not None
    assert not found.hums


@pytest.mark.parametrize("seed", range(3))
def test_room_without_a_fast_clock(seed):
    rng = np.random.default_rng(seed)
    drops = np.cumsum(rng.uniform(0.5, 2.5, 90))
    assert find_other_clock(room(seed, []), FRAME_S, 2.2) is None
    assert find_other_clock(room(seed, drops[drops < 149]), FRAME_S, 2.2) is None
    # a torsion clock is no fast clock
    assert find_other_clock(room(seed, np.arange(2, 149, 7.5), height=300), FRAME_S, 2.2) is None


def test_longest_interval_is_kept_to():
    ticks = np.arange(0.37, 149, 1.0)
    assert find_other_clock(room(3, ticks), FRAME_S, 0.4) is None
    assert find_other_clock(room(3, ticks)[: int(20 / FRAME_S)], FRAME_S, 2.2) is None  # 20 s are too few


def test_ticks_go_and_a_beat_between_them_stays():
    ticks = np.arange(0.37, 149, 1.0)
    strength = room(4, ticks)
    beats = np.rint(np.array([20.5, 50.5, 80.5]) / FRAME_S).astype(int)
    strength[beats] += 30
    left, added = without_other_clock(strength, FRAME_S, OtherClock(1.0, 100.0))
    at = np.rint(ticks[4:-4] / FRAME_S).astype(int)
    assert np.abs(left[at]).mean() < 2  # was 30
    assert left[beats].min() > 20
    assert np.median(added[at]) == pytest.approx(30, abs=5)
    assert added[beats].max() < 5


def test_loud_beat_upon_a_tick_still_stands_out():
    ticks = np.arange(0.37, 149, 1.0)
    strength = room(5, ticks)
    at = round(60.37 / FRAME_S)
    strength[at] += 60
    left, _ = without_other_clock(strength, FRAME_S, OtherClock(1.0, 100.0))
    assert left[at].min() > 10


def test_drifting_ticks_are_followed():
    """Interval known to 50 ppm only: after 500 s the ticks stand 25 ms from where it puts them."""
    ticks = np.arange(0.37, 499, 1.0)
    strength = room(6, ticks, 500.0)
    left, _ = without_other_clock(strength, FRAME_S, OtherClock(1.00005, 100.0))
    at = np.rint(ticks[200:-110] / FRAME_S).astype(int)
    assert np.median(np.abs(left[at])) < 3


def test_its_cadence_goes_and_the_torsion_clocks_stays():
    strength = room(7, np.arange(0.37, 599, 1.0), 600.0, height=6)
    beats = np.rint((2.613 + 15.25 * np.arange(39)) / FRAME_S).astype(int)
    strength[beats] += 6
    correlation = autocorrelation(strength, 20_000)
    left = without_other_cadence(correlation, FRAME_S, 1.0)
    torsion, quartz = round(15.25 / FRAME_S), round(13.0 / FRAME_S)
    assert correlation[quartz] > 10
    assert abs(left[quartz]) < 0.2 * correlation[quartz]
    assert left[torsion - 2 : torsion + 3].max() == pytest.approx(
        correlation[torsion - 2 : torsion + 3].max(), abs=3
    )


@pytest.mark.parametrize(("every", "ticks"), [(1, True), (3, False), (8, False)])
def test_a_sound_at_every_eighth_interval_is_no_tick(every, ticks):
    """A room whose sound lasts correlates a little at any distance: only what stands out at each multiple repeats there."""
    rng = np.random.default_rng(4)
    correlation = 1.0 + 0.3 * rng.standard_normal(22_500)  # 90 s of 4 ms
    interval_s = 1.872
    at = np.rint(interval_s * every * np.arange(1, int(90 / interval_s / every)) / 0.004).astype(int)
    correlation[at] += 10.0
    assert _every_interval(correlation.astype(np.float32), 0.004, interval_s) is ticks
