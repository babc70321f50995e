"""The picture of mean sounds before and after: four sounds, both drawn, and refused where none was kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.display.portrait import has_mean_sounds, mean_sounds_figure
from torsionbeat.errors import InputError
from torsionbeat.history.comparison import Group, Night, compare


@pytest.fixture
def reading(make_night):
    return make_night(3, hours=1.0)


def compared(reading, before, after):
    return compare(Group((Night(reading, voices=before),)), Group((Night(reading, voices=after),)))


def test_each_sound_is_drawn_before_and_after_by_level_and_tones(reading, twin_readings):
    voices = tuple(replace(one, profile=one.profile[:, :5]) for one in twin_readings.voices())
    softer = tuple(replace(one, profile=one.profile / np.float32(4)) for one in voices)
    figure = mean_sounds_figure(compared(reading, voices, softer))
    axes = np.array(figure.axes).reshape(3, 4)
    assert [one.get_title(loc="left") for one in axes[0]] == [
        "contact, side a", "contact, side b", "drop, side a", "drop, side b",
    ]  # fmt: skip
    before, after = (line.get_ydata() for line in axes[0, 2].get_lines())
    assert before.max() - after.max() == pytest.approx(
        10 * np.log10(4), abs=0.2
    )  # a level of 26 dB above the room
    shown = [one.collections[0].get_array().max() for one in axes[1:, 2]]
    assert shown == pytest.approx([before.max(), after.max()], abs=1e-6)


def test_a_sound_that_one_side_lacks_is_left_out_and_without_any_nothing_is_drawn(reading, twin_readings):
    voices = twin_readings.voices()
    drops = tuple(one for one in voices if one.kind == "drop")
    assert len(mean_sounds_figure(compared(reading, voices, drops)).axes) == 6
    nothing = compared(reading, voices, ())
    assert not has_mean_sounds(nothing)
    with pytest.raises(InputError, match="no mean sound was kept"):
        mean_sounds_figure(nothing)
