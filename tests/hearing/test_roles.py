"""Roles: contact and drop told apart from each other and from what is neither."""

from __future__ import annotations

import pytest

from torsionbeat.hearing.roles import Roles, evenly_ticking, roles_of

# place in frames, loudness in dB, share of beats in which it is certain
CONTACT, UNLOCKING, DROP, BANKING = (
    (-260.0, -50.0, 0.9),
    (-190.0, -55.0, 0.8),
    (0.0, -30.0, 1.0),
    (70.0, -48.0, 0.9),
)


def test_drop_alone():
    assert roles_of([[DROP]]) == [Roles(0, None)]
    assert roles_of([[DROP], [DROP]]) == [Roles(0, None), Roles(0, None)]


def test_contact_comes_first_and_drop_is_loudest():
    assert roles_of([[CONTACT, DROP]]) == [Roles(1, 0)]
    assert roles_of([[CONTACT, DROP], [CONTACT, DROP]]) == [Roles(1, 0), Roles(1, 0)]


def test_unlocking_and_banking_are_neither():
    side = [CONTACT, UNLOCKING, DROP, BANKING]
    assert roles_of([side]) == [Roles(2, 0)]
    assert roles_of([side, side]) == [Roles(2, 0), Roles(2, 0)]


def test_banking_after_a_lone_drop_is_no_drop():
    assert roles_of([[DROP, BANKING]]) == [Roles(0, None)]


def test_side_with_the_louder_contact_is_read_by_the_other_side():
    """A lift passage takes the same time both ways."""
    loud_contact = (-262.0, -25.0, 1.0)
    assert roles_of([[CONTACT, DROP], [loud_contact, DROP]]) == [Roles(1, 0), Roles(1, 0)]


def test_echo_is_no_drop_even_at_the_right_distance():
    """What is 10 dB softer than the side's loudest sound is not taken for its drop."""
    echo = (262.0, -40.0, 1.0)
    assert roles_of([[CONTACT, DROP], [DROP, echo]]) == [Roles(1, 0), Roles(0, None)]


def test_a_far_pair_is_no_echo_however_soft_its_drop():
    """Half a second after a sound no room echoes: contact 9 dB louder than the drop on one side."""
    loud = [(-2312.0, -30.3, 1.0), (0.0, -39.7, 1.0)]
    plain = [(-2304.0, -41.8, 1.0), (0.0, -37.2, 1.0)]
    assert roles_of([loud, plain]) == [Roles(1, 0), Roles(1, 0)]
    assert roles_of([loud, [DROP]]) == [Roles(1, 0), Roles(0, None)]


def test_sides_far_out_of_beat_are_put_right_by_an_unsure_sound():
    """Side b was found by its contact; its drop, 2072 frames later, is certain in half the beats only."""
    found_by_contact = [(0.0, -33.7, 1.0), (2072.0, -35.9, 0.59)]
    sides = [[(0.0, -27.8, 1.0)], found_by_contact]
    assert roles_of(sides, -2100.0, 120_000.0) == [Roles(0, None), Roles(1, 0)]
    # A clock in beat as it stands is left alone, and so is one that nothing puts right.
    assert roles_of(sides, 30.0, 120_000.0) == [Roles(0, None), Roles(0, None)]
    assert roles_of(sides, 4000.0, 120_000.0) == [Roles(0, None), Roles(0, None)]


def test_a_contact_with_another_passage_is_none_unless_it_alone_is_sure():
    """Side a has a sure contact 1856 frames ahead; what side b shows 7912 frames ahead is certain once in ten beats."""
    sure = [(-1856.0, -32.4, 1.0), (0.0, -28.5, 1.0)]
    odd = [(-7912.0, -38.1, 0.1), (0.0, -30.5, 1.0)]
    assert roles_of([sure, odd]) == [Roles(1, 0), Roles(1, None)]
    # With the same passage it stays, and of two unsure ones neither is better.
    assert roles_of([sure, [(-1800.0, -38.1, 0.1), (0.0, -30.5, 1.0)]]) == [Roles(1, 0), Roles(1, 0)]
    unsure = [(-1856.0, -32.4, 0.3), (0.0, -28.5, 1.0)]
    assert roles_of([unsure, odd]) == [Roles(1, 0), Roles(1, 0)]
    # Of two that are sure, five beats of a noisy room say nothing of which is right.
    assert roles_of([sure, [(-6300.0, -34.7, 1.0), (0.0, -28.5, 1.0)]]) == [Roles(1, None), Roles(1, None)]


@pytest.mark.parametrize(("later_db", "share", "drop"), [(-30.8, 1.0, 1), (-45.0, 1.0, 0), (-30.8, 0.7, 0)])
def test_nothing_as_loud_and_as_sure_follows_a_drop(later_db, share, drop):
    """Where the sound found first is the contact of a side whose partner has a drop only."""
    sides = [[DROP, (1568.0, later_db, share)], [DROP]]
    assert roles_of(sides)[0] == Roles(drop, 0 if drop else None)


@pytest.mark.parametrize("order", [1, -1])
def test_contact_on_one_side_only(order):
    sides = [[CONTACT, DROP], [DROP]][::order]
    assert roles_of(sides) == [Roles(1, 0), Roles(0, None)][::order]


def test_a_loud_drop_vouches_for_a_soft_one_at_the_same_distance():
    """Side b's drop is 12 dB under its contact; side a's, as loud as its own, falls just as long after it."""
    side_a, side_b = [(0.0, -25.3, 0.98), (408.0, -24.7, 1.0)], [(0.0, -23.9, 1.0), (400.0, -35.8, 0.98)]
    assert roles_of([side_a, side_b]) == [Roles(1, 0), Roles(1, 0)]
    # Where both are soft, or the distances differ, they may be echoes.
    echo = [(0.0, -23.9, 1.0), (408.0, -35.8, 0.98)]
    assert roles_of([echo, side_b]) == [Roles(0, None), Roles(0, None)]
    assert roles_of([side_a, [(0.0, -23.9, 1.0), (370.0, -35.8, 0.98)]])[1] == Roles(0, None)


def test_even_ticks_are_no_escapement():
    ticks = [(-6003.0, -24.1, 1.0), (-4001.0, -24.7, 1.0), (0.0, -24.4, 1.0), (2005.0, -24.0, 1.0)]
    assert evenly_ticking(ticks)
    # Three may be chance; one that is late, or louder, is not of them; the sounds of a beat are neither even nor alike.
    assert not evenly_ticking(ticks[:3])
    assert not evenly_ticking([*ticks[:3], (2105.0, -24.0, 1.0)])
    assert not evenly_ticking([*ticks[:3], (2005.0, -18.0, 1.0)])
    assert not evenly_ticking([CONTACT, UNLOCKING, DROP, BANKING])
    # Two tracks may have come upon the same sound.
    assert not evenly_ticking([*ticks, ticks[-1]])


def test_two_tracks_of_one_sound_are_no_pair():
    twice = [DROP, DROP]
    assert roles_of([twice, twice]) == roles_of([twice, [(0.0, -31.0, 1.0), (0.0, -31.0, 1.0)]])
