"""The arc from passages of a swing that is worked out here: closed form, both sides of one weight, doubts added up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.hearing.beginnings import SHARE_WEIGHTS
from torsionbeat.hearing.heard import HeardSounds
from torsionbeat.reading.beats import Beats, StackedPassage
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.mean_arc import (
    beat_error_edge_s,
    beginnings_of,
    mean_arc_deg,
    moved_by,
    offset_of,
    passages_differ_s,
    single_arcs_deg,
)
from torsionbeat.reading.mean_period import SteadyPeriod
from torsionbeat.theory.two_sides import Joint

PERIOD_S, LIFT = 15.0, 20.0
CLOCK = Clock(lift_deg=LIFT)


def joint(*edges_s, unlike=0.0):
    """Contact a, drop a, contact b, drop b, each in doubt by itself."""
    return Joint(np.zeros(4), np.diag(np.square(edges_s)), unlike)


EDGES = joint(*[0.0003] * 4)


def steady(error_s=0.0):
    return SteadyPeriod(PERIOD_S, 1e-5, error_s, 1e-4, 1e-3, 0.0, 50)


def passage_s(arc):
    """Time in which a sine of that arc, end to end, goes through the lift about its middle."""
    return PERIOD_S / math.pi * math.asin(LIFT / arc)


def beats(arcs, numbers=None):
    passage = np.array([passage_s(arc) if np.isfinite(arc) else np.nan for arc in arcs])
    number = np.arange(len(arcs)) if numbers is None else np.array(numbers)
    middle = number * PERIOD_S / 2
    return Beats(number, middle - passage / 2, middle + passage / 2, middle, passage)


def test_each_passage_gives_the_arc_of_the_swing_it_came_from():
    arcs = [200.0, 270.0, 430.0]
    assert single_arcs_deg(beats(arcs), CLOCK, steady()) == pytest.approx(arcs)
    assert np.isnan(single_arcs_deg(beats(arcs), Clock(), steady())).all()


def test_a_beat_error_lengthens_the_passage_which_is_told_apart_from_a_smaller_arc():
    """The lift's middle at mu off rest: the passage's sine is of lift / (arc cos mu), mu = pi error / period."""
    error_s = 0.4
    mu = math.pi * error_s / PERIOD_S
    passage = PERIOD_S / math.pi * math.asin(LIFT / 270 / math.cos(mu))
    told = beats([270.0] * 3)
    told = Beats(told.number, told.contact_s, told.drop_s, told.middle_s, np.full(3, passage))
    assert single_arcs_deg(told, CLOCK, steady(error_s)) == pytest.approx(270.0, rel=1e-6)
    # An error of half the period has no geometry and counts as none, and so does one that nobody knows.
    plain = LIFT / math.sin(math.pi * passage / PERIOD_S)
    for none in (0.4901 * PERIOD_S, -0.4901 * PERIOD_S, math.nan):
        assert single_arcs_deg(told, CLOCK, steady(none)) == pytest.approx(plain)


def test_what_is_no_arc_is_left_out():
    """An arc within the lift never reaches the drop; a balance knocks above some 600 deg, and a
    sound so short before the drop that it would be 751 is not the contact."""
    told = beats([270.0, 751.0, 749.0])
    assert np.isnan(single_arcs_deg(told, CLOCK, steady())).tolist() == [False, True, False]
    slow = Beats(told.number, told.contact_s, told.drop_s, told.middle_s, np.array([PERIOD_S / 2, 1.0, 1.0]))
    assert np.isnan(single_arcs_deg(slow, CLOCK, steady())).tolist() == [True, False, False]


def mean_and_beginnings(arcs, numbers=None, *, clock=CLOCK, together=None, edges=EDGES, error_s=0.0):
    told = beats(arcs, numbers)
    each = single_arcs_deg(told, clock, steady(error_s))
    return mean_arc_deg(told, each, clock, steady(error_s), together=together or {}, beginnings=edges)


def mean(*given, **more):
    return mean_and_beginnings(*given, **more)[0]


def test_both_sides_weigh_the_same_whatever_number_was_heard():
    """Forty beats of side a at 270, every second of side b at 274: the mean of the sides is 272."""
    arcs = [270.0 if n % 2 == 0 else (274.0 if n % 4 == 1 else math.nan) for n in range(80)]
    assert mean(arcs).nominal_value == pytest.approx(272.0)


def test_the_doubt_of_edges_of_the_impulse_and_of_the_lift_add_up():
    """No scatter: each side's edges (two of 0.3 ms on a passage), half of them on the mean of two; lift and impulse for both."""
    arc, lift_within = 270.0, 0.3
    found, by_beginnings = mean_and_beginnings(
        [arc] * 40, clock=Clock(lift_deg=LIFT, lift_tolerance_deg=lift_within)
    )
    edges = arc * math.hypot(0.0003, 0.0003) / passage_s(arc) / math.sqrt(2)
    lift = arc * lift_within / LIFT / math.sqrt(3)
    assert found.nominal_value == pytest.approx(arc)
    assert found.std_dev == pytest.approx(math.sqrt(edges**2 + lift**2 + (0.0005 * arc) ** 2), rel=1e-6)
    assert by_beginnings == pytest.approx(edges, rel=1e-6)


def test_scatter_from_beat_to_beat_counts_over_the_root_of_the_beats():
    rng = np.random.default_rng(4)
    small = joint(*[1e-9] * 4)
    found = mean(270 + rng.normal(0, 6.0, 800), edges=small)
    # 400 beats of a side: 6 / 20, halved in square by two sides, with the impulse's 0.135.
    assert found.std_dev == pytest.approx(math.hypot(6 / 20 / math.sqrt(2), 0.135), rel=0.1)
    # A steady fall of the arc over the night is no scatter.
    falling = mean(np.linspace(300, 240, 800), edges=small)
    assert falling.nominal_value == pytest.approx(270, abs=0.1)
    assert falling.std_dev == pytest.approx(0.135, rel=0.05)


def test_beats_that_are_missing_from_one_end_do_not_pull_the_mean():
    """An arc that falls by 40 deg in a stretch of which the second half was heard every third beat only."""
    whole = np.linspace(290, 250, 241)
    numbers = [n for n in range(241) if n < 120 or n % 3 == 0]
    found = mean(whole[numbers], numbers)
    assert found.nominal_value == pytest.approx(270.0, abs=0.3)


def test_sides_that_disagree_beyond_chance_put_half_of_it_in_doubt():
    small = joint(*[1e-6] * 4)
    apart = mean([270.0, 290.0] * 20, edges=small)
    assert apart.nominal_value == pytest.approx(280.0)
    assert apart.std_dev == pytest.approx(math.hypot(10.0, 0.0005 * 280), rel=1e-3)


def test_a_side_counts_with_three_passages_and_a_quarter_of_its_beats():
    one_side = [270.0, math.nan] * 20
    assert mean(one_side).nominal_value == pytest.approx(270.0)
    nothing = [math.nan] * 40
    assert mean_and_beginnings(nothing) == (None, 0.0)
    assert mean_and_beginnings(one_side, clock=Clock()) == (None, 0.0)
    two = list(nothing)
    two[0] = two[2] = 270.0
    assert mean(two) is None
    for heard, counts in ((5, False), (6, True)):  # of 20 beats of the side
        some = list(nothing)
        some[: 2 * heard : 2] = [270.0] * heard
        assert (mean(some) is not None) is counts


def test_a_mean_passage_stands_for_a_side_whose_contacts_are_not_heard_one_by_one():
    stacked = {0: StackedPassage(passage_s(300.0), 0.002, 20.0, 0.0, 0.0, 0.006)}
    found = mean([math.nan] * 40, together=stacked)
    assert found.nominal_value == pytest.approx(300.0)
    # Its scatter, the drop's edge, and the 6 ms by which it may begin before what is heard: no beat shows a first part.
    doubt = 300 * np.linalg.norm([0.002, 0.0003, 0.006]) / passage_s(300.0)
    assert found.std_dev == pytest.approx(math.hypot(doubt, 0.15), rel=1e-6)
    # Of both sides alike the mean has half of the scatter's variance, and three quarters of what one fork hides of both.
    both = mean([math.nan] * 40, together=dict.fromkeys((0, 1), stacked[0]))
    doubt = 300 * np.linalg.norm([0.002 / 2**0.5, 0.0003 / 2**0.5, 0.006 * 0.75**0.5]) / passage_s(300.0)
    assert both.std_dev == pytest.approx(math.hypot(doubt, 0.15), rel=1e-6)
    # Where contacts are heard singly in part of the beats, theirs is the doubt of the contact.
    typical = {0: StackedPassage(passage_s(300.0), 0.002, 20.0, 0.0, 0.0)}
    found = mean([math.nan] * 40, together=typical, edges=joint(0.004, 0.0003, 0.0003, 0.0003))
    doubt = 300 * np.linalg.norm([0.002, 0.0003, 0.004]) / passage_s(300.0)
    assert found.std_dev == pytest.approx(math.hypot(doubt, 0.15), rel=1e-6)
    assert (
        mean([math.nan] * 40, together={0: StackedPassage(passage_s(1001.0), 0.002, 20.0, 0.0, 0.0)}) is None
    )


def test_the_offset_has_the_doubts_of_beat_error_and_arc():
    """offset = arc / 2 sin(pi error / T) for a lift of zero width; the lift moves it by less than a hundredth here."""
    error, arc = ufloat(177.2, 8.0), ufloat(270.0, 5.0)
    found = offset_of(error, arc, PERIOD_S, LIFT)
    assert found.nominal_value == pytest.approx(135 * math.sin(math.pi * 0.1772 / PERIOD_S), rel=0.01)
    by_error, by_arc = found.nominal_value * 8 / 177.2, found.nominal_value * 5 / 270
    assert found.std_dev == pytest.approx(math.hypot(by_error, by_arc), rel=0.01)
    # An arc that is hardly known: its interval reaches beyond any balance, and the offset's grows in proportion.
    vague = offset_of(error, ufloat(270.0, 1400.0), PERIOD_S, LIFT)
    assert vague.std_dev == pytest.approx(found.nominal_value * 1400 / 270, rel=0.02)
    assert offset_of(None, arc, PERIOD_S, LIFT) is None
    assert offset_of(error, None, PERIOD_S, LIFT) is None
    assert offset_of(error, arc, PERIOD_S, None) is None
    assert offset_of(ufloat(-0.45 * PERIOD_S * 1e3, 1), arc, PERIOD_S, LIFT) is None


def test_the_surer_side_counts_for_more():
    """Doubts of 0.3 and 3 ms: by inverse squares the first has 0.99 of the weight; what both share counts in full."""
    arcs = [270.0, 272.0] * 20
    found = mean(arcs, edges=joint(0.0003, 0.0, 0.003, 0.0))
    assert found.nominal_value == pytest.approx(270 + 2 / 101, abs=0.001)
    assert found.std_dev == pytest.approx(
        math.hypot(270 * 0.0003 / passage_s(270) * math.sqrt(100 / 101), 0.135), rel=0.001
    )
    both = Joint(np.zeros(4), np.zeros((4, 4)))
    both.covariance[np.ix_((0, 2), (0, 2))] = 0.003**2
    common = mean([270.0] * 40, edges=both)
    assert common.std_dev == pytest.approx(math.hypot(270 * 0.003 / passage_s(270), 0.135), rel=1e-3)


def sounds(rows):
    beat, kind, edge, certain = zip(*rows, strict=True)
    nothing = np.zeros(len(rows))
    return HeardSounds(
        np.array(beat), np.array(kind), nothing, nothing, nothing, np.array(certain), np.array(edge), nothing
    )


def test_doubts_are_the_voice_s_own_with_what_all_voices_differ_by():
    heard = sounds(
        [(0, "drop", 9.6, True), (2, "drop", 9.6, True), (4, "drop", 500.0, False), (1, "contact", 0.0, True)]
    )
    found = np.sqrt(np.diag(beginnings_of(beats([270.0] * 6), heard, 1 / 48_000).covariance))
    assert found == pytest.approx([0, math.hypot(0.00015, 0.0002), 0.00015, 0])


def test_the_beat_error_takes_the_doubts_of_both_middles_or_of_both_drops():
    # Each middle is half of contact and drop.
    assert beat_error_edge_s(joint(0.001, 0.002, 0.003, 0.004), {}) == pytest.approx(
        math.sqrt(1 + 4 + 9 + 16) * 1e-3 / 2
    )
    assert beat_error_edge_s(joint(0.001, 0.003, 0.0, 0.004), {}) == pytest.approx(0.005)
    # A passage from the mean of all beats has what its contact may be off by in its own doubt.
    stacked = {1: StackedPassage(0.9, 0.001, 20.0, 0.0, 0.0, 0.006)}
    half = math.sqrt(1 + 9 + 16) * 1e-3 / 2
    for contact in (0.0, 0.002):
        assert beat_error_edge_s(joint(0.001, 0.003, contact, 0.004), stacked) == pytest.approx(half)


def test_passages_move_with_where_their_sounds_begin():
    later = Joint(np.array([0.001, 0.003, -0.002, 0.004]), np.eye(4), 0.0)
    typical, stacked = (StackedPassage(0.9, 0.001, 20.0, 0.0, 0.0, lead_s) for lead_s in (0.0, 0.006))
    moved = moved_by(later, {0: typical, 1: stacked})
    assert moved[0].mean_s == pytest.approx(0.902)
    assert moved[1].mean_s == pytest.approx(0.904)  # its contact was not heard singly: the drop alone moves
    assert moved_by(later, {1: typical})[1].mean_s == pytest.approx(0.906)


def test_passages_of_the_sides_differ_where_that_is_likelier_than_not():
    def apart(unlike, few=40):
        told = beats([270.0] * few)
        passage = told.passage_s + np.where(told.number % 2, 0.0019, 0.0)
        told = Beats(told.number, told.contact_s, told.drop_s, told.middle_s, passage)
        return passages_differ_s(told, joint(*[0.0003] * 4, unlike=unlike))

    assert apart(0.4) == 0.0
    assert apart(0.6) == pytest.approx(0.0019, rel=1e-6)
    assert apart(0.6, few=5) == pytest.approx(0.0019, rel=1e-6)  # two passages of side b
    assert apart(0.6, few=3) == 0.0  # one, which has no scatter


def test_two_passages_a_side_tell_of_a_sound_timed_from_another_part():
    """Side b's drops 16 ms late in two beats: the doubt of beginnings takes it up, and is as small as ever where they agree."""
    number = np.arange(4)
    rng = np.random.default_rng(3)
    contact = 3.0 + 30.0 * number + 3e-4 * rng.standard_normal(4)

    def doubt_of(late_s):
        drop = contact + 1.05 + np.where(number % 2, late_s, 0.0) + 3e-4 * rng.standard_normal(4)
        told = Beats(number, contact, drop, (contact + drop) / 2, drop - contact)
        sounds = HeardSounds(
            np.tile(number, 2),
            np.repeat(["contact", "drop"], 4),
            np.concatenate([contact, drop]) * 1000,
            *(np.full(8, value) for value in (20.0, 100.0)),
            np.ones(8, bool),
            *(np.full(8, value) for value in (0.3, 0.0)),
            np.zeros((8, len(SHARE_WEIGHTS))),
        )
        return beat_error_edge_s(beginnings_of(told, sounds, 0.001), {})

    assert doubt_of(0.0) < 0.001
    assert doubt_of(0.016) > 0.003  # 8 ms off: within three of them
