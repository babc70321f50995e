"""The portrait: what every beat has is there, at its time and tone; talk in a few of them is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.beat_sounds.cuts import BeatCut
from torsionbeat.beat_sounds.portrait import portrait_of
from torsionbeat.errors import InputError

RATE_HZ = 16_000


def beats(count=30, *, contact=True, talk=0, unlocking=False, seed=1):
    """Give cuts whose passage varies by some milliseconds: contact at 4 kHz, drop at 2 kHz, noise under both."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(count):
        contact_s, drop_s = 0.1, 0.6 + 0.004 * rng.standard_normal()
        t = np.arange(round((drop_s + 0.31) * RATE_HZ)) / RATE_HZ
        sound = 1e-3 * rng.standard_normal(len(t))
        parts = [(drop_s, 2000.0, 0.5)] + [(contact_s, 4000.0, 0.1)] * contact
        parts += [(contact_s + 0.2, 3000.0, 0.05)] * unlocking
        for begin, hz, peak in parts:
            after = np.maximum(t - begin, 0)
            sound += peak * (t >= begin) * np.sin(2 * np.pi * hz * after) * np.exp(-after / 0.006)
        if number < talk:
            sound += 0.5 * np.sin(2 * np.pi * 300.0 * t)
        first = contact_s if contact else float("nan")
        made.append(BeatCut(number, "ab"[number % 2], 30.0 * number, sound.astype(np.float32), first, drop_s))
    return made


def test_both_sides_show_contact_and_drop_at_their_times_and_tones():
    portrait = portrait_of("Gate house", beats(), RATE_HZ)
    assert [side.side for side in portrait.sides] == ["a", "b"]
    for side in portrait.sides:
        assert side.beats == 15
        assert side.contact_s == pytest.approx(-0.5, abs=0.005)
        for when_s, hz in ((0.0, 2000.0), (side.contact_s, 4000.0)):
            column = np.argmin(np.abs(side.time_s - when_s - 0.003))
            row = np.argmax(side.power[:, column])
            assert side.hz[row] == pytest.approx(hz, abs=130)  # rows of 8 ms lie 125 Hz apart
        rise = np.argmax(side.level_db > -3)
        assert side.time_s[rise] == pytest.approx(0.0, abs=0.006)  # a window of 8 ms sees the drop 4 ms early
        assert side.other_s == ()


def test_an_unlocking_is_marked():
    for side in portrait_of("Gate house", beats(unlocking=True), RATE_HZ).sides:
        assert len(side.other_s) == 1
        assert side.other_s[0] == pytest.approx(side.contact_s + 0.2, abs=0.01)


def test_talk_in_a_third_of_the_beats_does_not_show():
    plain = portrait_of("Gate house", beats(), RATE_HZ).sides[0]
    talked = portrait_of("Gate house", beats(talk=10), RATE_HZ).sides[0]
    row = np.argmin(np.abs(plain.hz - 300))
    # A tone of half of full scale in 5 of 15 beats: their mean power would lie some 50 dB above the noise.
    assert 10 * np.log10(talked.power[row].mean() / plain.power[row].mean()) < 6


def test_drops_alone_are_drawn_from_the_drop():
    side = portrait_of("Glass shelf", beats(contact=False), RATE_HZ).sides[0]
    assert np.isnan(side.contact_s)
    assert side.time_s[0] == pytest.approx(-0.08, abs=1e-9)
    assert side.time_s[-1] == pytest.approx(0.30, abs=2e-3)


def test_each_tone_is_seen_against_the_room_of_its_own():
    side = portrait_of("Gate house", beats(), RATE_HZ).sides[0]
    shown = side.over_room_db()
    room, drop = shown[:, side.time_s < side.contact_s - 0.02], np.argmin(np.abs(side.time_s - 0.003))
    # Noise of 1e-3 in windows of 128 samples (Hann): a tone of 0.5 peak stands 10 lg(0.5**2 / 4 * 128**2 * 0.25 / (128 *
    # 0.375 * 1e-6)) = 67 dB over it in power, less 20 lg(e) * 3 ms / 6 ms = 4 dB by 3 ms after its beginning.
    row = np.argmin(np.abs(side.hz - 2000))
    assert shown[row, drop] == pytest.approx(63, abs=4)
    assert 0 <= np.median(room) < 2
    assert room.min() == 0.0
    louder = replace(side, power=100 * side.power)
    assert louder.over_room_db() == pytest.approx(shown)
    silent = replace(side, power=np.where(side.power > 0.1 * side.power.max(), side.power, 0.0))
    assert np.isfinite(silent.over_room_db()).all()
    assert silent.over_room_db().max() == pytest.approx(90)


def test_without_beats_there_is_no_portrait():
    with pytest.raises(InputError, match="no beat is there"):
        portrait_of("", [], RATE_HZ)
