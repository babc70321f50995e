"""What was heard, laid out anew by what the timebase knows of losses."""

from __future__ import annotations

import numpy as np

from torsionbeat.hearing.heard import Heard, HeardSounds, OtherAccount


def test_sounds_behind_a_loss_stand_later_and_the_loss_is_a_gap():
    count = 4
    sounds = HeardSounds(
        np.arange(count),
        np.full(count, "drop"),
        np.array([100.0, 200.0, 300.0, 400.0]),
        *(np.zeros(count), np.zeros(count), np.ones(count, bool), np.zeros(count), np.zeros(count)),
    )
    heard = Heard(500, 1000.0, 0, 1, 200.0, sounds, gaps=((240, 260),))
    assert heard.laid_out((), ()) is heard
    again = heard.laid_out([(150, 30.0), (235, -5.0)], [(150, 30.0)])
    assert again.sounds.sample.tolist() == [100.0, 230.0, 325.0, 425.0]
    assert again.gaps == ((150, 180), (265, 285))
    assert again.samples == 525


def test_accounts_are_alike_within_a_limit_and_turned_with_the_sides():
    one = OtherAccount(0.1, 5.0, (100.0, None))
    assert one.like(OtherAccount(0.9, 7.9, (97.1, None)), 3.0)
    assert not one.like(OtherAccount(0.1, 8.0, (100.0, None)), 3.0)
    assert not one.like(OtherAccount(0.1, 5.0, (103.0, None)), 3.0)
    assert not one.like(OtherAccount(0.1, 5.0, (None, 100.0)), 3.0)
    both = OtherAccount(0.1, 5.0, (100.0, 50.0))
    assert not both.like(OtherAccount(0.1, 5.0, (100.0, 54.0)), 3.0)
    assert both.like(OtherAccount(0.1, 5.0, (98.0, 52.0)), 3.0)
    assert one.turned() == OtherAccount(0.1, -5.0, (None, 100.0))


def sounds(beat, kind, sample, evidence, certain):
    count = len(beat)
    return HeardSounds(
        np.array(beat), np.array(kind), np.array(sample, float), np.full(count, 20.0), np.array(evidence, float),
        np.array(certain), np.zeros(count), np.zeros(count),
    )  # fmt: skip


def test_of_sounds_heard_twice_the_certain_and_then_the_likelier_counts():
    early = sounds([1, 1, 2], ["drop", "contact", "drop"], [110, 100, 210], [5, 5, 5], [True, True, False])
    late = sounds([1, 2, 3], ["drop", "drop", "drop"], [111, 211, 310], [9, 1, 9], [True, True, True])
    both = HeardSounds.joined([early, late])
    assert both.beat.tolist() == [1, 1, 2, 3]
    assert both.kind.tolist() == ["contact", "drop", "drop", "drop"]
    assert both.sample.tolist() == [100.0, 111.0, 211.0, 310.0]
