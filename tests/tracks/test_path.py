"""Paths: tops of the evidence, the clock as a Kalman filter, and the best way through all rows."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.tracks import path
from torsionbeat.tracks.path import (
    REACH,
    _Beam,
    _best_path,
    _Density,
    _hear,
    _let_go,
    _level,
    _smooth,
    _straight,
    _tops,
)

WIDE = 2 * REACH + 1


def row_of(*tops, floor=0.0):
    """A row of evidence with tops at (shift, height)."""
    row = np.full(WIDE, floor, np.float32)
    for at, height in tops:
        row[at] = height
    return row


def test_tops_are_the_highest_five_ms_apart_and_six_at_most():
    assert _tops(row_of((50, 4.0), (60, 9.0), (69, 8.0), (100, 3.0), (200, 3.5))) == [60, 50, 200]
    many = row_of(*((20 * number, 10.0 + number) for number in range(1, 10)))
    assert _tops(many) == [180, 160, 140, 120, 100, 80]
    assert _tops(row_of((0, 50.0), (WIDE - 1, 50.0))) == []  # at the edge nobody knows whether it is one
    flat = row_of((80, 7.0), (81, 7.0))
    assert _tops(flat) == [81]  # of two alike the later


def test_a_line_through_places_is_not_drawn_by_a_third_of_them():
    rows = np.array([0, 1, 2, 4, 5, 6, 8, 9, 10, 11, 12, 13])
    places = np.round(1000 + 240.5 * rows).astype(np.int64)
    places[[3, 7]] += 90
    assert np.abs(_straight(rows, places) - (1000 + 240.5 * rows)).max() < 1.0  # rounded places


def test_smoothing_follows_a_bend_and_reaches_over_what_was_not_heard():
    rows = np.arange(40)
    true = 500 + 3.0 * rows + 0.02 * rows**2
    heard = np.ones(40, bool)
    heard[18:21] = False
    places = np.where(heard, true, 0.0)
    found = _smooth(rows, places, heard)
    # nine neighbours of a parabola: the line through them is off by its mean square, at the ends by up to 9 rows' bend
    assert np.abs(found - true)[5:-5].max() < 0.6
    assert np.abs(found - true).max() < 1.5
    few = np.zeros(40, bool)
    few[[3, 20, 30]] = True
    assert _smooth(rows, true, few)[0] == true[20]  # three say only where, not which way


def test_the_level_is_that_of_the_sounds_where_they_were_taken_to_be():
    heights = np.exp([1.0, 2.0, 3.0, 4.0, 5.0])
    gained = np.array([row_of((REACH + 10, height)) for height in heights])
    middle, spread = _level(gained, np.full(5, 10), np.ones(5, bool))
    assert middle == pytest.approx(3.0, abs=1e-6)
    assert spread == pytest.approx(1.2)  # 1.4826 of one, not above 1.2
    same = np.array([row_of((REACH, np.exp(2.0)))] * 5)
    assert _level(same, np.zeros(5, int), np.ones(5, bool)) == pytest.approx((2.0, 0.35))
    heard = np.array([True, False, True, False, True])
    assert _level(gained, np.full(5, 10), heard)[0] == pytest.approx(3.0)
    assert _level(gained, np.full(5, 10), ~heard)[0] == pytest.approx(3.0)
    assert _level(gained[:3], np.full(3, -15), np.ones(3, bool))[0] == 0.0  # 25 frames off: another's


def test_the_density_is_a_smoothed_count_a_frame():
    """One top of evidence e in 100 frames: a normal curve of width one half over its logarithm."""
    density = _Density(np.array([1.0]), 100)
    peak = 1 / (0.5 * np.sqrt(2 * np.pi))
    assert density.log_at(np.e) == pytest.approx(np.log((peak + 0.1) / 100))
    assert density.log_at(np.exp(1.5)) == pytest.approx(np.log((peak * np.exp(-0.5) + 0.1) / 100))
    assert density.log_at(0.2) == pytest.approx(density.log_at(1.0))  # below one all is alike


def start():
    return _Beam(np.zeros(1), np.zeros((1, 2)), np.array([np.diag([100.0, 16.0])]), [])


def test_the_clock_goes_on_by_its_period_and_is_less_sure():
    beam = start()
    beam.state[0] = [5.0, 2.0]
    _let_go(beam, 3.0)
    assert beam.state[0] == pytest.approx([11.0, 2.0])
    # phase: 100 + 3^2 of the period's 16, and a frame's square a period of its own
    assert beam.spread[0] == pytest.approx(np.array([[100 + 9 * 16 + 3.0, 48.0], [48.0, 16 + 0.75]]))


def test_a_sound_draws_the_path_as_a_kalman_filter_does():
    """Variance 100 against a scatter of 5: four fifths of the way, but for the share that may be anywhere."""
    beam = start()
    _hear(beam, [(REACH + 10, 2.0)], 0.0, 5.0)
    not_heard, heard = (np.flatnonzero([shift[0] == wanted for shift in [beam.chosen[-1][1][[n]] for n in range(2)]])[0]
                        for wanted in (-1, REACH + 10))  # fmt: skip
    assert beam.score[not_heard] == pytest.approx(np.log(1 - 0.93))
    assert beam.state[not_heard] == pytest.approx([0.0, 0.0])
    regular = np.log(0.97) - 0.5 * 100 / 125 - 0.5 * np.log(2 * np.pi * 125)
    either = np.logaddexp(regular, np.log(0.03 / (2 * REACH)))
    trust = np.exp(regular - either)
    assert beam.score[heard] == pytest.approx(2.0 + either)
    assert beam.state[heard] == pytest.approx([10 * 0.8 * trust, 0.0])
    assert beam.spread[heard][0, 0] == pytest.approx(100 - trust * 0.8 * 100)
    assert 0.9 < trust < 1


def test_an_offset_of_the_row_is_taken_off():
    beam = start()
    _hear(beam, [(REACH + 10, 0.0)], -10.0, 5.0)  # the row's centre lies 10 frames early: the line is at +10
    heard = int(np.argmax(beam.chosen[-1][1]))
    assert beam.state[heard] == pytest.approx([0.0, 0.0])


def test_paths_that_come_to_the_same_state_are_one_and_the_better_stays():
    beam = _Beam(np.array([0.0, -1.0]), np.zeros((2, 2)), np.array([np.diag([100.0, 16.0])] * 2), [])
    _hear(beam, [], 0.0, 5.0)
    assert len(beam.score) == 1
    assert beam.score[0] == pytest.approx(np.log(0.07))
    assert beam.chosen[-1][0].tolist() == [0]


def best(rows_of_tops, *, level=(5.0, 0.5), scatter=3.0):
    gained = np.array([row_of(*tops) for tops in rows_of_tops])
    rows = np.arange(len(gained))
    return _best_path(
        rows, 1000 * rows + 5000, gained, level, _Density(np.array([1.5, 2.0]), 10_000), scatter
    )


def test_the_best_path_takes_the_clock_s_own_sound_through_a_louder_bang():
    own, height = REACH + 12, np.exp(5.0)
    rows = [[(own, height), (40, np.exp(4.5))] if number == 6 else [(own, height)] for number in range(12)]
    rows[3] = []
    shifts, odds = best(rows)
    assert shifts.tolist() == [-1 if number == 3 else own for number in range(12)]
    assert odds == np.inf or odds > 5


def test_the_odds_are_against_a_path_that_truly_differs():
    """Two tracks alike but for their evidence: one at the level learnt, the other a spread below; twelve rows of each."""
    near, far = REACH - 30, REACH + 30
    shifts, odds = best([[(near, np.exp(5.0)), (far, np.exp(4.5))]] * 12)
    assert set(shifts.tolist()) == {near}
    # each row: half a spread's square, less what the density makes of the lower height
    density = _Density(np.array([1.5, 2.0]), 10_000)
    expected = 12 * (0.5 + density.log_at(np.exp(4.5)) - density.log_at(np.exp(5.0)))
    assert odds == pytest.approx(
        expected, rel=0.15
    )  # rows where both take the same are not counted among the rivals
    alike, even = best([[(near, np.exp(5.0)), (far, np.exp(5.0) * 0.999)]] * 12)
    assert set(alike.tolist()) in ({near}, {far})
    assert even < 1


def test_too_few_rows_stay_as_they_were():
    class Fine:
        levels = np.zeros((100_000, 1))

    frames = np.array(
        [100, 20_000, 30_000, 40_000, 50_000, 60_000, 99_900]
    )  # the first and the last at the edge
    assert path.reassociated(Fine(), frames, 10_000.0) is frames
