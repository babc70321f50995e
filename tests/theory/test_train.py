"""Trains: their text and the beats after which each wheel comes round."""

from __future__ import annotations

import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory.train import Train


def test_an_escape_wheel_comes_round_in_two_beats_a_tooth():
    (wheel,) = Train(13).wheels
    assert (wheel.beats, wheel.teeth) == (26.0, 13)


def test_each_wheel_takes_its_teeth_over_the_leaves_it_drives_times_as_long():
    beats = [wheel.beats for wheel in Train(15, ((60, 8), (72, 10))).wheels]
    # Counted by hand: 30 beats; 60 / 8 = 7.5 turns of it; 72 / 10 = 7.2 turns of that.
    assert beats == pytest.approx([30, 30 * 7.5, 30 * 7.5 * 7.2], rel=1e-12)


def test_the_text_comes_back_as_it_went():
    assert str(Train.from_text(" 15, 60/8 ,72/10")) == "15,60/8,72/10"


@pytest.mark.parametrize("text", ["", "15,60", "15,60/8/2", "a,60/8", "15,60/x", "-15", "1.5", "15,,60/8"])
def test_other_texts_are_refused_in_words(text):
    with pytest.raises(InputError, match="write the escape wheel's teeth first"):
        Train.from_text(text)


@pytest.mark.parametrize("train", [(2, ()), (401, ()), (15, ((60, 1),)), (15, ((60, 8),) * 8)])
def test_counts_that_no_wheel_has_are_refused(train):
    with pytest.raises(InputError, match="at most 8 wheels of 3 to 400 teeth"):
        Train(*train)
