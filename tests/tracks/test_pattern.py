"""The pattern of a beat in made strength: sides, partner half a period away, contact and drop."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.tracks.pattern import CLEAR_TRACK_SCORE, halves, pattern_at, sounds_round

PERIOD = 1500  # frames of 4 ms: 6 s
ROWS = 30
CONTACT, DROP_A, DROP_B = 360, 400, 1140


def strength(seed, places, height=8.0, spread=1.0, missing=()):
    """Rising strength with a sound at each place of every period, in two of three bands."""
    rng = np.random.default_rng(seed)
    up = np.clip(rng.standard_normal((PERIOD * ROWS, 3)), -2, 12).astype(np.float32)
    rows = np.setdiff1d(np.arange(ROWS), missing)
    for place in places:
        at = place + PERIOD * rows + np.rint(spread * rng.standard_normal(len(rows))).astype(int)
        for step in (0, 1):
            up[at + step, :2] += height
    return np.clip(up, -3, 12)


def of_place(track, place):
    """Distances of a track's frames within the sound from where the place puts them."""
    inside = (track.frames >= 0) & (track.frames < PERIOD * ROWS)
    away = track.frames[inside] - place
    return away - PERIOD * np.rint(away / PERIOD)


def test_both_sides_are_followed():
    pattern = pattern_at(strength(1, [DROP_A, DROP_B]), PERIOD)
    tracks = {DROP_A: pattern.first, DROP_B: pattern.second}
    if abs(np.median(of_place(pattern.first, DROP_A))) > 100:
        tracks = {DROP_A: pattern.second, DROP_B: pattern.first}
    for place, track in tracks.items():
        # spread of one frame, a sound of two
        assert np.median(np.abs(of_place(track, place))) <= 2
        assert track.score > 9


def test_period_a_little_off_is_followed_too():
    pattern = pattern_at(strength(2, [DROP_A, DROP_B]), PERIOD * 1.0008)
    # 1.2 frames a period: within what a track may step
    for track in (pattern.first, pattern.second):
        away = np.minimum(np.abs(of_place(track, DROP_A)), np.abs(of_place(track, DROP_B)))
        assert np.median(away) <= 2


@pytest.mark.parametrize("missing", [(), (ROWS - 1,)])
def test_the_other_side_may_be_heard_first_and_last(missing):
    """The softer side sounds half a period before the louder one: each of its beats is followed, and none that is not there."""
    up = strength(8, [950], missing=missing) + strength(9, [200], height=5.0)
    pattern = pattern_at(up, PERIOD)
    assert pattern.first.frames[0] == pytest.approx(950, abs=4)
    expected = 200 + PERIOD * np.arange(ROWS)
    found = pattern.second.frames[(pattern.second.frames >= 0) & (pattern.second.frames < len(up))]
    # spread of one frame, a sound of two, and a smoothing over three
    np.testing.assert_allclose(found, expected, atol=6)


def test_the_score_of_a_short_track_is_hardly_a_matter_of_the_draw():
    """A clear track of 20 rows in 16 noises: its score scatters by less than a fifth. From one rotation it is a quarter."""
    logs = []
    for seed in range(16):
        pattern = pattern_at(strength(20 + seed, [DROP_A, DROP_B])[: 20 * PERIOD], PERIOD)
        logs.append(np.log(pattern.second.score))
    assert np.exp(min(logs)) > CLEAR_TRACK_SCORE
    assert np.std(logs) < 0.2


def test_missing_beats_do_not_lose_the_track():
    pattern = pattern_at(strength(3, [DROP_A, DROP_B], missing=[4, 11, 12, 20]), PERIOD)
    away = np.minimum(np.abs(of_place(pattern.first, DROP_A)), np.abs(of_place(pattern.first, DROP_B)))
    assert np.median(away) <= 2


def test_one_sided_clock_has_no_second_side():
    pattern = pattern_at(strength(4, [DROP_A]), PERIOD)
    assert pattern.second is None
    assert np.median(np.abs(of_place(pattern.first, DROP_A))) <= 2


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_not_followed_far(seed):
    pattern = pattern_at(strength(seed, []), PERIOD)
    assert pattern is None or pattern.first.score < 9 or pattern.second is None


def test_contact_is_found_before_the_drop():
    up = strength(5, [DROP_A, DROP_B, CONTACT])
    pattern = pattern_at(up, PERIOD)
    side = pattern.first if abs(np.median(of_place(pattern.first, DROP_B))) > 100 else pattern.second
    sounds = sounds_round(up, side, PERIOD)
    assert len(sounds) == 2
    for sound, place in zip(sounds, (CONTACT, DROP_A), strict=True):
        assert np.median(np.abs(of_place(sound, place))) <= 2


def test_drop_alone_gets_no_companion():
    up = strength(6, [DROP_A, DROP_B])
    pattern = pattern_at(up, PERIOD)
    assert len(sounds_round(up, pattern.first, PERIOD)) == 1


def test_half_periods_are_dealt_out_to_two_sides():
    up = strength(7, [DROP_A, DROP_A + PERIOD // 2])
    both = halves(up, pattern_at(up, PERIOD / 2))
    assert both.period_frames == PERIOD
    shift = np.median(both.second.frames[:20] - both.first.frames[:20])
    assert abs(shift) == pytest.approx(PERIOD / 2, abs=3)
    for track in (both.first, both.second):
        assert np.median(np.diff(track.frames)) == pytest.approx(PERIOD, abs=2)
