"""The account: contact and drop told apart from each other and from what is neither, and how surely."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp

from torsionbeat.hearing.account import Roles, Sound, accounts, evenly_ticking, log_of_passage, presence_curve

PERIOD = 120_000.0
CHANCE = (-4.0, 4.0)


def sound(place, loudness_db, share=1.0, evidence=400.0, rows=30):
    """A sound that is there in a share of the beats; elsewhere chance has its way."""
    rng = np.random.default_rng(round(abs(place)) + rows)
    there = np.arange(rows) < round(share * rows)
    own = evidence * np.exp(0.3 * rng.standard_normal(rows))
    return Sound.of(place, loudness_db, np.where(there, own, rng.uniform(*CHANCE, rows)), CHANCE)


CONTACT, UNLOCKING, DROP, BANKING = (
    sound(-2000.0, -36.0),
    sound(-1800.0, -45.0),
    sound(0.0, -30.0),
    sound(70.0, -42.0),
)


def roles_of(*sides, out_of_half=0.0):
    return list(accounts([list(side) for side in sides], out_of_half, PERIOD)[0].roles)


def odds(*sides, out_of_half=0.0):
    """How much likelier the best account is than the next."""
    first, second = accounts([list(side) for side in sides], out_of_half, PERIOD)[:2]
    return first.score - second.score


def test_drop_alone():
    assert roles_of([DROP]) == [Roles(0, None)]
    assert roles_of([DROP], [DROP]) == [Roles(0, None), Roles(0, None)]


def test_contact_and_drop():
    assert roles_of([CONTACT, DROP]) == [Roles(1, 0)]
    assert roles_of([CONTACT, DROP], [CONTACT, DROP]) == [Roles(1, 0), Roles(1, 0)]


def test_unlocking_and_banking_are_neither():
    side = [CONTACT, UNLOCKING, DROP, BANKING]
    assert roles_of(side, side) == [Roles(2, 0), Roles(2, 0)]
    assert odds(side, side) > 3


def test_banking_after_a_lone_drop_is_no_drop():
    assert roles_of([DROP, BANKING], [DROP, BANKING]) == [Roles(0, None), Roles(0, None)]


def test_contact_louder_than_the_drop_on_both_sides():
    side = [sound(-2000.0, -25.0), sound(0.0, -30.0)]
    assert roles_of(side, side) == [Roles(1, 0), Roles(1, 0)]


def test_side_with_the_louder_contact_is_read_by_the_other_side():
    """A lift passage takes the same time both ways."""
    assert roles_of([CONTACT, DROP], [sound(-2004.0, -25.0), DROP]) == [Roles(1, 0), Roles(1, 0)]


def test_an_echo_30_db_below_is_no_drop():
    """Half a second after a loud contact and its drop something soft is heard: no drop is so soft."""
    side = [sound(0.0, -21.0), sound(360.0, -22.0), sound(780.0, -52.0)]
    assert roles_of(side, side) == [Roles(1, 0), Roles(1, 0)]


def test_a_sound_heard_in_a_tenth_of_the_beats_is_no_contact():
    """It lies 130 ms before the contact of one side: as the contact it would put the beat error off by 65 ms."""
    seldom = sound(-2260.0, -34.0, share=0.1)
    assert roles_of([CONTACT, DROP], [seldom, CONTACT, DROP]) == [Roles(1, 0), Roles(2, 1)]
    assert odds([CONTACT, DROP], [seldom, CONTACT, DROP]) > 7


def test_faint_but_always_there_is_not_seldom_but_loud():
    """Evidence just above chance in every beat, against much evidence in a tenth of them."""
    rng = np.random.default_rng(1)
    faint = presence_curve(np.exp(rng.normal(np.log(9.0), 0.4, 40)), CHANCE)
    seldom = presence_curve(np.where(np.arange(40) < 4, 500.0, rng.uniform(*CHANCE, 40)), CHANCE)
    assert np.argmax(faint) > np.argmax(seldom) + 8


def test_sides_far_out_of_beat_are_put_right():
    """Side b was found by its contact; its drop, 2072 frames later, is certain in half the beats only."""
    found_by_contact = [sound(0.0, -33.7), sound(2072.0, -35.9, share=0.6)]
    own = [sound(-2080.0, -33.0), sound(0.0, -27.8)]
    assert roles_of(own, found_by_contact, out_of_half=-2100.0) == [Roles(1, 0), Roles(1, 0)]
    # A clock in beat as it stands is left alone.
    assert roles_of([sound(0.0, -27.8)], [sound(0.0, -33.7)], out_of_half=30.0) == [
        Roles(0, None),
        Roles(0, None),
    ]


def test_a_sound_there_in_half_of_the_beats_leaves_doubt():
    """It may be the contact of side b, timed from a part that the room often hides, or something else 130 ms before it."""
    side = [sound(-2260.0, -36.0, share=0.5), CONTACT, DROP]
    assert odds([CONTACT, DROP], side) < odds(
        [CONTACT, DROP], [sound(-2260.0, -36.0, share=0.1), CONTACT, DROP]
    )
    scores = [
        account.score for account in accounts([[DROP], [sound(-2000.0, -36.0, share=0.5), DROP]], 0.0, PERIOD)
    ]
    assert np.exp(scores[0] - logsumexp(scores)) < 0.999


@pytest.mark.parametrize("order", [1, -1])
def test_contact_on_one_side_only(order):
    sides = [[CONTACT, DROP], [DROP]][::order]
    assert roles_of(*sides) == [Roles(1, 0), Roles(0, None)][::order]


def test_no_lift_is_so_short_or_so_long():
    assert log_of_passage(70.0, PERIOD) == -np.inf
    assert log_of_passage(0.08 * PERIOD, PERIOD) == -np.inf
    # a density: over all passages it comes to one, less what lies below 60 ms and above 7.5 % of the period
    at = np.arange(120.0, 0.075 * PERIOD, 10.0)
    assert np.sum(10 * np.exp([log_of_passage(one, PERIOD) for one in at])) == pytest.approx(1.0, abs=0.02)


def test_even_ticks_are_no_escapement():
    ticks = [(-6003.0, -24.1, 1.0), (-4001.0, -24.7, 1.0), (0.0, -24.4, 1.0), (2005.0, -24.0, 1.0)]
    assert evenly_ticking(ticks)
    # Three may be chance; one that is late, or louder, is not of them; the sounds of a beat are neither even nor alike.
    assert not evenly_ticking(ticks[:3])
    assert not evenly_ticking([*ticks[:3], (2105.0, -24.0, 1.0)])
    assert not evenly_ticking([*ticks[:3], (2005.0, -18.0, 1.0)])
    beat = [(-260.0, -50.0, 0.9), (-190.0, -55.0, 0.8), (0.0, -30.0, 1.0), (70.0, -48.0, 0.9)]
    assert not evenly_ticking(beat)
    # Two tracks may have come upon the same sound.
    assert not evenly_ticking([*ticks, ticks[-1]])
