"""Faults of the train in the twin: what a tooth, a wheel out of true and flutter do to the beats and their sounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.twin import BadTooth, Balance, Drive, Eccentric, Flutter, TwinClock

CALM = TwinClock(balance=Balance(60.0, q=600), drive=Drive(arc_deg=430.0))


def beats_and_events(seconds=3600.0, **faults):
    return replace(CALM, **faults).run(seconds, 3)


def test_a_bad_tooth_softens_its_drops_and_no_others():
    plain = beats_and_events()[1]
    worn = beats_and_events(train_faults=(BadTooth(30, (7, 20), drop_db=-6.0),))[1]
    change = worn.level_db - plain.level_db
    numbers = np.repeat(np.arange(len(change) // 2), 2)  # contact and drop of each beat
    softer = (worn.kind == "drop") & np.isin(numbers % 30, (7, 20))
    assert np.allclose(change[softer], -6.0)
    assert np.allclose(change[~softer], 0.0)


def test_a_bad_tooth_lets_go_late():
    plain, _ = beats_and_events()
    worn, _ = beats_and_events(train_faults=(BadTooth(30, (7,), passage_percent=5.0),))
    ratio = [(b.drop_s - b.contact_s) / (a.drop_s - a.contact_s) for a, b in zip(plain, worn, strict=True)]
    # The lift is 5 % longer; the balance is slower by parts in a thousand at its edge than in its middle, and the push
    # lasts longer, so the arc grows a little: the passage is longer by 5 % to a tenth of that.
    assert ratio[7] == pytest.approx(1.05, abs=0.005)
    assert ratio[6] == 1.0


def test_a_tooth_further_up_takes_push_for_as_long_as_it_passes():
    worn, _ = beats_and_events(train_faults=(BadTooth(225, (3,), beats=3.75, push_factor=0.5),))
    push = np.array([beat.push_deg for beat in worn])
    assert np.allclose(push[3:7] / push[0], 0.5)
    assert np.allclose(push[7:] / push[0], 1.0)
    arcs = [beat.arc_deg for beat in worn]
    assert arcs[8] < arcs[2] - 2.0  # four half pushes of pi / Q each: 1 % of 430 deg


def test_a_wheel_out_of_true_makes_a_wave_of_the_passage():
    worn, _ = beats_and_events(7200.0, train_faults=(Eccentric(30, lift_percent=2.0),))
    passage = np.array([beat.drop_s - beat.contact_s for beat in worn])
    wave = np.sin(2 * np.pi * np.arange(len(passage)) / 30)
    height = 2 * np.mean(passage / passage.mean() * wave)
    assert height == pytest.approx(0.02, rel=0.1)  # the arc answers a little to the longer push


def test_flutter_adds_drops_after_the_drop_in_bursts():
    beats, events = beats_and_events(24 * 3600.0, flutter=Flutter(share=0.02, burst_beats=3.0))
    extra = events.where(kind="flutter")
    drops = np.array([beat.drop_s for beat in beats])
    after = extra.clean_time_s - drops[np.searchsorted(drops, extra.clean_time_s) - 1]
    assert after.min() > 0.05
    assert after.max() < 3 * 0.085
    fluttering = np.unique(np.searchsorted(drops, extra.clean_time_s))
    assert 0.01 < len(fluttering) / len(beats) < 0.04  # 2 %; some 20 bursts scatter by a quarter
    assert np.mean(np.diff(fluttering) == 1) > 0.4  # bursts of three: two of three go on
    assert len(events.where(kind="drop")) == len(beats)


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: BadTooth(30, (30,)), "within the turn"),
        (lambda: BadTooth(30, (1,), beats=31), "no more beats than the turn has"),
        (lambda: BadTooth(30, (1,), push_factor=-1), "0 to 2 of the push"),
        (lambda: Eccentric(1, 1.0), "2 beats or more"),
        (lambda: Eccentric(30, 60.0), "50 % at most"),
        (lambda: Flutter(share=0.6), "give 0 to 0.5"),
    ],
)
def test_what_cannot_be_is_refused(make, match):
    with pytest.raises(InputError, match=match):
        make()
