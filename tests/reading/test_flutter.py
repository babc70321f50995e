"""Flutter: drops that come again are counted, echoes, bankings, talk and another clock are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.hearing.heard import DropsAgain
from torsionbeat.hearing.listener import Listener
from torsionbeat.history.nights import Night, reading_from_document, with_sides_swapped
from torsionbeat.history.wheel_findings import wheel_signs
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Clock, FlutterBeat, FlutterReport, Swings
from torsionbeat.reading.flutter import _chance, flutter_of
from torsionbeat.reading.measuring import reading_of
from torsionbeat.reading.movement import flutter_words, with_movement
from torsionbeat.sound.timebase import stated_timebase
from torsionbeat.twin import (
    Balance,
    Bangs,
    Drive,
    Escapement,
    Flutter,
    OtherClock,
    Recorder,
    Room,
    Talk,
    TwinClock,
    simulate,
)

PERIOD_S = 6.1  # no whole number of a quartz clock's seconds


def heard(seed, *, seconds=400.0, room=None, flutter=None, sounds=("contact", "drop")):
    """Give the reading of a simulated recording with what its beats tell of the movement, and its truth."""
    clock = TwinClock(
        Balance(PERIOD_S), Escapement(lift_deg=20.0), Drive(arc_deg=300.0), sounds=sounds, flutter=flutter
    ).with_period(PERIOD_S)
    made = simulate(clock, room or Room(), Recorder(16_000), seconds, seed)
    listener = Listener(16_000.0, nominal_period_s=PERIOD_S)
    for block in made.blocks(1 << 18):
        listener.feed(block)
    found = listener.finish()
    reading = reading_of(found, Clock("", PERIOD_S, 20.0), stated_timebase(0.0, 0.1), "night")
    return with_movement(reading, found), made.truth


@pytest.fixture(scope="module")
def fluttering():
    return heard(3, flutter=Flutter(share=0.08, burst_beats=3.0))


def test_further_drops_are_counted_with_their_beats_and_times(fluttering):
    reading, truth = fluttering
    extra = truth.events.where(kind="flutter").clean_time_s
    drops = np.array([beat.drop_s for beat in truth.beats])
    true_beats = np.unique(np.searchsorted(drops, extra) - 1)
    report = reading.flutter
    assert len(true_beats) >= 5
    told = {int(np.searchsorted(drops, beat.time_s + 0.3)) - 1 for beat in report.beats}
    assert not told - set(true_beats.tolist())
    assert len(told) >= 0.8 * len(true_beats)
    assert report.extra_drops == pytest.approx(len(extra), abs=0.3 * len(extra))
    assert report.false_alarm < 0.004
    for beat in report.beats:
        drop = drops[np.searchsorted(drops, beat.time_s + 0.3) - 1]
        for after_s in beat.after_s:  # a rise is placed to a step or two of a millisecond
            assert np.abs(extra - drop - after_s).min() < 4e-3


def test_flutter_makes_no_beats_and_leaves_the_period(fluttering):
    reading, truth = fluttering
    assert reading.beats_heard == len(truth.beats)
    assert reading.period_s.nominal_value == pytest.approx(PERIOD_S, rel=2e-4)


def test_it_is_told_in_a_remark_a_finding_and_the_document_which_gives_it_back(fluttering):
    reading, _ = fluttering
    [said] = [remark for remark in reading.remarks if remark.code == "flutter"]
    assert f"the drop came again, {reading.flutter.extra_drops} times in all" in said
    [finding] = [one for one in wheel_signs(reading) if one.sign == "flutter"]
    assert "Do not regulate" in finding.look_first
    document = reading_document(reading)["flutter"]
    assert document["hands_ahead_s"] == pytest.approx(reading.flutter.extra_drops * PERIOD_S / 2, rel=1e-3)
    assert sum(row["extra_drops"] for row in document["by_hour"]) == document["extra_drops"]
    back = reading_from_document(reading_document(reading))
    assert back.flutter == reading.flutter
    turned = with_sides_swapped(Night(reading)).reading.flutter
    assert [beat.side for beat in turned.beats] != [beat.side for beat in reading.flutter.beats]
    assert turned.beats[0].number == reading.flutter.beats[0].number + 1


@pytest.mark.parametrize(
    ("seed", "room", "sounds"),
    [
        (4, Room(), ("contact", "drop")),
        (5, Room(), ("contact", "unlocking", "drop", "banking")),
        (6, Room(talk=Talk(per_hour=300), bangs=Bangs(per_hour=120)), ("contact", "drop")),
        (7, Room(), ("drop",)),
        (8, Room(others=(OtherClock(1.0),)), ("contact", "drop")),
        (9, Room(wetness=3.0, echo_decay_s=0.8), ("contact", "drop")),
    ],
)
def test_a_healthy_clock_does_not_flutter(seed, room, sounds):
    reading, _ = heard(seed, room=room, sounds=sounds)
    assert reading.flutter.beats == ()
    assert reading.flutter.searched >= 115


def test_a_beat_that_was_not_heard_is_no_flutter_and_is_not_searched():
    swings, again = rows({20: (0.07,), 21: (0.07,), 22: (0.07,), 23: (0.08,), 40: (0.07,)})
    report = flutter_of(again, missing(swings, [40, 41]), 1.0)
    assert [beat.number for beat in report.beats] == [20, 21, 22, 23]
    assert report.searched == 98


def rows(extra, beats=100, controls=4, noise=()):
    """Give swings, and what was heard again: ``extra`` by beat after the drop, ``noise`` in control stretches."""
    number = np.arange(beats)
    swings = Swings(number, 30.0 * number, np.where(number % 2, "b", "a"), *[np.full(beats, np.nan)] * 3)
    table = [(beat, 0, after) for beat, all_of in extra.items() for after in all_of]
    table += [(beat, stretch, at) for beat, stretch, at in noise]
    beat, stretch, after = (np.array(column) for column in zip(*sorted(table), strict=True))
    return swings, DropsAgain(beat, stretch, after, np.ones(len(beat), bool), number, controls)


def missing(swings, numbers):
    kept = ~np.isin(swings.number, numbers)
    return Swings(*(getattr(swings, name)[kept] for name in Swings.__slots__))


def test_an_echo_keeps_its_distance_and_is_none():
    swings, again = rows({beat: (0.12 + 0.001 * (beat % 3),) for beat in range(0, 100, 2)})
    assert flutter_of(again, swings, 1.0).beats == ()


def test_what_sounds_again_in_most_beats_of_a_side_at_any_distance_is_none():
    rng = np.random.default_rng(1)
    swings, again = rows({beat: (float(rng.uniform(0.05, 0.4)),) for beat in range(0, 100, 2)})
    assert flutter_of(again, swings, 1.0).beats == ()


def test_the_echo_of_a_further_drop_is_not_counted_as_another():
    """Seen with another clock in the room: each further drop had a second part 29 ms behind it."""
    extra = {beat: (0.060 + 0.007 * k, 0.089 + 0.007 * k, 0.150) for k, beat in enumerate(range(10, 20))}
    swings, again = rows({**extra, 13: (0.07, 0.14), 16: (0.08,)})
    report = flutter_of(again, swings, 1.0)
    counts = {beat.number: len(beat.after_s) for beat in report.beats}
    assert counts[13] == 2
    assert counts[16] == 1
    assert all(count <= 2 for count in counts.values())


def test_noise_that_is_as_frequent_elsewhere_is_none():
    extra = {beat: (0.05 + 0.003 * beat,) for beat in range(0, 60, 7)}
    noise = [(beat, 1 + beat % 4, 0.05 + 0.003 * beat) for beat in range(1, 99, 3)]
    swings, again = rows(extra, noise=noise)
    report = flutter_of(again, swings, 1.0)
    assert report.beats == ()
    assert report.by_noise == len(noise)


def test_few_beats_are_not_searched():
    swings, again = rows({3: (0.07,)}, beats=12)
    assert flutter_of(again, swings, 1.0) is None
    reading, _ = heard(8, seconds=55.0)
    assert reading.flutter is None
    assert reading_document(reading)["flutter"] is None


def test_the_chance_is_that_of_two_counts():
    assert _chance(0, 5, 4) == 1.0
    assert _chance(4, 0, 4) == pytest.approx(0.2**4)
    assert _chance(5, 5, 1) == pytest.approx(0.623, abs=1e-3)  # binomial table, n = 10, 5 or more


def test_the_hands_run_ahead_by_half_a_period_a_drop_and_the_hours_are_said():
    beats = tuple(FlutterBeat(n, "a", 600.0 * n, (0.07,) * (1 + n % 2)) for n in range(0, 9, 3))
    report = FlutterReport(beats, 960, 4, 4, 1e-5)
    said = flutter_words(report, 60.0)
    assert "In 3 of 960 swings the drop came again, 4 times in all" in said
    assert "3 in hour 1, 1 in hour 2; noise passes for it in 1 swings" in said
    assert "The hands ran ahead by about 120 s" in said
    assert "cannot be said" in flutter_words(None, 60.0)
    assert "any of 960 swings" in flutter_words(replace(report, beats=()), 60.0)
