"""The sides of the beat: accounts that differ are rivals, and those that say the same are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.hearing.account import Account, Roles
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.hearing.rivals import likelier, rivals_of, with_mixed_sounds
from torsionbeat.hearing.segment import hear_chapter
from torsionbeat.hearing.sides import Rival, _typical, as_the_peaks_say, guesses_of, sides_are_swapped
from torsionbeat.tracks.search import Wanted


@pytest.fixture(scope="module")
def heard(six, chapter_of):
    return hear_chapter(chapter_of(six[1]), Wanted(6.0, 4.0, 121.0))[0]


def test_accounts_that_give_the_same_figures_are_no_rivals():
    """Two names for one beginning are no doubt of it; another beginning is, with its share of all."""
    accounts = [
        Account(0.0, (Roles(3, 1), Roles(3, 1)), (300.0, 300.0), 5.0),
        Account(-0.1, (Roles(3, 0), Roles(3, 1)), (301.0, 300.0), 5.0),
        Account(-3.0, (Roles(3, 2), Roles(3, 1)), (260.0, 300.0), 5.0),
    ]
    (rival,) = rivals_of(accounts)
    assert rival.share == pytest.approx(np.exp(-3) / (1 + np.exp(-0.1) + np.exp(-3)))
    assert rival.later == pytest.approx((300 - 260) / -2)  # side a's middle is later by half of that
    assert rivals_of(accounts[:2]) == ()


def test_the_peaks_are_right_ten_times_to_one():
    """Of accounts as likely as that the one with the peaks' own passages is told, with the doubt of one in eleven."""
    bare = Account(0.0, (Roles(0, None), Roles(0, None)), (None, None), 5.0)
    both = Account(-0.5, (Roles(1, 0), Roles(1, 0)), (300.0, 320.0), 5.0)
    with_part = Account(
        -3.0, (Roles(2, 0), Roles(1, 0)), (340.0, 320.0), 5.0
    )  # 20 ms earlier: a part before it
    best, *others = as_the_peaks_say([bare, both, with_part], [300.0, 320.0])
    assert best.roles == both.roles
    assert best.score - bare.score == pytest.approx(np.log(10) - 0.5)
    assert [other.score for other in others] == pytest.approx([0.0, np.log(10) - 3.0])
    best, *others = as_the_peaks_say([both, bare, with_part], [None, None])
    assert best.score == pytest.approx(np.log(10))
    assert [other.score for other in others] == [-0.5, -3.0]


def moved(heard, side, frames):
    """The same with one side's drops so many frames later."""
    sides = list(heard.sides)
    drop = sides[side].drop
    sides[side] = replace(sides[side], drop=replace(drop, frame=drop.frame + frames))
    return replace(heard, sides=tuple(sides))


def without_contacts(heard):
    return replace(heard, sides=tuple(replace(one, contact=None, together=()) for one in heard.sides))


def turned_round(heard):
    return replace(heard, sides=heard.sides[::-1])


@pytest.mark.parametrize(("side", "later"), [(1, -200.0), (0, 200.0)])
@pytest.mark.parametrize("turned", [False, True])
def test_other_drops_of_as_many_sounds_are_likelier(heard, side, later, turned):
    """They were chosen against what the search had heard; of fewer sounds they are a rival.

    A side's drops 100 ms early, or the other's late: the second side comes so much earlier, however the sides are named.
    """
    other = moved(heard, side, later)
    fewer = without_contacts(other)
    if turned:
        other, fewer = turned_round(other), turned_round(fewer)
    assert likelier(heard, other) is other
    # without any contact the drops alone differ
    assert likelier(without_contacts(heard), fewer) is fewer
    (rival,) = likelier(heard, fewer).rivals[len(heard.rivals) :]
    assert rival.share == 0.5
    assert rival.later == pytest.approx(-200.0, abs=1.0)
    assert rival.passages == (None, None)


@pytest.mark.parametrize("turned", [False, True])
def test_contacts_that_the_search_did_not_hear_are_likelier(heard, turned):
    """Another contact of one side, a contact where none was heard, and both sounds where the contact was taken for the drop."""
    early = list(heard.sides)
    early[1] = replace(
        early[1], contact=replace(early[1].contact, frame=early[1].contact.frame - 400.0), together=()
    )
    at_contacts = [replace(one, drop=one.contact, contact=None, together=()) for one in heard.sides]
    other = turned_round(heard) if turned else heard
    for known in (
        replace(heard, sides=tuple(early)),
        without_contacts(heard),
        replace(heard, sides=tuple(at_contacts)),
    ):
        assert likelier(known, other) is other
    assert likelier(replace(heard, sides=heard.sides[:1]), other) is other


def test_a_contact_that_one_side_alone_has_is_no_contact_without_the_peaks_of_it(heard):
    """Chance puts one there among few rows; a softer contact is heard on both sides."""
    for side in (0, 1):
        sides = list(heard.sides)
        sides[side] = replace(sides[side], contact=None, together=())
        bare = without_contacts(heard)
        assert likelier(replace(heard, sides=tuple(sides)), bare) is bare


def test_a_second_opinion_of_the_same_sounds_changes_nothing(heard):
    assert likelier(heard, moved(heard, 1, 20.0)) is heard
    assert likelier(heard, turned_round(heard)) is heard
    assert likelier(heard, without_contacts(heard)) is heard
    assert likelier(heard, replace(heard, sides=heard.sides[:1])) is heard
    assert likelier(heard, replace(heard, sides=())) is heard
    other_clock = replace(moved(heard, 1, 300.0), period_frames=1.05 * heard.period_frames)
    assert likelier(heard, other_clock) is heard


def test_what_was_heard_is_scored_as_it_was_heard(heard):
    """First drop, period, lateness of the second drop, each passage; nan where there is no contact or no second side."""
    one, other = heard.sides
    guesses = guesses_of(heard)
    passages = [float(np.median(side.drop.frame - side.contact.frame)) for side in heard.sides]
    assert sorted(guesses[:, 3]) == pytest.approx(sorted(passages), abs=2.0)
    both = min(len(one.drop.frame), len(other.drop.frame))
    late = (
        float(np.median(other.drop.frame[:both] - one.drop.frame[:both])) % heard.period_frames
        - heard.period_frames / 2
    )
    for row in guesses:
        assert row[1] == heard.period_frames
        assert row[2] == pytest.approx(late, abs=2.0)
        nearest = np.abs(one.drop.frame - row[0] - np.arange(len(one.drop.frame)) * heard.period_frames)
        assert np.median(nearest) < 4.0  # 2 ms: beats of a bench clock scatter by less
    (alone,) = guesses_of(without_contacts(replace(heard, sides=heard.sides[:1])))
    assert np.isnan(alone[2:]).all()


@pytest.mark.parametrize(("side", "sign"), [(1, 1), (0, -1)])
def test_one_side_s_contact_may_be_what_is_heard_of_it(heard, side, sign):
    """Of each side one sound: moved a lift ahead, softened and of another pitch it is likelier a contact, where the room may hide
    a drop; then the middles lie a lift apart. A drop that stands high has none that is unheard."""
    alone = [replace(one, contact=None, together=()) for one in heard.sides]
    drops = replace(heard, sides=tuple(alone), rivals=())
    assert sum(rival.share for rival in with_mixed_sounds(drops).rivals) < 0.05
    drop = alone[side].drop
    early = replace(drop, frame=drop.frame - 400.0, loudness_db=drop.loudness_db - 8.0)
    early = replace(early, profile=np.roll(drop.profile, 30, axis=0))
    alone[side] = replace(alone[side], drop=early)
    clear = with_mixed_sounds(replace(drops, sides=tuple(alone))).rivals
    assert sum(rival.share for rival in clear) < 0.1
    soft = alone[1 - side].drop
    soft = replace(soft, profile=soft.profile / soft.profile.max())
    alone[1 - side] = replace(alone[1 - side], drop=soft)
    rivals = with_mixed_sounds(replace(drops, sides=tuple(alone))).rivals
    likeliest = max(rivals, key=lambda rival: rival.share)
    assert likeliest.share > 0.5
    assert likeliest.later * sign == pytest.approx(400.0, abs=150.0)  # as wide as the beat error's prior
    assert with_mixed_sounds(heard) is heard


@pytest.mark.parametrize(("side", "sign"), [(1, 1), (0, -1)])
def test_the_one_sound_of_a_side_may_be_its_contact(heard, side, sign):
    """Where the other side has both: a sound that comes a lift early, as loud as the other contact, beside a drop that the room
    may hide. Where it comes in beat, or the drop stands high and the contact does not, it is the drop."""
    both = heard.sides[1 - side]
    low = {name: getattr(both, name) for name in ("drop", "contact")}
    low = {name: replace(one, profile=one.profile / one.profile.max()) for name, one in low.items()}
    sides = list(heard.sides)
    sides[1 - side] = replace(both, **low)
    sides[side] = replace(sides[side], drop=heard.sides[side].contact, contact=None, together=())
    lone = replace(heard, sides=tuple(sides), rivals=())
    passage = float(np.median(both.drop.frame - both.contact.frame))
    (rival,) = with_mixed_sounds(lone).rivals
    assert rival.share > 0.9
    assert rival.later == pytest.approx(sign * passage, abs=2.0)
    assert rival.passages == pytest.approx((passage, passage), abs=2.0)
    # what is told is as much less likely, and so are the rivals that it had
    known = with_mixed_sounds(replace(lone, rivals=(Rival(0.2, 10.0, (None, None)),))).rivals
    assert known[0].share == pytest.approx(0.2 * (1 - rival.share))
    assert known[1] == rival
    sides[1 - side] = replace(both, contact=low["contact"])
    (clear,) = with_mixed_sounds(replace(lone, sides=tuple(sides))).rivals
    assert (1 / clear.share - 1) > 50 * (1 / rival.share - 1)  # a drop 42 dB above the room is rarely hidden
    sides[1 - side] = both
    sides[side] = replace(heard.sides[side], contact=None, together=())
    assert sum(one.share for one in with_mixed_sounds(replace(lone, sides=tuple(sides))).rivals) < 0.1


def test_sides_are_swapped_where_the_drops_sound_like_the_other_side_s(heard):
    """Drops of another pitch on either side: one profile in the lowest band, one in the highest."""
    low, high = (np.zeros_like(heard.sides[0].drop.profile) for _ in range(2))
    low[20:30, 0] = high[20:30, -1] = 50.0
    sides = tuple(
        replace(side, drop=replace(side.drop, profile=profile))
        for side, profile in zip(heard.sides, (low, high), strict=True)
    )
    heard = replace(heard, sides=sides)
    voices = {
        (name, "drop"): VoiceProfile(name, "drop", 0.0005, 0.0, one, 9)
        for name, one in zip("ab", (low, high), strict=True)
    }
    assert not sides_are_swapped(voices, heard, 0)  # its first beat is on side a, the low one
    assert sides_are_swapped(voices, heard, 1)
    assert not sides_are_swapped({}, heard, 1)
    assert not sides_are_swapped(voices, replace(heard, sides=sides[:1]), 1)


@pytest.mark.parametrize("beats", [24, 60])
def test_a_typical_passage_is_followed_as_it_travels(heard, beats):
    """A contact heard in two beats of three, to 2 ms, of a 60 s clock whose passage of 1 s shortens by 7 % in an hour: what is
    left of the travel bends the period by half of it."""
    rng = np.random.default_rng(beats)
    drop = heard.sides[0].drop
    at = 120_000.0 * np.arange(beats) + 5000.0
    passage = 2000.0 * (1 - 0.07 * np.arange(beats) / 60)
    heard_in = np.arange(beats) % 3 != 0
    both = np.ones(beats, bool)
    drop = replace(drop, frame=at, certain=both, usable=both)
    contact = replace(drop, frame=at - passage + 4.0 * rng.standard_normal(beats), certain=heard_in)
    parts = _typical(drop, contact)
    assert len(parts) == np.count_nonzero(heard_in) // 5
    middles = np.array([(part.first_row + part.last_row) / 2 for part in parts])
    errors = np.array([part.passage_frames for part in parts]) - 2000.0 * (1 - 0.07 * middles / 60)
    stated = np.array([part.uncertainty_frames for part in parts])
    assert np.all(np.abs(errors) < 4 * stated)
    # 2 ms scatter (4 frames) of five: 2.2 frames; the travel within a part, 12 frames, is not taken for scatter of all
    assert np.all(stated < 4.5)
