"""Drops again: a second drop is found where it was put, and what is not like the drop, or is usual, is not sure.

Levels are written by hand: the room at level 60 in three bands, a drop 20 dB above it that falls by a decibel every
four frames. Two levels are a decibel. One frame is 0.5 ms.
"""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.hearing.placing import Placed
from torsionbeat.hearing.sounds_again import CONTROLS, NOT_SOUGHT, sounds_again
from torsionbeat.hearing.tail import _Tail, due
from torsionbeat.theory.edges import AFTER, BEFORE
from torsionbeat.tracks.bands import CHUNK_FRAMES, POWER_OF_LEVEL
from torsionbeat.tracks.fine_power import FinePower

ROOM, BEATS, PERIOD, FIRST = 60, 12, 10_000.0, 6_000
REACH = 600
"""A 5 s period allows 6 % of itself, 600 frames, which is less than 0.45 s."""
NEAREST = 50
"""25 ms."""
DROPS = FIRST + 10_000 * np.arange(BEATS)
FALL = np.arange(80) // 2
"""Levels lost with time: a decibel (two levels) every four frames."""


def sound(peak=40, colour=(0, -6, -12)):
    """Levels above the room, shape (80, 3): `peak` at its beginning in the loudest band."""
    return np.maximum(peak - FALL[:, None] + np.array(colour)[None, :], 0)


def levels(extras=(), drop=None):
    """The levels of twelve drops and of `extras`, (frame, sound) each, which stand above what is there."""
    made = np.full((int(DROPS[-1]) + 10_000, 3), ROOM, np.int64)
    for frame, what in (*((int(at), sound() if drop is None else drop) for at in DROPS), *extras):
        made[frame : frame + len(what)] = np.maximum(made[frame : frame + len(what)], ROOM + what)
    return made.astype(np.uint8)


def placed(frames=DROPS, certain=None):
    """The drops as the hearing places them, with the mean sound of the levels above."""
    count = len(frames)
    profile = np.zeros((BEFORE + AFTER, 3), np.float32)
    power = POWER_OF_LEVEL[ROOM + sound()] / POWER_OF_LEVEL[ROOM] - 1
    profile[BEFORE:] = power[:AFTER]
    return Placed(
        kind="drop", frame=np.asarray(frames, float), evidence=np.full(count, 100.0),
        certain=np.ones(count, bool) if certain is None else certain, usable=np.ones(count, bool),
        level_db=np.full(count, 20.0), profile=profile, edge=0.0, place=0.0, loudness_db=20.0, likeness=1.0,
        edge_uncertainty=0.1, softer_before=0.0, choices=np.zeros(9), chance=(1.0, 0.5),
        floor=np.full(3, POWER_OF_LEVEL[ROOM]), hidden=0.0,
    )  # fmt: skip


def sought(extras=(), *, contact=None, drop=None, **more):
    made = levels(extras, drop)
    chunks = -(-len(made) // CHUNK_FRAMES)
    floors = np.full((chunks, 3), POWER_OF_LEVEL[ROOM], np.float32)
    return sounds_again(FinePower(made, floors, None), placed(**more), contact, PERIOD)


def rows(found):
    return list(zip(found.row.tolist(), found.stretch.tolist(), found.frames.tolist(), strict=True))


def test_a_second_drop_is_found_with_its_beat_and_its_distance_and_nothing_else_is():
    found = sought([(int(DROPS[3]) + 200, sound()), (int(DROPS[7]) + 412, sound())])
    assert rows(found) == [(3, 0, 200.0), (7, 0, 412.0)]
    assert found.sure.all()
    assert found.searched.tolist() == list(range(BEATS))
    assert found.controls == CONTROLS == 4


def test_without_a_second_drop_there_is_none():
    found = sought()
    assert rows(found) == []
    assert len(found.searched) == BEATS


@pytest.mark.parametrize("after", [NEAREST - 10, NEAREST + REACH + 40])
def test_what_is_nearer_than_a_ring_or_farther_than_the_reach_is_none(after):
    assert rows(sought([(int(DROPS[5]) + after, sound(peak=80))])) == []


def test_sounds_before_the_contact_are_controls_counted_from_where_their_stretch_begins():
    # The second control stretch begins two reaches and two least distances before the drop.
    begins = int(DROPS[4]) - 2 * (REACH + NEAREST)
    found = sought([(begins + 100, sound())])
    assert rows(found) == [(4, 2, 100.0)]


def test_control_stretches_lie_before_the_contact_where_one_is_heard():
    contact = placed(frames=DROPS - 300)
    begins = int(DROPS[4]) - 300 - (REACH + NEAREST)
    assert rows(sought([(begins + 100, sound())], contact=contact)) == [(4, 1, 100.0)]


@pytest.mark.parametrize(
    ("peak", "is_found", "is_sure"),
    [(40, True, True), (26, True, True), (14, True, False), (4, False, False)],
    ids=["as loud", "7 dB softer", "13 dB softer, 7 dB above the room", "18 dB softer, 2 dB above the room"],
)
def test_a_softer_one_counts_for_echoes_alone_and_the_softest_for_nothing(peak, is_found, is_sure):
    found = sought([(int(DROPS[6]) + 300, sound(peak))])
    assert len(found.row) == is_found
    assert found.sure.tolist() == [is_sure] * is_found


def test_another_colour_of_sound_is_no_drop_and_half_a_likeness_is_not_sure():
    assert rows(sought([(int(DROPS[6]) + 300, sound(colour=(-12, -6, 0)))])) == []
    steady = np.zeros((80, 3), np.int64)
    steady[:40] = 36  # 18 dB above the room in every band alike, for 20 ms
    found = sought([(int(DROPS[6]) + 300, steady)])
    assert len(found.row) == 1
    assert not found.sure.any()


def test_what_comes_back_after_every_drop_is_an_echo_and_not_sure():
    found = sought([(int(at) + 240, sound(34)) for at in DROPS])
    assert rows(found) == [(beat, 0, 240.0) for beat in range(BEATS)]
    assert not found.sure.any()


@pytest.mark.parametrize("louder_db", [0, 6, 17])
def test_a_banking_that_comes_sooner_or_later_is_no_second_drop(louder_db):
    """From 100 to 145 ms after every drop, 9 dB softer than it: in one beat as loud as the drop and more, and usual all the same.
    Not so where it is louder than usual by far."""
    steps = (17 * np.arange(BEATS) % BEATS) * 8 + 200
    extras = [(int(at) + int(step), sound(22)) for at, step in zip(DROPS, steps, strict=True)]
    extras[5] = (extras[5][0], sound(22 + 2 * louder_db))
    assert sought(extras).sure.any() == (louder_db == 17)


def test_drops_that_are_not_certain_are_not_searched_and_of_nine_no_mean_is_known():
    certain = np.ones(BEATS, bool)
    certain[3] = False
    found = sought([(int(DROPS[3]) + 200, sound()), (int(DROPS[7]) + 200, sound())], certain=certain)
    assert rows(found) == [(7, 0, 200.0)]
    assert found.searched.tolist() == [0, 1, 2, *range(4, BEATS)]
    certain[[1, 2]] = False
    assert sought(certain=certain) is NOT_SOUGHT
    assert len(NOT_SOUGHT.searched) == 0


def test_beats_whose_stretches_reach_beyond_the_sound_are_not_searched():
    # Four control stretches of 650 frames before the drop: a drop at 2 600 has no room for the last.
    frames = DROPS.copy()
    frames[0] = 2_600
    assert sought(frames=frames).searched.tolist() == list(range(1, BEATS))


def test_a_sound_is_due_where_it_was_followed_moved_to_where_all_beats_rise():
    """Where it travels there is no one such place; where few beats had it, it was not followed."""
    main, certain = placed(), np.arange(BEATS) != 5
    travels, stays = np.linspace(260, 480, BEATS), np.full(BEATS, 290.0)
    away = np.where(certain, travels, 0.0)  # a beat that was not heard is of no weight
    np.testing.assert_allclose(due(main, placed(DROPS + away, certain), 350), travels)
    np.testing.assert_allclose(due(main, placed(DROPS + stays, certain), None), stays)
    np.testing.assert_allclose(due(main, placed(DROPS + stays, certain), 300), stays + 10)
    few = np.arange(BEATS) % 2 == 0
    np.testing.assert_allclose(due(main, placed(DROPS + travels, few), 300), 300.0)
    np.testing.assert_allclose(due(main, None, 300), 300.0)


@pytest.mark.parametrize("delay", [-30, 0, 12, NEAREST])
def test_a_tail_is_followed_for_as_long_as_a_ring_lasts_at_least(delay):
    """Rows in which a later sound was followed to the main one's place, or before it, leave a tail all the same."""
    made = levels()
    fine = FinePower(
        made, np.full((-(-len(made) // CHUNK_FRAMES), 3), POWER_OF_LEVEL[ROOM], np.float32), None
    )
    tail = _Tail.of(fine, [placed()], REACH)
    assert tail is not None
    added = tail.added(delay).added
    assert added is not None
    np.testing.assert_array_equal(added, tail.added(NEAREST).added)
    at = int(DROPS[3]) // 8
    # 20 dB above the room at its beginning, twice the mean
    assert added[at].max() == pytest.approx(200, rel=0.3)
