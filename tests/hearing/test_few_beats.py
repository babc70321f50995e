"""A handful of beats: the right account is sure, a room gives none, and an ordinary clock is taken for what it is."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.hearing.few_beats import few_beats
from torsionbeat.hearing.segment import LEAST_SHARE, MISTOLD

LENGTH_S = 30.0


def clock(period_s=6.0, passage_s=0.12, late_s=0.02, start_s=1.3, contact_db=24.0, jitter_s=0.002, seed=0):
    """Times and levels of every contact and drop within LENGTH_S."""
    rng = np.random.default_rng(seed)
    rows = np.arange(0, int(LENGTH_S / period_s) + 1)
    times, levels = [], []
    for half, late in ((0.0, 0.0), (0.5, late_s)):
        for ahead, level in ((0.0, 30.0), (passage_s, contact_db)):
            at = start_s + (rows + half) * period_s + late - ahead + jitter_s * rng.standard_normal(len(rows))
            times.append(at)
            levels.append(level + rng.standard_normal(len(rows)))
    times, levels = np.concatenate(times), np.concatenate(levels)
    inside = (times > 0) & (times < LENGTH_S)
    return times[inside], levels[inside]


def room(count, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, LENGTH_S, count), 7 + rng.exponential(4.0, count)


def joined(*parts):
    times, levels = (np.concatenate(values) for values in zip(*parts, strict=True))
    order = np.argsort(times)
    return times[order], levels[order]


def test_two_and_a_half_periods_among_room_sounds():
    times, levels = joined(clock(), room(25))
    early = times < 15.0
    best = few_beats(times[early], levels[early], 15.0, 6.0)[0]
    assert best.share > 0.99
    assert best.score > 8
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.passage_s == pytest.approx(0.12, abs=0.006)
    assert abs(best.out_of_half_s) == pytest.approx(0.02, abs=0.008)


def test_a_room_is_no_clock():
    for seed in range(6):
        found = few_beats(*joined(room(30, seed)), LENGTH_S, 6.0)
        assert not found or found[0].score < 8


def test_an_even_train_is_taken_out_first():
    """A quartz clock alone, six ticks to the period told; and one beside the clock."""
    ticks = np.arange(0.4, LENGTH_S, 1.0), np.full(30, 25.0)
    found = few_beats(*ticks, LENGTH_S, 6.0)
    assert not found or found[0].score < 8
    best = few_beats(*joined(clock(contact_db=27.0), ticks), LENGTH_S, 6.0)[0]
    assert best.passage_s == pytest.approx(0.12, abs=0.006)


def test_what_falls_into_a_gap_is_not_missing():
    times, levels = joined(clock(), room(25))
    gap = (times > 8.0) & (times < 17.0)
    told = few_beats(times[~gap], levels[~gap], LENGTH_S, 6.0, gaps=((8.0, 17.0),))[0]
    untold = few_beats(times[~gap], levels[~gap], LENGTH_S, 6.0)[0]
    assert told.passage_s == pytest.approx(0.12, abs=0.006)
    assert told.score > untold.score + 10


def test_equal_sounds_are_not_sure():
    """Of three evenly sounding peaks a side nobody can say which two are contact and drop."""
    times, levels = joined(
        clock(contact_db=30.0, late_s=0.0), clock(passage_s=0.24, contact_db=30.0, late_s=0.0)
    )
    assert few_beats(times, levels, LENGTH_S, 6.0)[0].share < 0.999


def test_half_the_period_is_a_rival_by_how_often_periods_are_told_twice():
    """A clock in beat sounds like one of half its period with one side: what people tell decides, by the odds given."""
    alone = few_beats(*joined(clock(late_s=0.0), room(10)), LENGTH_S, 6.0)
    best = alone[0].score
    shares = {}
    for prior in (0.5, 0.01):
        found = few_beats(*joined(clock(late_s=0.0), room(10)), LENGTH_S, 6.0, rivals=((3.0, prior),))
        half = max(one.score for one in found if one.period_s < 4)
        whole = max(one.score for one in found if one.period_s > 4)
        assert whole == pytest.approx(best + np.log(1 - prior), abs=1e-9)
        shares[prior] = half
        assert sum(one.share for one in found) == pytest.approx(1.0)
        assert [one.score for one in found] == sorted((one.score for one in found), reverse=True)
    assert shares[0.5] - shares[0.01] == pytest.approx(np.log(0.5 / 0.01), abs=1e-9)


def test_a_period_told_at_half_is_found_at_the_whole():
    """Told 3 s of a clock of 6 s that is out of beat: the whole explains more, though only one in twenty tells half."""
    best = few_beats(*joined(clock(late_s=0.15), room(10)), LENGTH_S, 3.0, rivals=((1.5, 0.01), (6.0, 0.05)))[
        0
    ]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.share > 0.99


@pytest.mark.parametrize("times_told", [3, 4])
def test_a_clock_that_goes_several_times_in_the_period_told_is_found(times_told):
    """Told 18 or 24 s of a clock of 6: two sides of the longer period are beats of one side, and there are more between."""
    rivals = ((3.0 * times_told, 0.01), (12.0 * times_told, 0.05))
    best = few_beats(*joined(clock(late_s=0.05), room(10)), LENGTH_S, 6.0 * times_told, rivals=rivals)[0]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert abs(best.out_of_half_s) == pytest.approx(0.05, abs=0.01)
    assert best.share > 0.99


def test_a_clock_in_beat_is_sure_after_two_and_a_half_periods():
    """Half its period with one side explains its sounds nearly as well: by how seldom twice is told it is sure all the same."""
    times, levels = joined(clock(late_s=0.0), room(10))
    early = times < 15.0
    rivals = tuple((times_told * 6.0, share) for times_told, share in MISTOLD)
    best = few_beats(times[early], levels[early], 15.0, 6.0, rivals=rivals)[0]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.share > LEAST_SHARE
