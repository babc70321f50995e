"""Remarks: each doubt is told once, in a sentence, and none is told without its reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.hearing.heard import Heard, HeardSounds, OtherAccount
from torsionbeat.reading.beats import StackedPassage
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.jumps import Jump
from torsionbeat.reading.remarks import remarks_on
from torsionbeat.sound.timebase import stated_timebase, unknown_timebase

SURE = Heard(48_000 * 1800, 48_000.0, 0, 1, 60 * 48_000.0, HeardSounds.joined([]), peak=0.1, standing_db=20.0)


@pytest.fixture(scope="module")
def night(make_night):
    known = Clock("Harbour lamp", 60.0, 20.0, 0.5)
    return make_night(1, hours=0.5, clock=known, timebase=stated_timebase(0.0, 0.1))


@pytest.fixture
def remarks(night):
    def of(heard=SURE, *, strays=0, together=(), jumps=(), **changed):
        return remarks_on(
            replace(night, **changed), heard, strays=strays, together=dict(together), jumps=list(jumps)
        )

    return of


def test_clear_night_has_no_remarks(remarks):
    assert remarks() == []


@pytest.mark.parametrize("early_ms", [0.5, 8.0])
def test_a_contact_that_begins_softly_is_told(remarks, early_ms):
    ones = np.ones(4)
    sounds = HeardSounds(
        np.arange(4), np.full(4, "contact"), 0 * ones, ones, ones, ones > 0, 0 * ones, early_ms * 48 * ones
    )
    told = remarks(replace(SURE, sounds=sounds))
    assert [one[:60] for one in told] == [
        "A softer sound shows 8 ms before the contact proper, from which the "[:60]
    ] * (early_ms > 1)


@pytest.mark.parametrize(
    ("heard", "words"),
    [
        ({"second_period_s": 15.02}, "Another torsion clock is heard, with a period of about 15.02 s"),
        ({"other_intervals_s": (1.0,)}, "Another clock is heard, its sound repeating every 1 s"),
        ({"one_sided": True}, "Only one sound a period is heard"),
        ({"channels": 2, "channel": 1}, "Of 2 channels, channel 2 hears the clock best"),
        ({"clipped_samples": 5000}, "The sound is clipped: turn the recorder's level down"),
        ({"bad_samples": 3}, "3 samples were no numbers"),
        ({"standing_db": 6.0}, "The drops stand only 6 dB above the room"),
    ],
)
def test_what_the_sound_showed(remarks, heard, words):
    (remark,) = remarks(replace(SURE, **heard))
    assert words in remark


@pytest.mark.parametrize(
    ("other_s", "said"), [(19.9972, True), (15.02, False), (180.2, False), (179.97, True)]
)
def test_another_clock_in_step_draws_the_times(remarks, other_s, said):
    """The night's period is 59.99 s: three times 19.9972 s to within 30 ppm."""
    (remark,) = remarks(replace(SURE, second_period_s=other_s))
    assert ("goes 3 times into the other" in remark) == said


def test_strays_together_and_missed_beats(remarks, night):
    assert "2 sounds did not fit the beat" in remarks(strays=2)[0]
    assert "1 sound did not fit" in remarks(strays=1)[0]
    stacked, typical = (StackedPassage(0.9, 0.001, 20.0, 0.0, 0.0, lead_s) for lead_s in (0.006, 0.0))
    (one,) = remarks(together={1: stacked})
    assert "all beats averaged together" in one
    (one,) = remarks(together={1: typical})
    assert one.startswith("The contact of side b is heard in only part of the beats")
    assert "contact of both sides" in remarks(together={0: typical, 1: typical})[0]
    assert len(remarks(together={0: stacked, 1: typical})) == 2
    (missed,) = remarks(beats_expected=night.beats_heard + 9)
    assert missed.startswith(f"9 of {night.beats_heard + 9} beats were not heard")


@pytest.mark.parametrize(
    ("one_sided", "step", "times"), [(False, 3, 3), (True, 4, 2), (True, 2, None), (False, 1, None)]
)
def test_beats_that_are_never_heard_are_a_wrong_period(remarks, night, one_sided, step, times):
    """A clock of 60 s told to be one of 20 s answers with every third beat."""
    swings = replace(night.swings, number=step * np.arange(len(night.swings.number)))
    told = [
        text
        for text in remarks(replace(SURE, one_sided=one_sided), swings=swings)
        if "the others never" in text
    ]
    assert bool(told) == (times is not None)
    if times:
        assert f"{times} times as long, about {times * 59.99:.3g} s" in told[0]


def test_jumps_are_told_with_time_and_size(remarks):
    (shift,) = remarks(jumps=[Jump(40, 42, 3725.0, 0.0, -0.125)])
    assert "At 1:02:05 h the beat error jumped by -125 ms" in shift
    assert "all beats" not in shift
    (knock,) = remarks(jumps=[Jump(40, 42, 65.0, 0.31, 0.001)])
    assert "At 1:05 min all beats jumped by +0.310 s" in knock
    assert "beat error jumped" not in knock


def test_gaps_are_told_with_their_length(remarks, night):
    holed = replace(night.recording, gaps=((100.0, 103.0), (200.0, 261.0)))
    (remark,) = remarks(recording=holed)
    assert remark.startswith("2 stretches without sound, 1:04 min in all, are left out")


@pytest.mark.parametrize(
    ("end_s", "said"), [(10.3, "0.30 s"), (14.0, "4.00 s"), (50.0, "40 s"), (70.0, "1:00 min")]
)
def test_a_gap_is_as_long_as_it_is(remarks, night, end_s, said):
    (remark,) = remarks(recording=replace(night.recording, gaps=((10.0, end_s),)))
    assert remark == f"A stretch of {said} without sound is left out; the beats after keep their time."


def test_clock_that_stopped_or_began_late(remarks, night):
    longer = replace(night.recording, duration_s=night.recording.duration_s + 1200)
    (stopped,) = remarks(recording=longer)
    assert "the clock stopped, or the microphone moved" in stopped
    # digital silence at the end is a gap, not a clock that stopped
    silent = replace(longer, gaps=((night.recording.duration_s, longer.duration_s),))
    assert not any("clock stopped" in remark for remark in remarks(recording=silent))
    late = replace(night.swings, time_s=night.swings.time_s + 600)
    whole = replace(night.recording, duration_s=night.recording.duration_s + 600)
    assert any(
        "The first beat is heard only at 10:" in remark for remark in remarks(swings=late, recording=whole)
    )


def test_arc_is_missing_for_a_reason(remarks, night):
    nothing = {"arc_deg": None, "offset_deg": None}
    blank = replace(night.swings, lift_passage_s=np.full(len(night.swings), np.nan))
    assert any("no contact is heard" in remark for remark in remarks(swings=blank, **nothing))
    assert any("add --lift" in remark for remark in remarks(clock=Clock("", 60.0), **nothing))
    for passage_s, words in ((29.8, "smaller than its own lift"), (0.05, "which no balance does")):
        passages = replace(night.swings, lift_passage_s=np.full(len(night.swings), passage_s))
        assert any(words in remark for remark in remarks(swings=passages, **nothing))
    # Passages that a balance makes are no fault of the lift: they are too few, or it is in doubt which sounds they lie between.
    assert [remark for remark in remarks(**nothing) if "The arc is missing" in remark] == [
        "The arc is missing because too few contacts are heard."
    ]
    doubtful = replace(SURE, other_accounts=(OtherAccount(0.3, 0.0, (4000.0, 4000.0)),))
    told = remarks(doubtful, **nothing)
    assert not any("The arc is missing" in remark for remark in told)
    assert any("The arc is not told for that" in remark for remark in told)
    assert any("taken as exact" in remark for remark in remarks(clock=Clock("", 60.0, 20.0)))


def test_period_far_from_the_nominal_one(remarks):
    (far,) = remarks(clock=Clock("", 63.0, 20.0, 0.5))
    assert "far from the nominal 63 s" in far
    (none,) = remarks(clock=Clock("", 15.0, 20.0, 0.5), rate_s_per_day=None)
    assert "cannot be that of a clock with a nominal period of 15 s" in none
    (missing,) = remarks(clock=Clock("", None, 20.0, 0.5), rate_s_per_day=None)
    assert "the nominal period was not given" in missing


def test_timebase(remarks, night):
    from uncertainties import ufloat

    unknown = remarks(timebase=unknown_timebase(), period_s=ufloat(60.0, 60 * 50e-6 / 3**0.5))
    assert "50 ppm either way (4.3 s" in unknown[0]  # 50 ppm is 4.32 s a day
    assert "taken as stated" in remarks(timebase=stated_timebase(12.0, 0.0))[0]
