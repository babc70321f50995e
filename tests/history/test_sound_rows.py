"""Rows of a comparison that come from the sounds: loudness, ring, brightness, likeness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.history.comparison import Group, Night, compare
from torsionbeat.history.mean_sounds import mean_sounds_document, mean_sounds_of


def no_events(reading):
    e = reading.events
    return type(e)(*(getattr(e, name)[:0] for name in type(e).__dataclass_fields__))


def test_loudness_is_absent_with_a_reason_where_no_single_sounds_were_kept(plain):
    bare = replace(plain, events=no_events(plain))
    row = compare(bare, bare).row("loudness of contact and drop")
    assert row.verdict == "not judged"
    assert row.note == "the readings were kept without the levels of their sounds"


def test_loudness_is_not_judged_where_the_microphone_may_have_moved(plain, overhauled):
    result = compare(plain, overhauled)
    row = result.row("drop, side b, above the room")
    assert row.before.value == pytest.approx(20, abs=0.5)
    assert row.verdict == "not judged"
    assert "--same-place" in row.note
    # 4 dB between the sides is within what another place alone may do
    assert result.row("drop, side b louder than side a").verdict == "no change to be seen"


def test_bangs_beside_some_sounds_move_no_level(plain, make_night):
    other = make_night(65)
    low = np.where(np.random.default_rng(3).random(len(other.events)) < 0.2, -15.0, 0.0)
    banged = replace(other, events=replace(other.events, level_db=other.events.level_db + low))
    result = compare(plain, banged, same_place=True)
    for side in "ab":
        assert abs(result.row(f"drop, side {side}, above the room").change.value) < 1


def test_voices_are_compared_and_only_groups_are_judged(plain, twin_readings):
    voices = twin_readings.voices()
    slower = tuple(replace(voice, frame_s=voice.frame_s * 1.5) for voice in voices)
    alone = compare(Group((Night(plain, voices=voices),)), Group((Night(plain, voices=slower),)))
    row = alone.row("drop, side a, falls by 10 dB in")
    assert "microphone's place" in row.note
    assert row.after.value == pytest.approx(1.5 * row.before.value)
    assert row.verdict == "not judged"
    assert "likeness of the sounds 1.00" in row.note
    several = compare(
        Group(tuple(Night(plain, voices=voices) for _ in range(3))),
        Group(tuple(Night(plain, voices=slower) for _ in range(3))),
        same_place=True,
    )
    assert several.row("drop, side a, falls by 10 dB in").verdict == "changed"


def with_bands(voices, brighter=1.0):
    """Give voices of five bands with the room's level, the upper bands louder by a factor a band."""
    tilt = brighter ** np.arange(5)
    floor = tuple((1e-7 * np.array([8.0, 4, 2, 1, 1])).tolist())
    return tuple(
        replace(voice, profile=(voice.profile[:, :5] * tilt).astype(np.float32), floor=floor)
        for voice in voices
    )


def one_each(plain, old, new, **more):
    return compare(Group((Night(plain, voices=old),)), Group((Night(plain, voices=new),)), **more)


def test_two_dates_tell_a_voice_that_became_brighter_and_leave_one_alone_that_did_not(plain, twin_readings):
    voices = with_bands(twin_readings.voices())
    kept = mean_sounds_of(mean_sounds_document(voices))
    same = one_each(plain, voices, kept, same_place=True)
    for name in ("falls by 10 dB in", "brightness", "spread of its tones"):
        assert same.row(f"drop, side a, {name}").verdict == "no change to be seen"
    brighter = one_each(plain, voices, with_bands(twin_readings.voices(), 2.0), same_place=True)
    row = brighter.row("drop, side a, brightness")
    assert row.verdict == "changed"
    assert row.change.value > 0


def test_brightness_is_that_of_the_sound_itself_whatever_the_rooms_noise(plain, twin_readings):
    """Twice the noise in the upper bands halves what stands above it: the sound is the same."""
    voices = with_bands(twin_readings.voices())
    noise = np.array([1.0, 1.0, 2.0, 4.0, 4.0])
    noisier = tuple(
        replace(
            one,
            profile=(one.profile / noise).astype(np.float32),
            floor=tuple((np.array(one.floor) * noise).tolist()),
        )
        for one in voices
    )
    result = one_each(plain, voices, noisier, same_place=True)
    for name in ("brightness", "spread of its tones"):
        row = result.row(f"drop, side b, {name}")
        assert row.before.value == pytest.approx(row.after.value, rel=1e-5)


def test_across_recorders_no_voice_is_said_to_have_changed(plain, twin_readings):
    voices = with_bands(twin_readings.voices())
    other = replace(plain, recording=replace(plain.recording, sample_rate_hz=44_100.0))
    result = compare(
        Group((Night(plain, voices=voices),)),
        Group((Night(other, voices=with_bands(twin_readings.voices(), 3.0)),)),
        same_place=True,
    )
    row = result.row("drop, side a, brightness")
    assert row.verdict == "not judged"
    assert "different recorders" in row.note


def test_mean_sounds_kept_without_the_rooms_level_tell_no_brightness(plain, twin_readings):
    old = tuple(replace(one, floor=()) for one in with_bands(twin_readings.voices()))
    row = one_each(plain, old, with_bands(twin_readings.voices()), same_place=True).row(
        "drop, side a, brightness"
    )
    assert row.verdict == "not judged"
    assert "without the room's own level" in row.note


@pytest.mark.parametrize(
    ("name", "scatter"), [("falls by 10 dB in", 0.24), ("brightness", 0.03), ("spread of its tones", 0.105)]
)
def test_one_recording_a_side_is_judged_by_what_clocks_left_alone_differ_by(
    plain, twin_readings, name, scatter
):
    """Root mean square change of 13 pairs of the twin over hypot(before, after): no surer than that, nor twice as wide."""
    voices = with_bands(twin_readings.voices())
    row = one_each(plain, voices, voices, same_place=True).row(f"drop, side a, {name}")
    half = (row.change.high - row.change.low) / 2
    share = half / 1.96 / np.hypot(row.before.value, row.after.value)
    assert scatter <= share < 2 * scatter
