"""Bangs among beats: places that neighbours put right, and corners that are left as they were heard."""

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.hearing.beginnings import beginning_of
from torsionbeat.hearing.placing import expected_places, place
from torsionbeat.tracks.bands import POOLED_FRAMES, plan_bands
from torsionbeat.tracks.exact import match, searched_on
from torsionbeat.tracks.fine_power import FinePower
from torsionbeat.tracks.pattern import SoundTrack

PERIOD = 12_000.0
ROWS = np.arange(40)
NONE, ALL = np.zeros(40, bool), np.ones(40, bool)


def beats(seed: int) -> np.ndarray:
    """Places of a clock with a slow wander and half a frame of scatter."""
    rng = np.random.default_rng(seed)
    return 500 + PERIOD * ROWS + 3 * np.sin(ROWS / 9) + 0.5 * rng.standard_normal(40)


@pytest.mark.parametrize("row", [0, 1, 2, 20, 37, 38, 39])
def test_a_bang_does_not_draw_its_neighbours(row):
    true = beats(row)
    frames = true.copy()
    frames[row] -= 120
    expected, spread, settled = expected_places(frames, ROWS, ALL, NONE)
    # Half a frame of scatter in eight neighbours or four, carried on by two rows at the ends: three frames at most.
    assert np.abs(expected - true).max() < 4
    assert spread < 1.5
    assert np.flatnonzero(~settled).tolist() == [row]


def test_a_corner_stays_where_the_sounds_are_alike():
    frames = beats(1)
    frames[20:] += 8 * np.arange(20)
    bang = ALL.copy()
    bang[30] = False
    frames[30] -= 50
    _, _, settled = expected_places(frames, ROWS, ALL, bang)
    assert np.flatnonzero(~settled).tolist() == [30]


def test_weak_sounds_have_only_their_neighbours():
    frames = beats(2)
    frames[10] += 30
    assert not expected_places(frames, ROWS, ALL, NONE)[2][10]
    assert expected_places(frames, ROWS, ALL, ALL)[2][10]


def test_three_beats_say_nothing_of_each_other():
    frames = np.array([1.0, 2.0, 9.0])
    expected, _, settled = expected_places(frames, np.arange(3), np.ones(3, bool), np.zeros(3, bool))
    assert np.array_equal(expected, frames)
    assert settled.all()


RATE_HZ = 16_000


def ticks(times, rng, parts_s=(0.0,)):
    """Sound of equal ticks at the times, each in such parts, over faint noise."""
    sound = 0.001 * rng.standard_normal(int((times[-1] + 1) * RATE_HZ))
    grid = np.arange(len(sound)) / RATE_HZ
    for time in times:
        for start in (time + part_s for part_s in parts_s):
            near = (grid >= start) & (grid < start + 0.02)
            away = grid[near] - start
            sound[near] += 0.3 * np.exp(-away / 0.0015) * np.sin(2 * np.pi * 2700 * away)
    return sound.astype(np.float32)


def placed_at(chapter, times):
    """The ticks of a chapter, once in 1.5 s, placed from where a rough track has them."""
    plan = plan_bands(RATE_HZ)
    frames = np.rint((times - plan.frame_middle_s) / plan.frame_s / POOLED_FRAMES).astype(np.int64)
    track = SoundTrack(frames, np.ones(chapter.levels.shape[1], np.float32), np.full(len(times), 50.0), 10.0)
    return place(FinePower(chapter.levels, chapter.floors, None), track, track, 1.5 / plan.frame_s)


def in_two_parts(apart_s, count=24, step_s=1.5):
    """Sound of ticks in two parts as loud as each other, and when they begin: once in 1.5 s, within half a millisecond."""
    rng = np.random.default_rng(3)
    times = 0.7 + step_s * np.arange(count) + rng.uniform(-5e-4, 5e-4, count)
    return ticks(times, rng, (0.0, apart_s)), times


@pytest.mark.parametrize("apart_s", [0.014, 0.016, 0.019])
@pytest.mark.parametrize("at_second", [5, 12, 19])
def test_all_beats_of_a_sound_in_two_parts_begin_with_the_first(chapter_of, apart_s, at_second):
    """Contact and unlocking alike, and the search came upon the second in some of the beats: none is early by their gap."""
    sound, times = in_two_parts(apart_s)
    chapter = chapter_of(sound)
    plan = plan_bands(RATE_HZ)
    found = times.copy()
    found[np.random.default_rng(at_second).permutation(len(times))[:at_second]] += apart_s
    placed = placed_at(chapter, found)
    late_s = placed.frame * plan.frame_s + plan.frame_middle_s - times
    assert placed.certain.all()
    # the levels' windows of 1.5 ms show a sound up to 0.75 ms early
    assert np.abs(late_s + 0.0004).max() < 0.0008


@pytest.mark.parametrize(("late_s", "reached"), [(0.009, True), (-0.009, True), (0.013, False)])
def test_a_beat_at_an_end_of_the_search_is_searched_on(chapter_of, late_s, reached):
    """One of 30 beats falls 9 ms from where it is expected, and 5 ms are searched: as far again it is found. At 13 it is not."""
    due = 0.7 + 1.5 * np.arange(30)
    times = due.copy()
    times[17] += late_s
    chapter, plan = chapter_of(ticks(times, np.random.default_rng(4))), plan_bands(RATE_HZ)
    fine = FinePower(chapter.levels, chapter.floors, None)
    places = np.rint((due - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = match(fine, places, 10, prior_frames=6.0)
    found.frames[17] = places[17] + 10 * np.sign(late_s)
    on, at_an_end = searched_on(fine, found, places, 10, 6.0, 5.0)
    assert np.flatnonzero(at_an_end).tolist() == ([] if reached else [17])
    late = (on.frames + found.edge) * plan.frame_s + plan.frame_middle_s - times
    # the levels' windows of 1.5 ms show a sound up to 0.75 ms early
    assert np.abs(np.delete(late, 17) + 0.0004).max() < 0.0008
    if not reached:
        assert on.frames[17] == found.frames[17]
        return
    assert abs(late[17] + 0.0004) < 0.0008
    # 18 frames from its place, for which a spread of 6 takes 4.5 of the evidence
    free, _ = searched_on(fine, found, places, 10, 1e6, 5.0)
    assert free.evidence[17] - on.evidence[17] == pytest.approx(0.5 * (18 / 6.0) ** 2, abs=0.6)
    # below the evidence asked for it stays at the end
    assert searched_on(fine, found, places, 10, 6.0, 1e9)[1][17]


@pytest.mark.parametrize("at_an_end", [True, False])
def test_a_beat_at_an_end_of_the_search_is_not_sure(chapter_of, monkeypatch, at_an_end):
    times = 0.7 + 1.5 * np.arange(40) + 0.0005 * np.random.default_rng(1).standard_normal(40)
    chapter = chapter_of(ticks(times, np.random.default_rng(4)))
    monkeypatch.setattr(
        "torsionbeat.hearing.placing.searched_on",
        lambda fine, found, *given: (found, (np.arange(40) == 17) & at_an_end),
    )
    placed = placed_at(chapter, times)
    assert np.flatnonzero(~placed.certain).tolist() == ([17] if at_an_end else [])


def test_the_tail_of_a_louder_sound_is_no_evidence_for_another(chapter_of):
    """A track 180 ms after loud ticks whose room rings on: every place is drawn towards the tick, to the end of the search, and
    the power found there is that of the tail."""
    rng = np.random.default_rng(5)
    times = 0.7 + 1.5 * np.arange(24) + rng.uniform(-5e-4, 5e-4, 24)
    sound = 0.0005 * rng.standard_normal(int((times[-1] + 1) * RATE_HZ))
    ring = 0.03 * rng.standard_normal(RATE_HZ // 2) * np.exp(-np.arange(RATE_HZ // 2) / (0.045 * RATE_HZ))
    ring[:40] += 0.3 * rng.standard_normal(40)
    for time in times:
        at = int(time * RATE_HZ)
        sound[at : at + len(ring)] += ring[: len(sound) - at]
    after = placed_at(chapter_of(sound.astype(np.float32)), times + 0.18)
    drawn = after.usable & ~after.certain
    assert np.count_nonzero(drawn) > 12
    # certain beyond chance, and chance itself, differ by the logarithm of 40
    assert after.evidence[drawn].max() <= after.chance[1] + np.log(40) + 1e-9


@pytest.mark.parametrize("ahead", [14.0, 24.0, 36.0])
def test_an_edge_that_one_bang_made_is_no_beginning(chapter_of, ahead):
    """A click in a single beat may make the edge of the mean sound; the mean of all beats is quiet there, and rises later."""
    rng = np.random.default_rng(8)
    times = 0.7 + 1.5 * np.arange(24)
    chapter = chapter_of(ticks(times, rng))
    plan = plan_bands(RATE_HZ)
    fine = FinePower(chapter.levels, chapter.floors, None)
    found = match(fine, np.rint((times - plan.frame_middle_s) / plan.frame_s).astype(np.int64), 8)
    right = beginning_of(fine, found, np.ones(24, bool)).frames
    moved = beginning_of(fine, replace(found, edge=found.edge - ahead), np.ones(24, bool)).frames
    # where a share is passed, and where the rise begins: a millisecond
    assert moved == pytest.approx(right, abs=2.0)
