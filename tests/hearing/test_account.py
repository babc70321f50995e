"""The account: contact and drop told apart from each other and from what is neither, and how surely."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import logsumexp

from torsionbeat.hearing.account import Roles, Sound, _choices, accounts, presence_curve
from torsionbeat.hearing.priors import UNLOCKING as MANY_UNLOCKINGS
from torsionbeat.hearing.priors import last_rebound, log_of_passage, log_of_rebound, log_of_unlocking
from torsionbeat.hearing.rivals import odds_of_lone_contact, odds_of_mixed
from torsionbeat.tracks.exact import likeness_of
from torsionbeat.tracks.other_clocks import evenly_ticking

PERIOD = 120_000.0
CHANCE = (-4.0, 4.0)


# As like each other as says nothing: there the densities of two drops and of a contact with a drop are the same.
EVEN = brentq(
    lambda like: stats.t(3, 0.93, 0.04).pdf(like) - stats.norm(0.71, 0.1).pdf(like), 0.75, 0.9, xtol=1e-12
)
UNTOLD = {"standing_db": 0.0, "likeness": EVEN}


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


@pytest.mark.parametrize(("softer_db", "drop"), [(24.0, 0), (19.0, 0), (2.0, 1)])
def test_what_follows_far_softer_on_both_sides_is_an_echo(softer_db, drop):
    """Of two sounds a side, 75 ms apart and steady, the second 19 dB softer and more is the room's answer to the first."""
    side = [sound(0.0, -30.0), sound(150.0, -30.0 - softer_db)]
    weighed = accounts([side, side], 0.0, 30_000.0)
    assert [one.drop for one in weighed[0].roles] == [drop, drop]
    if drop == 0:
        echoes = next(one for one in weighed if one.passages == (150.0, 150.0))
        assert weighed[0].score - echoes.score > 100


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


@pytest.mark.parametrize("chance", [(-3.0, 0.5), (0.0, 1.9), (0.5, 2.1)])
def test_a_sound_with_less_evidence_than_chance_has_a_score_too(chance):
    """A place at which hardly anything is heard, in a room whose chance is low; heard well, it scores higher."""
    curve = presence_curve(np.full(12, 0.3), chance)
    assert np.isfinite(curve).all()
    assert presence_curve(np.full(12, 300.0), chance)[-1] - presence_curve(np.full(12, 300.0), chance)[0] > 20


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


def test_a_short_passage_is_the_less_likely_the_shorter_and_never_at_a_stroke():
    """6 nats at 40 ms, none at 60: the odds of a passage against one a frame longer are nowhere those of a threshold."""
    at = np.arange(80.0, 140.0)
    own = np.array([log_of_passage(one, 12_000.0) for one in at])
    plain = stats.norm(np.log(0.017), 0.65).logpdf(np.log(at / 12_000)) - np.log(at)
    expected = np.interp(at, [80, 120], [-6.0, 0.0])
    # The constant of `log_normal` has seven digits.
    np.testing.assert_allclose(own - plain, expected, atol=1e-6)


def test_the_doubt_of_the_places_is_that_of_their_passages():
    """A drop known to 40 frames, and passages of 300 and 220: what either density says, smeared by a normal distribution.

    Without doubt the second is 10 times the 8 frames (4 ms) off by which most sides differ, and 3.3 times the 8 % of others.
    With it both passages may be alike.
    """

    def score(doubt):
        contact, drop = sound(-300.0, -36.0), sound(0.0, -30.0)
        other = [sound(-220.0, -36.0), replace(sound(0.0, -30.0), doubt=doubt)]
        both = next(
            one
            for one in accounts([[contact, drop], other], 0.0, PERIOD)
            if list(one.roles) == [Roles(1, 0), Roles(1, 0)]
        )
        return both.score

    def density(doubt):
        alike, unlike = (stats.norm(300, np.hypot(spread, doubt)).pdf(220) for spread in (8.0, 24.0))
        return 0.9 * alike + 0.1 * unlike

    assert score(40.0) - score(0.0) == pytest.approx(np.log(density(40.0) / density(0.0)), abs=1e-9)


def test_a_passage_that_seems_too_short_may_be_a_longer_one():
    """35 ms is no passage; known to 15 ms it may be one of 45, of a clock of 6 s. Nine places stand for the normal distribution:
    to a quarter."""
    period = 12_000.0
    side = [sound(-70.0, -36.0), replace(sound(0.0, -30.0), doubt=30.0)]
    sure = [side[0], replace(side[1], doubt=0.0)]

    def score(side, contact):
        found = [one for one in accounts([side], 0.0, period) if one.roles == (Roles(1, contact),)]
        return found[0].score if found else -np.inf

    at = np.linspace(-5, 5, 20001)
    prior = np.exp([log_of_passage(70 + 30 * one, period) for one in at])
    smeared = np.log(np.trapezoid(prior * stats.norm.pdf(at), at))
    known = [sound(-260.0, -36.0), sound(0.0, -30.0)]
    assert score(sure, 0) == -np.inf
    assert score(side, 0) - score(known, 0) == pytest.approx(
        smeared - log_of_passage(260.0, period), abs=0.25
    )


def test_a_lone_sound_is_contact_or_drop_by_beat_error_level_and_what_would_be_unheard():
    """Each factor by the published densities: Student's with 2 and 3 degrees of freedom; likeness says nothing here."""
    period, beat, levels, standing = 120_000.0, (300.0, -1700.0), (2.0, -7.0), (6.0, 21.0)
    by_beat = np.divide(*stats.t(2, 0, 0.004 * period).pdf(beat))
    by_level = stats.t(3, 0, 3.0).pdf(levels[0]) / stats.t(3, 0, 4.0).pdf(levels[1])
    # its drop would stand 21 + 2 dB above the room, 13 above what is heard; its contact 6 - 7, that is below
    unheard = 2 * stats.t(3, 0, 4.0).sf(13.0)
    known = {"louder_db": levels, "standing_db": standing, "likeness": (EVEN, EVEN)}
    odds = odds_of_lone_contact(beat, period, **known)
    assert odds == pytest.approx(by_beat * by_level * unheard, rel=1e-6)
    # as like the other contact as two drops are, and as unlike its drop as a contact: the likelier
    alike = odds_of_lone_contact(beat, period, **(known | {"likeness": (0.95, 0.6)}))
    assert alike > 5 * odds


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


def test_what_follows_both_drops_alike_is_the_room_s():
    """Sounds 24 dB softer 96 ms after both drops, and no contacts: a contact that much louder than its drop would be stranger.

    In one room the second echo costs ln 0.85, and the density of its place and level about the first's, where by itself it
    costs an echo's: 0.5, half of it within 80 frames and half within a fifth of the usual passage (and 192 later), 24 dB where 9
    are usual, to 6.
    """
    drop = sound(0.0, -39.0)
    alike, apart = [drop, sound(192.0, -63.0)], [drop, sound(300.0, -63.0)]
    bare = [Roles(0, None), Roles(0, None)]
    assert roles_of(alike, alike) == bare

    def score(*sides):
        return next(one.score for one in accounts(list(sides), 0.0, PERIOD) if list(one.roles) == bare)

    soon, with_the_balance = (
        0.25 * stats.expon(scale=scale).pdf(192) for scale in (80, 0.2 * 0.017 * PERIOD)
    )
    by_itself = np.log(soon + with_the_balance) + stats.norm(-9, 6).logpdf(-24)
    given_the_other = np.log(0.85) + stats.norm(0, 8).logpdf(0) + stats.norm(0, 3).logpdf(0)
    gained = np.logaddexp(given_the_other, np.log(0.15) + by_itself) - by_itself
    # with an echo elsewhere, 108 frames or 13.5 deviations away, the second costs what it costs by itself, and ln 0.15
    assert score(alike, alike) - score(apart, alike) == pytest.approx(
        gained - np.log(0.15) + score(alike, [drop]) - score(apart, [drop]), abs=1e-6
    )


def test_a_banking_long_after_the_drop_of_a_slow_clock_is_no_drop():
    """Half a minute a period: 0.7 s from contact to drop, and 0.37 s on the balance has carried the fork to its banking, as loud
    as drops are. The same in a clock whose passage takes 0.2 s is no banking, and in the slow one nothing is 0.5 s later."""
    slow = [sound(-1394.0, -43.8), sound(0.0, -46.0), sound(735.0, -47.0)]
    period = 59772.0
    assert accounts([slow, slow], 0.0, period)[0].roles == (Roles(1, 0), Roles(1, 0))
    assert log_of_rebound(735.0, -9.0, 1394.0) > log_of_rebound(735.0, -9.0, 400.0) + 4
    assert last_rebound(1394.0) == pytest.approx(0.6 * 1394)
    assert last_rebound(400.0) == last_rebound(0.0) == 600.0  # 300 ms
    expected = 0.25 * stats.expon(scale=80).pdf(735) + 0.25 * stats.expon(scale=0.2 * 1394).pdf(735)
    assert log_of_rebound(735.0, -9.0, 1394.0) == pytest.approx(
        np.log(expected * stats.norm(0, 6).pdf(0)), abs=1e-6
    )


def test_two_sounds_at_one_place_are_no_passage():
    """Contact and drop may be sought on the same peak."""
    side = [sound(0.0, -36.0), sound(0.0, -30.0)]
    assert all(role.contact is None for role in roles_of(side, side))


def test_no_echo_is_louder_than_what_it_echoes():
    """A loud drop 96 ms after something soft on both sides stays the drop: alike as they are, they are no echoes."""
    side = [sound(-300.0, -36.0), sound(-192.0, -63.0), sound(0.0, -33.0)]
    assert roles_of(side, side) == [Roles(2, 0), Roles(2, 0)]


def with_part(main, frames, softer_db, share=1.0):
    """A sound with something heard so many frames before it and quiet again: first part, both as one, second part."""
    part = sound(main.place - frames, main.loudness_db - softer_db, share=share)
    return list(main.with_first_part(part, 7))


def test_a_first_part_just_before_the_drop_is_the_drop_s():
    """Unlockings follow their contact soon; a drop's own first part is 12 to 50 ms ahead: 38 frames are 19 ms."""
    side = [CONTACT, *with_part(DROP, 38, 10.0)]
    best = accounts([side, side], 0.0, PERIOD)[0]
    assert list(best.roles) == [Roles(2, 0), Roles(2, 0)]
    assert best.passages == (2000.0 - 38, 2000.0 - 38)
    # One sound in six has such a part, within 76 frames: ln(1 / 6 / 76) a side. An unlocking of 0.35 anywhere in 2000 frames in
    # a fifth of the clocks: ln(0.2 * 0.35 / 2000), 4.1 less. On one side alone, which is next, passages are unlike besides: some
    # 3 more, as were unlockings spread evenly it would be 2.5 and 3.
    assert odds(side, side) > 6.5


def test_a_first_part_below_two_percent_is_not_where_the_drop_begins():
    """A sound begins at 2 % of its greatest power, 17.0 dB below it: a part 20 dB softer is its own, but not its beginning.

    Both explain the part alike, so the odds are those of the normal distribution alone: 3.0 dB are 1.16 spreads of 2.6 dB,
    ln(0.877 / 0.123) = 1.96 a side. At 17 dB they are even.
    """
    for softer_db, odds_a_side in ((20.0, -1.96), (17.0, 0.0), (14.0, 1.96)):
        side = [CONTACT, *with_part(DROP, 38, softer_db)]
        found = {account.roles: account.score for account in accounts([side, side], 0.0, PERIOD)}
        whole, second = (found[(Roles(drop, 0), Roles(drop, 0))] for drop in (2, 3))
        # An unlocking there, exp(-4.1) as likely as an own part, makes the second part likelier: by 0.13 a side at 14 dB.
        assert whole - second == pytest.approx(2 * odds_a_side, abs=0.3)


def test_the_rest_of_a_drop_is_no_echo_of_the_contact():
    """Contacts 2 dB louder than the drops, 250 ms before them: what remains of a drop that begins with its first part is that
    drop itself, on both sides alike, and no echo that one room makes. At 17 dB the odds stay even."""
    side = [sound(-500.0, -28.0), *with_part(DROP, 38, 17.0)]
    found = {account.roles: account.score for account in accounts([side, side], 0.0, PERIOD)}
    whole, second = (found[(Roles(drop, 0), Roles(drop, 0))] for drop in (2, 3))
    # The passage is 8 % longer with the second part: 0.2 in its log-normal density; and the first part may be an unlocking.
    assert whole - second == pytest.approx(0.0, abs=0.8)


def test_a_first_part_before_the_contact_is_where_the_beat_begins():
    """It is the contact, and what follows the unlocking; or both are the contact: the passage is the same."""
    side = [*with_part(CONTACT, 40, 12.0), DROP]
    found = accounts([side, side], 0.0, PERIOD)
    assert found[0].passages == (2040.0, 2040.0)
    share = np.exp([account.score - found[0].score for account in found])
    later = [passages != (2040.0, 2040.0) for passages in (account.passages for account in found)]
    assert share[later].sum() < 0.01 * share.sum()


def test_what_is_seldom_heard_before_a_sound_is_no_part_of_it():
    side = [*with_part(CONTACT, 40, 3.0, share=0.1), DROP]
    assert accounts([side, side], 0.0, PERIOD)[0].passages == (2000.0, 2000.0)


def test_a_sound_is_not_the_whole_of_itself_and_a_part():
    for drop, contact in _choices([*with_part(CONTACT, 40, 10.0), DROP]):
        assert (drop, contact) not in {(2, 1), (1, 0)}
    assert len(list(_choices([*with_part(CONTACT, 40, 10.0), DROP]))) == 4 + 6 - 2


def test_unlockings_are_as_many_as_they_are_said_to_be():
    after = np.arange(0.05, 600, 0.1)
    many = 0.1 * np.sum(np.exp([log_of_unlocking(one, 600.0) for one in after]))
    # what the exponential leaves behind the drop, exp(-1 / 0.15), is a thousandth
    assert many == pytest.approx(MANY_UNLOCKINGS, rel=0.002)


def test_one_sound_a_side_a_lift_early_and_softer_is_the_contact():
    """In beat and as loud as the first side's drop it is a drop; a lift of 300 ms early and 8 dB softer it is a contact."""
    period = 40_000.0
    assert odds_of_mixed(0.0, 0.0, period, **UNTOLD)[0] < 0.01
    odds, passage = odds_of_mixed(-600.0, -8.0, period, **UNTOLD)
    assert odds > 1
    assert passage == pytest.approx(
        600.0, abs=150.0
    )  # the beat error's prior, 0.4 % of the period, says no more
    # late it would be further out of beat still, and a contact is seldom the louder
    assert odds_of_mixed(600.0, -8.0, period, **UNTOLD)[0] < 0.05 * odds
    assert odds_of_mixed(-600.0, 8.0, period, **UNTOLD)[0] < 0.5 * odds


def test_odds_of_mixed_sounds_are_those_of_the_priors_integrated():
    """By quadrature over the passage: the log-normal prior times Student's density of the beat error that is left."""
    period, late, louder_db = 40_000.0, -300.0, -5.0
    passage = stats.lognorm(0.65, scale=0.017 * period)
    beat = stats.t(2, 0, 0.004 * period)
    contact = quad(lambda at: passage.pdf(at) * beat.pdf(late + at), 0, 20_000, points=[300.0], limit=200)[0]
    contact *= stats.norm(-5.0, 6.0).pdf(louder_db)
    drop = beat.pdf(late) * stats.t(3, 0, 4.0).pdf(louder_db)
    # nine points stand for the passage's distribution
    assert odds_of_mixed(late, louder_db, period, **UNTOLD)[0] == pytest.approx(
        0.05 * contact / drop, rel=0.25
    )


def test_a_drop_that_stands_high_above_the_room_has_no_unheard_other():
    """Drops differ by Student's distribution (3 degrees, 4 dB): so often the other is softer by all that the first stands
    above the 10 dB at which sounds are found."""
    plain = odds_of_mixed(-600.0, -8.0, 40_000.0, **UNTOLD)[0]
    for standing_db in (10.0, 18.0, 40.0):
        odds = odds_of_mixed(-600.0, -8.0, 40_000.0, standing_db=standing_db, likeness=EVEN)[0]
        assert odds / plain == pytest.approx(2 * stats.t(3).cdf(-(standing_db - 10) / 4))


def test_two_sounds_that_are_alike_are_of_one_kind():
    """Two drops are as alike as 0.93 (Student, 3 degrees, 0.04), a contact and a drop as 0.71 (normal, 0.1); one in twenty
    is anything."""
    even = odds_of_mixed(-600.0, -8.0, 40_000.0, **UNTOLD)[0]
    for likeness in (0.3, 0.7, 0.91, 0.98):
        odds = odds_of_mixed(-600.0, -8.0, 40_000.0, standing_db=0.0, likeness=likeness)[0]
        # More alike than drops mostly are is no less like two drops.
        one_kind = 0.95 * stats.t(3, 0.93, 0.04).pdf(min(likeness, 0.93)) + 0.05
        assert even / odds == pytest.approx(
            one_kind / (0.95 * stats.norm(0.71, 0.1).pdf(likeness) + 0.05), rel=0.01
        )
    assert odds < even / 20


def test_likeness_is_that_of_the_roots_of_the_powers_laid_over_each_other():
    one = np.zeros((80, 2), np.float32)
    one[20:30] = (4.0, 1.0)
    moved = np.roll(one, 5, axis=0)
    assert likeness_of(one, 9 * moved) == pytest.approx(1.0)
    assert likeness_of(one, np.roll(one, 10, axis=0)) == pytest.approx(0.6, abs=0.001)  # 6 of its 10 frames
    # Roots 2 and 1 against 1 and 2: 4 of 5.
    assert likeness_of(one, one[:, ::-1]) == pytest.approx(0.8)
    assert likeness_of(one, np.zeros_like(one)) == 0.0
