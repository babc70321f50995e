"""Flutter: drops that come again are found, echoes, bankings and bangs are not."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.beat_sounds.cuts import beat_cuts
from torsionbeat.beat_sounds.flutter import REACH_S, _chance, find_flutter
from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock, Events, Reading, RecordingInfo, Swings, Timebase
from torsionbeat.sound.recording import open_recording
from torsionbeat.twin import (
    Balance,
    Bangs,
    Drive,
    Escapement,
    Flutter,
    Recorder,
    Room,
    Talk,
    TwinClock,
    simulate,
)

PERIOD_S = 6.0


def report_of(tmp_path, seed, *, seconds=360.0, room=None, flutter=None, sounds=("contact", "drop")):
    """Give what is found in a simulated recording at its true beats, and how many teeth fell besides."""
    clock = TwinClock(
        Balance(PERIOD_S), Escapement(lift_deg=20.0), Drive(arc_deg=300.0), sounds=sounds, flutter=flutter
    )
    made = simulate(clock, room or Room(), Recorder(16_000), seconds, seed)
    path = tmp_path / "night.wav"
    made.write(path)
    beats = [beat for beat in made.truth.beats if np.isfinite(beat.drop_s)]
    contact, drop = (np.array([getattr(beat, name) for beat in beats]) for name in ("contact_s", "drop_s"))
    side, number = np.array([beat.side for beat in beats]), np.array([beat.number for beat in beats])
    passage = drop - contact if "contact" in sounds else np.full(len(drop), np.nan)
    middle = (contact + drop) / 2 if "contact" in sounds else drop
    swings = Swings(number, middle, side, np.full(len(drop), PERIOD_S), passage, np.full(len(drop), np.nan))
    nothing = Events([], [], [], [])
    reading = Reading(
        RecordingInfo("night", seconds, 16_000.0, 1), Timebase("stated", 0.0, 0.1), Clock(), *[None] * 6, 0, 0, swings,
        nothing,
    )  # fmt: skip
    with open_recording(path) as recording:
        cuts = beat_cuts(recording, reading, before_s=REACH_S + 0.02, after_s=REACH_S + 0.02)
        return find_flutter(cuts, recording.sample_rate_hz), made.truth


def test_further_drops_are_counted_with_their_beats(tmp_path):
    found, truth = report_of(tmp_path, 3, flutter=Flutter(share=0.05, burst_beats=3.0))
    extra = truth.events.where(kind="flutter")
    drops = np.array([beat.drop_s for beat in truth.beats])
    fluttering = {truth.beats[at].number for at in np.searchsorted(drops, extra.clean_time_s) - 1}
    told = {beat.number for beat in found.beats}
    assert len(fluttering) >= 5
    assert len(told & fluttering) >= 0.8 * len(fluttering)
    assert not told - fluttering
    assert found.extra_teeth == pytest.approx(len(extra), abs=0.3 * len(extra))
    assert found.false_alarm < 0.004


@pytest.mark.parametrize(
    ("seed", "room", "sounds"),
    [
        (4, Room(), ("contact", "drop")),
        (5, Room(), ("contact", "unlocking", "drop", "banking")),
        (6, Room(talk=Talk(per_hour=300), bangs=Bangs(per_hour=120)), ("contact", "drop")),
        (7, Room(), ("drop",)),
    ],
)
def test_a_healthy_clock_does_not_flutter(tmp_path, seed, room, sounds):
    found, _ = report_of(tmp_path, seed, room=room, sounds=sounds)
    assert found.beats == ()
    assert found.searched >= 115


def test_a_few_beats_are_too_few(tmp_path):
    with pytest.raises(InputError, match="too few to know the drop's sound"):
        report_of(tmp_path, 8, seconds=30.0)


def test_the_chance_is_that_of_two_counts():
    assert _chance(0, 5, 100) == 1.0
    assert _chance(1, 0, 100) == 0.5
    assert _chance(8, 0, 100) == pytest.approx(0.5**8)
    assert _chance(5, 5, 100) == pytest.approx(0.623, abs=1e-3)  # binomial table, n = 10, 5 or more


def test_flutter_is_told_with_its_hours_and_what_the_hands_do():
    from torsionbeat.beat_sounds.flutter import FlutterBeat, FlutterReport
    from torsionbeat.display.portrait import flutter_words

    beats = tuple(FlutterBeat(n, "a", 600.0 + 60 * n, (0.07,) * (1 + n % 2)) for n in range(0, 9, 3))
    said = flutter_words(FlutterReport(beats, 960, 1, 1e-5), 60.0)
    assert "In 3 of 960 swings the drop came again, 4 times in all (noise passed for it in 1)" in said
    assert "from 10 to 16 minutes after the start" in said
    assert "The hands run ahead by 120 s" in said  # four drops of half a period each
    assert "cannot be said" in flutter_words(None, 60.0)
    assert "any of 960 swings" in flutter_words(FlutterReport((), 960, 1, 0.5), 60.0)
