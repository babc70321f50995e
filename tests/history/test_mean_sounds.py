"""Mean sounds as the bench log keeps them: what comes back, and what is refused."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.history.mean_sounds import mean_sounds_document, mean_sounds_of
from torsionbeat.history.sound_rows import likeness


@pytest.fixture
def voices():
    rng = np.random.default_rng(5)
    return tuple(
        VoiceProfile(
            side, kind, 0.0005, -0.0125, rng.exponential(300, (80, 5)).astype(np.float32), 40 + number
        )
        for number, (side, kind) in enumerate(
            [("a", "contact"), ("b", "contact"), ("a", "drop"), ("b", "drop")]
        )
    )


def test_they_come_back_within_an_eighth_of_a_decibel(voices):
    kept = json.loads(json.dumps(mean_sounds_document(voices)))
    back = mean_sounds_of(kept)
    for old, new in zip(voices, back, strict=True):
        assert (old.side, old.kind, old.beats, old.frame_s, old.start_s) == (
            new.side,
            new.kind,
            new.beats,
            new.frame_s,
            new.start_s,
        )
        apart = 10 * np.log10((1 + new.profile) / (1 + old.profile))
        assert np.abs(apart).max() <= 0.125 + 1e-4  # half a step of a quarter of a decibel, and float32
        assert likeness(old, new) > 0.9999


def test_the_rooms_level_comes_back_and_one_that_does_not_fit_is_refused(voices):
    with_floor = [dataclasses.replace(voice, floor=(1e-7, 2e-7, 1e-8, 1e-9, 3e-9)) for voice in voices]
    rows = mean_sounds_document(with_floor)
    assert mean_sounds_of(rows)[0].floor == pytest.approx(
        with_floor[0].floor, rel=2e-3
    )  # a hundredth of a decibel
    assert mean_sounds_of([{key: rows[0][key] for key in rows[0] if key != "floor_db"}])[0].floor == ()
    with pytest.raises(InputError, match="2 floors of 5 bands"):
        mean_sounds_of([rows[0] | {"floor_db": [-70.0, -71.0]}])


def test_they_are_small(voices):
    assert len(json.dumps(mean_sounds_document(voices))) < 4000  # bytes, four sounds of 80 frames and 5 bands


def test_a_loud_sound_stays_at_the_loudest_step():
    voice = VoiceProfile("a", "drop", 0.0005, 0.0, np.full((4, 2), 1e9, np.float32), 1)
    [back] = mean_sounds_of(mean_sounds_document([voice]))
    np.testing.assert_allclose(10 * np.log10(1 + back.profile), 255 / 4, atol=1e-3)  # float32


@pytest.mark.parametrize(
    "spoilt",
    [
        {"side": "c"},
        {"kind": "bang"},
        {"levels": "***"},
        {"bands": 7},
        {"beats": "many"},
        {"frame_s": None},
    ],
)
def test_what_is_not_ours_is_refused_in_words(voices, spoilt):
    rows = mean_sounds_document(voices)
    with pytest.raises(InputError, match="mean sounds kept with a reading cannot be understood"):
        mean_sounds_of([rows[0] | spoilt])
    with pytest.raises(InputError, match="20 mean sounds"):
        mean_sounds_of(rows * 5)
