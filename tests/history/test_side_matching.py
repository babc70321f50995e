"""Which side is which: letters made to agree by the sounds, and by the beat error where the sounds do not tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.history.comparison import compare
from torsionbeat.history.findings import find
from torsionbeat.history.nights import Night, with_sides_swapped
from torsionbeat.history.side_matching import alike, same_letters

LEVELS = {("a", "contact"): 14.0, ("b", "contact"): 20.0, ("a", "drop"): 30.0, ("b", "drop"): 26.0}


@pytest.fixture(scope="module")
def nights(make_night):
    return [Night(make_night(seed, hours=1.0, level_db=LEVELS)) for seed in (71, 72, 73)]


def mute(night):
    events = night.reading.events
    return replace(night, reading=replace(night.reading, events=type(events)([], [], [], [])))


def test_levels_tell_the_letters(nights):
    first, second, third = nights
    assert same_letters([first], [second]) is True
    assert same_letters([first, second], [with_sides_swapped(third)]) is False


def test_mean_sounds_tell_the_letters_where_levels_do_not(make_night, twin_readings):
    plain = [make_night(seed, hours=1.0) for seed in (74, 75)]  # all sounds equally loud
    voices = tuple(
        replace(voice, profile=voice.profile * np.geomspace(*((1, 30) if voice.side == "b" else (30, 1)), 12))
        for voice in twin_readings.voices()  # side b rings in the upper bands, side a in the lower ones
    )
    assert same_letters([Night(plain[0])], [Night(plain[1])]) is None
    one, other = (Night(reading, voices=voices) for reading in plain)
    assert same_letters([one], [other]) is True
    assert same_letters([one], [with_sides_swapped(other)]) is False


def test_nights_take_the_letters_of_the_first(nights):
    mixed = [nights[0], with_sides_swapped(nights[1]), nights[2]]
    errors = [night.reading.beat_error_ms.nominal_value for night in alike(mixed)]
    np.testing.assert_allclose(errors, [n.reading.beat_error_ms.nominal_value for n in nights])


def test_where_the_sounds_do_not_tell_the_beat_error_does(nights):
    mixed = [mute(nights[0]), mute(with_sides_swapped(nights[1]))]
    signs = {np.sign(night.reading.beat_error_ms.nominal_value) for night in alike(mixed)}
    assert len(signs) == 1


def test_letters_exchanged_are_no_change(nights):
    result = compare(nights[0].reading, with_sides_swapped(nights[1]).reading)
    assert result.row("beat error").verdict == "no change to be seen"
    assert any("letters after were exchanged" in remark for remark in result.remarks)
    kept = compare(nights[0].reading, with_sides_swapped(nights[1]).reading, swap_sides=False)
    assert kept.row("beat error").verdict == "changed"
    assert not any("exchanged" in remark for remark in kept.remarks)


def test_letters_exchanged_from_night_to_night_are_no_slip(nights):
    mixed = [nights[0], with_sides_swapped(nights[1]), nights[2]]
    assert abs(nights[0].reading.offset_deg.nominal_value) > 1  # 3.6 deg from one lettering to the other
    assert [one.sign for one in find(mixed)] == []
