"""Which side is which: letters made to agree by the sounds, and by the beat error where the sounds do not tell."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.history.comparison import compare
from torsionbeat.history.findings import find
from torsionbeat.history.nights import Night, with_sides_swapped
from torsionbeat.history.side_matching import (
    SOUND_MAY_MISLEAD,
    SURE,
    TOUCHED,
    UNTOUCHED,
    SideMarks,
    alike,
    marks_of,
    recognise,
    same_letters,
    same_side_log_odds,
)

LEVELS = {("a", "contact"): 14.0, ("b", "contact"): 20.0, ("a", "drop"): 30.0, ("b", "drop"): 26.0}


@pytest.fixture(scope="module")
def nights(make_night):
    return [Night(make_night(seed, hours=1.0, level_db=LEVELS)) for seed in (71, 72, 73)]


def unlike(twin_readings):
    """Mean sounds of a clock whose side b rings in the upper bands and side a in the lower ones."""
    return tuple(
        replace(voice, profile=voice.profile * np.geomspace(*((1, 30) if voice.side == "b" else (30, 1)), 12))
        for voice in twin_readings.voices()
    )


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


def error_marks(value, sigma=0.3):
    return SideMarks(beat_error_ms=ufloat(value, sigma))


def test_an_untouched_setting_keeps_its_sign():
    known = error_marks(14.2)
    kept, turned = (recognise([known], error_marks(value), UNTOUCHED) for value in (14.5, -14.6))
    assert (kept.sure, kept.exchanged) == (True, False)
    assert (turned.sure, turned.exchanged) == (True, True)


@pytest.mark.parametrize("value", [0.2, -3.0, 40.0, -55.0])
def test_a_beat_error_unlike_the_last_names_no_side(value):
    # too small to have a sign, or of a size to which the setting must have been moved: either sign is possible
    assert not recognise([error_marks(14.2)], error_marks(value), UNTOUCHED).sure


def test_after_work_on_the_beat_its_sign_tells_nothing():
    assert not recognise([error_marks(14.2)], error_marks(-13.0), TOUCHED).sure


@pytest.mark.parametrize(("before", "after"), [(521.0, -434.0), (60.0, -35.0), (8.0, -6.5)])
@pytest.mark.parametrize("moved", [UNTOUCHED, TOUCHED])
def test_a_setting_moved_past_the_middle_is_not_turned_back_by_its_size(twin_readings, before, after, moved):
    voices = unlike(twin_readings)
    known, new = (SideMarks(voices, beat_error_ms=ufloat(value, 0.3)) for value in (before, after))
    assert not recognise([known], new, moved).exchanged
    assert recognise([known], new.exchanged(), moved).exchanged
    assert recognise([known], new, TOUCHED).sure


def test_the_beat_error_is_compared_with_the_latest_reading_alone():
    match = recognise([error_marks(-20.0), error_marks(14.0)], error_marks(14.1), UNTOUCHED)
    assert (match.sure, match.exchanged) == (True, False)


def test_nothing_known_is_even_odds():
    assert recognise([], error_marks(3.0), UNTOUCHED).probability == 0.5
    assert same_side_log_odds(SideMarks(), SideMarks(), UNTOUCHED) == 0.0


def test_clear_sounds_outvote_the_sign_of_the_beat_error(twin_readings):
    voices = tuple(
        replace(voice, profile=voice.profile * np.geomspace(*((1, 30) if voice.side == "b" else (30, 1)), 12))
        for voice in twin_readings.voices()
    )
    known = SideMarks(voices, beat_error_ms=ufloat(14.0, 0.3))
    moved_past_the_middle = SideMarks(voices, beat_error_ms=ufloat(-9.0, 0.3))
    assert not recognise([known], moved_past_the_middle, UNTOUCHED).exchanged


def test_exchanged_marks_are_the_same_clock_with_its_letters_exchanged(nights):
    known, new = marks_of(nights[0]), marks_of(nights[1])
    odds = same_side_log_odds(known, new, 1.0)
    assert odds > 0
    assert same_side_log_odds(known, new.exchanged(), 1.0) == pytest.approx(-odds)
    swapped, other = (
        dict(marks.louder_b_db) for marks in (marks_of(with_sides_swapped(nights[1])), new.exchanged())
    )
    assert {kind: level.nominal_value for kind, level in swapped.items()} == pytest.approx(
        {kind: level.nominal_value for kind, level in other.items()}
    )


def test_sounds_alone_are_bounded(twin_readings):
    voices = tuple(
        replace(
            voice, profile=voice.profile * np.geomspace(*((1, 1e4) if voice.side == "b" else (1e4, 1)), 12)
        )
        for voice in twin_readings.voices()
    )
    odds = same_side_log_odds(SideMarks(voices), SideMarks(voices), 1.0)
    assert (
        SURE < 1 / (1 + np.exp(-odds)) < 1 - SOUND_MAY_MISLEAD / 3
    )  # half of it is the bound, less rounding


def test_marks_come_back_from_their_document(nights):
    marks = replace(marks_of(nights[0]), voices=())
    back = SideMarks.of_document(json.loads(json.dumps(marks.document())))
    assert back.beat_error_ms.nominal_value == marks.beat_error_ms.nominal_value
    assert [kind for kind, _ in back.louder_b_db] == [kind for kind, _ in marks.louder_b_db]
    assert same_side_log_odds(marks, back, 1.0) == same_side_log_odds(marks, marks, 1.0)
