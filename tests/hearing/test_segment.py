"""One chapter: sounds of both sides in their places, pieces where the beat jumps, nothing where nothing is."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from torsionbeat.hearing import segment
from torsionbeat.hearing.listener import Listener
from torsionbeat.hearing.peak_scores import FewBeats
from torsionbeat.hearing.segment import (
    _in_step,
    _near_told,
    _of_the_same_beat,
    _part_of_told,
    _same_beat,
    hear_chapter,
    hear_pieces,
)
from torsionbeat.tracks.bands import plan_bands
from torsionbeat.tracks.other_clocks import OtherClock
from torsionbeat.tracks.search import Wanted, find_clock
from torsionbeat.twin import Room, at_sigmas

RATE_HZ = 16_000
SIX = Wanted(6.0, 4.0, 121.0)


def seconds(placed):
    """Times at which a kind of sound begins, those that are certain."""
    plan = plan_bands(RATE_HZ)
    chosen = placed.certain & placed.usable
    return placed.frame[chosen] * plan.frame_s + plan.frame_middle_s


def nearest(found, true):
    return found - true[np.abs(found[:, None] - true[None, :]).argmin(axis=1)]


@pytest.fixture(scope="module")
def heard(six, chapter_of):
    return hear_chapter(chapter_of(six[1]), SIX)[0]


def test_every_drop_and_contact_in_its_place(six, heard):
    events = six[0].truth.events
    assert len(heard.sides) == 2
    for kind in ("drop", "contact"):
        true = events.where(kind=kind).time_s
        found = [seconds(getattr(side, kind)) for side in heard.sides]
        assert sum(map(len, found)) >= len(true) - 1
        for times in found:
            away = nearest(times, true)
            assert np.std(away) < 0.0007  # jitter of 0.5 ms is in the truth already
            assert abs(np.mean(away)) < 0.001  # edge of a mean sound


def test_one_sound_found_by_several_tracks_is_no_row_of_ticks(six, heard, chapter_of, monkeypatch):
    """Tracks 8 to 24 ms ahead of a sound lead to the same places: that is one sound, not four ticks that are evenly spaced."""
    once = segment.sounds_round

    def again(up, track, period_frames):
        drop = once(up, track, period_frames)[-1]
        return [replace(drop, frames=drop.frames - ahead) for ahead in (6, 4, 2, 0)]

    monkeypatch.setattr(segment, "sounds_round", again)
    once_more = hear_chapter(chapter_of(six[1]), SIX)[0]
    assert once_more is not None
    for one, other in zip(heard.sides, once_more.sides, strict=True):
        # of tracks of one sound the smoothest stays: within a frame of half a millisecond
        assert np.median(np.abs(one.drop.frame - other.drop.frame)) < 1


def test_single_contacts_need_no_stack(heard):
    assert all(side.together == () for side in heard.sides)
    assert heard.period_frames * plan_bands(RATE_HZ).frame_s == pytest.approx(6.0, rel=1e-3)


def test_room_without_a_clock(chapter_of):
    noise = 0.01 * np.random.default_rng(1).standard_normal(90 * RATE_HZ)
    heard, others = hear_chapter(chapter_of(noise), SIX)
    assert heard is None
    assert others == ()
    assert hear_pieces(chapter_of(noise), SIX) == ([], ())


def test_both_sides_of_a_jump_are_heard(six, chapter_of):
    """1.3 s of sound cut out: more than a track can follow."""
    made, sound = six
    cut = 61 * RATE_HZ
    lost = round(1.3 * RATE_HZ)
    pieces, _ = hear_pieces(chapter_of(np.concatenate([sound[:cut], sound[cut + lost :]])), SIX)
    true = made.truth.events.where(kind="drop").time_s
    true = np.where(true < 61, true, true - 1.3)
    plan = plan_bands(RATE_HZ)
    found = np.concatenate(
        [
            seconds(side.drop) + first_chunk * plan.chunk_samples / RATE_HZ
            for first_chunk, heard in pieces
            for side in heard.sides
        ]
    )
    early, late = found[found < 61], found[found > 61]
    # one period at each end of a piece may be lost to the search
    assert len(early) >= np.sum(true < 61) - 3
    assert len(late) >= np.sum(true > 61) - 3
    assert np.abs(nearest(found, true)).max() < 0.003


@pytest.mark.parametrize("sigma", [2.5, 4.0])
def test_contact_under_the_noise_is_found_from_all_beats(sigma, clock, recorded, chapter_of):
    """Contact of a few sigma, single ones mostly unheard: the stacks of 25 or 50 beats of a side give the passage."""
    plain = clock(6.0)
    plain = replace(plain, voices=replace(plain.voices, contact_a="thin_pin", contact_b="thin_pin"))
    quiet, room = at_sigmas(plain, Room(), drop_sigma=200, contact_sigma=sigma)
    made, sound = recorded(quiet, 300.0, seed=2, room=room)
    heard, _ = hear_chapter(chapter_of(sound), SIX)
    beats = made.truth.beats
    passage = np.mean(
        [beat.drop_s - beat.contact_s for beat in beats if np.isfinite(beat.drop_s - beat.contact_s)]
    )
    frame_s = plan_bands(RATE_HZ).frame_s
    stacked = [part for side in heard.sides for part in side.together]
    assert stacked
    for together in stacked:
        away = together.passage_frames * frame_s - passage
        assert abs(away) < 3 * together.uncertainty_frames * frame_s


def test_a_contact_that_sounds_in_half_of_the_beats_gives_the_passage_of_all(clock, recorded, chapter_of):
    """Side b's contact is cut out of every other beat: the others tell where it begins, which the mean of all would blur.

    Jitter of half a millisecond a sound: the medians of five parts are known to 0.4 ms each, all together to 0.2 ms, and the
    beginnings to as much again.
    """
    made, sound = recorded(clock(6.0), 330.0, seed=4, room=Room())
    sound = np.array(sound)
    beats = [beat for beat in made.truth.beats if beat.side == "b"]
    for beat in beats[::2]:
        first = round((beat.contact_s - 0.02) * RATE_HZ)
        # what sounds before a contact is the room alone
        sound[first : first + round(0.1 * RATE_HZ)] = sound[
            first - round(0.12 * RATE_HZ) : first - round(0.02 * RATE_HZ)
        ]
    heard, _ = hear_chapter(chapter_of(sound), SIX)
    passage_s = np.mean([beat.drop_s - beat.contact_s for beat in beats])
    one, other = sorted(heard.sides, key=lambda side: len(side.together))
    assert one.together == ()
    assert one.contact is not None
    typical = other.together
    assert len(typical) == 5
    assert other.contact is not None
    frame_s = plan_bands(RATE_HZ).frame_s
    assert np.mean([part.passage_frames for part in typical]) * frame_s == pytest.approx(passage_s, abs=0.001)
    assert all(part.lead_frames == 0.0 for part in typical)
    # 0.7 ms of two sounds, by the root of pi / 2 of five or six
    assert all(0.2e-3 < part.uncertainty_frames * frame_s < 0.9e-3 for part in typical)
    assert typical[0].first_row < 4
    assert typical[-1].last_row > 48
    assert all(before.last_row < after.first_row for before, after in pairwise(typical))


@pytest.mark.parametrize(
    ("interval_s", "duration_s", "hides"),
    [
        (1.0, 40.0, True),  # 8 ms a period: 27 ms in all
        (2.0, 40.0, True),
        (1.0, 155.0, False),  # two minutes and a half were waited
        (1.002, 145.0, False),  # 193 ms: the ticks pass over every sound
        (0.9, 40.0, False),  # 12.008 s are 13.34 of them
        (0.2, 40.0, True),
    ],
)
def test_another_clock_in_step_may_hide_a_sound_in_every_period(interval_s, duration_s, hides):
    assert _in_step(12.008, (OtherClock(interval_s, 30.0),), duration_s) is hides
    assert not _in_step(12.008, (), duration_s)


@pytest.mark.parametrize(
    ("period_s", "part"),
    [(20.0, True), (15.01, True), (12.0, True), (30.0, False), (60.0, False), (19.0, False)],
)
def test_a_third_and_less_of_the_period_told_is_a_part_of_it(period_s, part):
    """Half of it has its own odds: people tell half a period."""
    assert _part_of_told(period_s, 60.0) is part


FEW = FewBeats(15.0, 2.4, None, -0.08, 27.0, 0.97)


@pytest.mark.parametrize(
    ("one", "later_s"),
    [
        (FewBeats(15.001, 2.46, 0.06, -0.082, 60.0, 0.02), -0.002),
        (FewBeats(15.0, 9.9, 0.06, 0.075, 60.0, 0.02), 0.005),  # it begins with the other side
        (FewBeats(15.0, 2.4, 0.06, -0.02, 60.0, 0.02), None),
        (FewBeats(15.1, 2.4, 0.06, -0.08, 60.0, 0.02), None),
        (FewBeats(15.0, 2.4, 0.06, None, 60.0, 0.02), None),
    ],
)
def test_accounts_of_one_beat_differ_in_their_passages_alone(one, later_s):
    """The period and beat error are told where all that is likely has them; the passages, and so the arc, are in doubt."""
    assert _same_beat(one, FEW) == (later_s is not None)
    if later_s is not None:
        (rival,) = _of_the_same_beat([one], FEW, 0.0005, 2)
        assert rival.share == 0.02
        assert rival.later == pytest.approx(later_s / 0.0005)
        assert rival.passages == pytest.approx((120.0, 120.0))
    assert _of_the_same_beat([FewBeats(15.0, 2.4, 0.06, -0.08, 60.0, 0.0005)], FEW, 0.0005, 2) == ()


@pytest.mark.parametrize(
    ("times", "near"), [(1.0, True), (0.5, True), (2.04, True), (1.06, False), (4.0, False), (0.25, False)]
)
def test_the_period_told_its_half_and_its_double_are_near_it(times, near):
    assert _near_told(times * 12.0, 12.0) is near


def test_two_accounts_of_one_side_are_of_one_beat():
    one, other = FewBeats(12.0, 1.0, 0.2, None, 9.0), FewBeats(12.0, 1.0, 0.3, None, 8.0)
    assert _same_beat(one, other)
    assert not _same_beat(one, replace(other, out_of_half_s=0.0))


def test_a_few_of_the_beats_at_another_period_do_not_hide_the_period_told(six, chapter_of, monkeypatch):
    """62 s of a clock of 6 s, of which the search has only every fourth beat of a side, at 24 s."""

    def every_fourth(up, pooled_s, wanted, others_s=()):
        found = find_clock(up, pooled_s, wanted, others_s)
        few = replace(found.pattern.first, frames=found.pattern.first.frames[::4])
        pattern = replace(
            found.pattern, first=few, second=None, period_frames=4 * found.pattern.period_frames
        )
        return replace(found, pattern=pattern, period_s=4 * found.period_s)

    monkeypatch.setattr(segment, "find_clock", every_fourth)
    heard = hear_chapter(chapter_of(six[1][: 62 * RATE_HZ]), SIX)[0]
    plan = plan_bands(RATE_HZ)
    assert heard.period_frames * plan.frame_s == pytest.approx(6.0, rel=0.002)
    assert [len(side.drop.frame) >= 9 for side in heard.sides] == [True, True]


def test_a_short_stretch_has_a_clock_at_another_period_only_if_its_peaks_are_one(
    six, chapter_of, monkeypatch
):
    """A clock of 6 s, told as one of 9: it is heard. Were its peaks no clock's it would be a chance of the room, as beside a fast
    clock and talk: ten rows at 1.13 times the period told."""
    chapter, told = chapter_of(six[1][: 100 * RATE_HZ]), replace(SIX, nominal_period_s=9.0)
    heard = hear_chapter(chapter, told)[0]
    assert heard.period_frames * chapter.frame_s == pytest.approx(6.0, rel=0.002)
    monkeypatch.setattr(segment, "_hear_few", lambda *_: None)
    assert hear_chapter(chapter, told)[0] is None
    assert hear_chapter(chapter, SIX)[0] is not None


def minute_of_drops_alone():
    """What is heard in the first minute of a sample, and its sample rate."""
    sound, rate = soundfile.read(Path(__file__).parents[2] / "samples/glass-shelf-15s.flac", dtype="float32")
    listener = Listener(rate, 1, nominal_period_s=15.0)
    listener.feed(sound[: 60 * rate])
    return listener.heard_so_far(), rate


def test_a_sample_of_drops_alone_tells_period_and_beat_error_and_no_contact():
    """A minute of it; its room answers every drop 61 ms later, more than 18 dB softer: the drops are no contacts of these."""
    heard, rate = minute_of_drops_alone()
    assert heard.period_samples / rate == pytest.approx(15.009, abs=0.003)
    assert set(heard.sounds.kind) == {"drop"}
    # the drops of its truth, to half a millisecond of scatter
    assert heard.sounds.sample[:4] / rate == pytest.approx([2.414, 9.837, 17.423, 24.847], abs=0.003)
    # not a millisecond of the beat error hangs on what is in doubt
    doubt = [account for account in heard.other_accounts if account.share > 0.001]
    assert all(abs(account.later_samples) < 0.001 * rate for account in doubt)


def test_accounts_of_one_beat_that_differ_in_the_passage_alone_tell_period_and_beat_error(monkeypatch):
    """The same minute, if contacts could be of any level: its echoes may then be the drops. That doubt is kept, and the period
    and the beat error are told, which do not hang on it."""
    monkeypatch.setattr("torsionbeat.hearing.priors.LOUDEST_CONTACT_DB", 180.0)
    heard, rate = minute_of_drops_alone()
    assert heard.period_samples / rate == pytest.approx(15.009, abs=0.003)
    doubt = [account for account in heard.other_accounts if account.share > 0.001]
    assert doubt
    # not a millisecond of the beat error hangs on it
    assert all(abs(account.later_samples) < 0.001 * rate for account in doubt)
