"""Where sounds begin: with their first part, and no surer than it is clear which that is."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.hearing.beginnings import HIDDEN_LEAD, SHARE_PAIRS, SHARE_WEIGHTS, beginning_of
from torsionbeat.hearing.together import REACH, beginning_in, passages_together
from torsionbeat.tracks.bands import plan_bands
from torsionbeat.tracks.exact import settled
from torsionbeat.tracks.fine_power import FinePower

RATE_HZ = 16_000
NOISE = 0.01
CARRIER_HZ = 2700.0


def fine_of(chapter):
    return FinePower(chapter.levels, chapter.floors, None)


def two_part(first_db, apart_s, room=NOISE, count=40, seed=5):
    """Ticks whose first part lies ``first_db`` below the second, ``apart_s`` before it: sound and times of the first part."""
    rng = np.random.default_rng(seed)
    times = 0.5 + 0.5 * np.arange(count) + rng.uniform(-0.001, 0.001, count)
    sound = room * rng.standard_normal(int((times[-1] + 1) * RATE_HZ))
    grid = np.arange(len(sound)) / RATE_HZ
    for time in times:
        for start, size in ((time, 10 ** (first_db / 20)), (time + apart_s, 1.0)):
            near = (grid >= start) & (grid < start + 0.03)
            away = grid[near] - start
            sound[near] += 0.3 * size * np.exp(-away / 0.006) * np.sin(2 * np.pi * CARRIER_HZ * away)
    return sound.astype(np.float32), times


@pytest.mark.parametrize(("first_db", "apart_s"), [(-8.0, 0.016), (-11.0, 0.018), (-6.0, 0.012)])
def test_a_tick_begins_with_its_first_part(chapter_of, first_db, apart_s):
    """Real ticks have a part 14 to 19 ms before their peak and 4 to 11 dB below it; it is the beginning."""
    sound, times = two_part(first_db, apart_s)
    fine = fine_of(chapter_of(sound))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times + apart_s - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    begins = found.frames + beginning_of(fine, found, np.ones(len(places), bool)).frames
    away_s = begins * plan.frame_s + plan.frame_middle_s - times
    # a window of 1.5 ms shows a sound up to 0.75 ms early
    assert abs(float(np.median(away_s)) + 0.0004) < 0.0006


def test_what_lies_before_a_quiet_stretch_is_another_sound(chapter_of):
    """A contact 30 ms before a drop, gone within 10: the drop begins with itself."""
    sound, times = two_part(-6.0, 0.04, room=0.0005)
    fine = fine_of(chapter_of(sound))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times + 0.04 - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    assert beginning_of(fine, found, np.ones(len(places), bool)).frames == pytest.approx(found.edge, abs=1.0)


def placed(chapter_of, first_db, apart_s, room=NOISE, count=40):
    """What is said of the beginning of two-part ticks laid at their second part, and where both parts are, in frames."""
    sound, times = two_part(first_db, apart_s, room=room, count=count)
    fine = fine_of(chapter_of(sound))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times + apart_s - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    begins = beginning_of(fine, found, np.ones(len(places), bool))
    away = float(np.median(found.frames - (times - plan.frame_middle_s) / plan.frame_s))
    return begins, -away, apart_s / plan.frame_s - away


def test_a_sharp_sound_is_known_to_a_fraction_of_a_frame(chapter_of):
    begins, first, _ = placed(chapter_of, -6.0, 0.0, room=0.001)
    assert begins.frames == pytest.approx(first, abs=1.5)
    assert begins.uncertainty < 0.7
    assert begins.softer_before == 0


@pytest.mark.parametrize(("first_db", "weight"), [(-14.0, 0.92), (-17.0, 0.5), (-20.0, 0.08), (-23.0, 0.003)])
def test_a_first_part_near_the_share_at_which_sounds_begin_leaves_the_beginning_in_doubt(
    chapter_of, first_db, weight
):
    """Of 4, 2, 1 and half a per cent of the power, 20 frames ahead: either part may be said to be the beginning.

    The share at which a sound begins is log-normal about 2 % with a spread of 0.5: by its distribution so much of the weight
    lies on the first part (ln 2 / 0.5 is 1.39 standard deviations, beyond which lie 8 %). What is stated is the mean of both.
    """
    begins, first, second = placed(chapter_of, first_db, 0.010, room=0.0005)
    assert second - first == pytest.approx(20, abs=0.5)
    # A share in nine is weighed by up to 0.23, of which half may fall to either part; windows show a sound 1.5 frames early.
    assert begins.frames == pytest.approx(second - 20 * weight, abs=0.12 * 20 + 2)
    near = [20 * np.sqrt(f * (1 - f)) for f in np.clip([weight - 0.12, weight, weight + 0.12], 0, 1)]
    # The second part is followed down into the valley between both, up to 4 of the 20 frames.
    assert 0.8 * min(near) <= begins.uncertainty < max(near) + 1.5


def test_shares_are_spread_and_correlated_as_those_of_real_ticks_were():
    """By the weights themselves: nine shares a factor of 1.33 apart, cut at 2.3 deviations, which takes some 5 % off both."""
    steps = np.log(1.33) * np.arange(-4, 5)
    spread = np.sqrt(SHARE_WEIGHTS @ steps**2)
    assert spread == pytest.approx(0.5, rel=0.07)
    assert steps @ SHARE_PAIRS @ steps / spread**2 == pytest.approx(0.5, abs=0.05)


def test_a_first_part_of_a_tenth_is_the_beginning_and_hardly_in_doubt(chapter_of):
    begins, first, _ = placed(chapter_of, -6.0, 0.010, room=0.0005)
    assert begins.frames == pytest.approx(first, abs=2)  # windows of 1.5 ms show it early
    assert begins.uncertainty < 1.0


def test_a_part_of_one_per_cent_is_told_as_softer_before(chapter_of):
    begins, first, second = placed(chapter_of, -20.5, 0.010, room=0.0005)
    assert begins.frames == pytest.approx(second, abs=2)
    assert begins.softer_before == pytest.approx(second - first, abs=3)


def test_what_the_room_may_hide_before_a_sound_is_in_its_doubt(chapter_of):
    """Rooms 38 dB apart: the loud one hides what is below some 3.5 % of the power, by its logarithm half of the way from 1.2 %
    (one spread, 0.5, below 2 %) to 10 %. One between them hides less than 1 %, which belongs to no beginning."""
    quiet, _, _ = placed(chapter_of, -6.0, 0.0, room=0.003)
    between, _, _ = placed(chapter_of, -6.0, 0.0, room=0.1)
    loud, _, _ = placed(chapter_of, -6.0, 0.0, room=0.25)
    assert quiet.hidden < between.hidden < 0.01
    assert quiet.uncertainty < 0.7
    assert between.uncertainty < 0.7
    # half of 12 frames and more where noise is taken for what it is not; by all else it is less than one
    assert loud.hidden == pytest.approx(0.035, rel=0.25)
    assert loud.uncertainty == pytest.approx(6.0, abs=2.0)


@pytest.mark.parametrize(("first_db", "room"), [(-10.0, 0.0005), (-18.0, 0.0005), (-10.0, 0.02)])
def test_what_lies_before_a_quiet_stretch_is_told_with_its_place_and_share(chapter_of, first_db, room):
    begins, first, second = placed(chapter_of, first_db, 0.030, room=room)
    assert begins.frames == pytest.approx(second, abs=2)
    assert begins.before.first == pytest.approx(first, abs=2.5)  # windows show it early, noise hides its foot
    assert begins.before.share == pytest.approx(10 ** (first_db / 10), rel=0.25)
    assert begins.before.first < begins.before.end < second - 24
    # It is another sound: which of the two the beat begins with is not this one's doubt.
    assert begins.uncertainty < 1.0 or room > NOISE
    assert begins.softer_before == 0


def test_nothing_lies_before_a_plain_sound(chapter_of):
    assert placed(chapter_of, -6.0, 0.0, room=0.001)[0].before is None
    assert placed(chapter_of, -6.0, 0.010, room=0.0005)[0].before is None  # no quiet between: its own part


def test_of_two_beats_the_mean_is_not_looked_into(chapter_of):
    sound, times = two_part(-6.0, 0.0, room=0.001)
    fine = fine_of(chapter_of(sound))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    two = np.arange(len(places)) < 2
    assert beginning_of(fine, found, two).frames == found.edge
    assert beginning_of(fine, found, two).uncertainty >= HIDDEN_LEAD
    assert beginning_of(fine, found, np.arange(len(places)) < 3).uncertainty < 2.0


def test_a_sound_that_is_there_all_the_time_before_is_another_ones(chapter_of):
    """A reverberant contact that dies away through the drop: the drop begins with itself, and is in no doubt of 50 ms."""
    rng = np.random.default_rng(8)
    times = 0.6 + 0.5 * np.arange(30)
    sound = 0.0005 * rng.standard_normal(int(16 * RATE_HZ))
    grid = np.arange(len(sound)) / RATE_HZ
    for time in times:
        for start, size, decay in ((time - 0.08, 0.05, 0.2), (time, 0.3, 0.006)):
            near = (grid >= start) & (grid < start + 0.15)
            away = grid[near] - start
            sound[near] += size * np.exp(-away / decay) * rng.standard_normal(near.sum())
    fine = fine_of(chapter_of(sound.astype(np.float32)))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    begins = beginning_of(fine, found, np.ones(len(places), bool))
    assert begins.frames == pytest.approx(found.edge, abs=1.0)
    assert begins.uncertainty < 12


FRAMES, BANDS = 2 * REACH + 64, 4


def mean_of(seed, start, height, decay, beats=80):
    """Mean of ``beats`` windows of noise power (exponential, mean 1) over the room, with a decaying tick in two bands."""
    rng = np.random.default_rng(seed)
    noise = rng.exponential(size=(beats, FRAMES, BANDS)).mean(axis=0) - 1
    after = np.arange(FRAMES) - (REACH + start)
    tick = np.where(after >= 0, np.exp(-np.maximum(after, 0) / decay), 0)
    return (noise + height * tick[:, None] * np.array([0.0, 1.0, 0.5, 0.0])).astype(np.float32)


@pytest.mark.parametrize("start", [-80, -10, 0, 35, 90])
@pytest.mark.parametrize("decay", [5.0, 20.0])
def test_a_tick_far_below_single_beats_is_placed(start, decay):
    begins, height = beginning_in(mean_of(abs(start), start, 0.8, decay))
    assert begins == pytest.approx(start, abs=2.5)  # 1.25 ms; half of it is the lead of the levels' windows
    assert height > 9


def test_a_band_that_is_louder_all_the_time_does_not_move_a_tick():
    """The room's level may be stated wrongly: what a band adds to all frames alike is no sound."""
    mean = mean_of(3, 20, 0.8, 10.0)
    louder = mean + np.array([0.7, 0.0, 0.3, 2.0], np.float32)
    # To the rounding of 32 bits, which learning the bands three times enlarges.
    assert beginning_in(louder) == pytest.approx(beginning_in(mean), rel=1e-3)


def hardly_heard(contact, jitter_s=0.0005, count=60, seed=4):
    """Drops every 2.3 s, each 0.15 s after a contact of so much of its size, in a hiss; and the frames of the drops."""
    rng = np.random.default_rng(seed)
    drops = 1.6 + 2.3 * np.arange(count)
    sound = NOISE * rng.standard_normal(int((drops[-1] + 2) * RATE_HZ))
    for drop in drops:
        for time, size in ((drop - 0.15 + jitter_s * rng.standard_normal(), contact), (drop, 1.0)):
            away = np.arange(int(0.03 * RATE_HZ)) / RATE_HZ
            at = round(time * RATE_HZ)
            sound[at : at + len(away)] += (
                0.3 * size * np.exp(-away / 0.006) * np.sin(2 * np.pi * CARRIER_HZ * away)
            )
    plan = plan_bands(RATE_HZ)
    return sound.astype(np.float32), (drops - plan.frame_middle_s) / plan.frame_s


@pytest.mark.parametrize("off", [-85, 0, 85])
def test_a_passage_that_only_all_beats_show_is_found_about_where_it_is_looked_for(chapter_of, off):
    """Contacts no louder than the noise, 300 frames before their drops: each half of the beats shows them, also 40 ms off."""
    sound, drops = hardly_heard(0.03)
    found = passages_together(fine_of(chapter_of(sound)), np.arange(60), drops, 300.0 + off)
    assert [(one.first_row, one.last_row) for one in found] == [(0, 29), (30, 59)]
    for one in found:
        assert 1.5 <= one.uncertainty_frames < 6
        # A window of 1.5 ms shows a sound up to 1.5 frames early.
        assert one.passage_frames == pytest.approx(301.0, abs=1.5 + 2 * one.uncertainty_frames)


def test_where_all_beats_show_no_contact_there_is_no_passage(chapter_of):
    sound, drops = hardly_heard(0.0)
    assert passages_together(fine_of(chapter_of(sound)), np.arange(60), drops, 300.0) == ()


def test_the_scatter_of_hardly_heard_contacts_is_in_the_passage_of_all(chapter_of):
    """Contacts that scatter by 8 ms: the beginning of the mean of 30 is one to several of its frames less sure."""
    doubts = []
    for jitter_s in (0.0005, 0.008):
        sound, drops = hardly_heard(0.05, jitter_s)
        found = passages_together(fine_of(chapter_of(sound)), np.arange(60), drops, 300.0)
        doubts.append(np.mean([one.uncertainty_frames for one in found]))
    assert doubts[1] > doubts[0] + 1


def test_noise_stands_out_little():
    heights = [beginning_in(mean_of(seed, 0, 0.0, 5.0))[1] for seed in range(40)]
    # The greatest of some 200 places, four lengths and learnt bands: seldom over six of its own scatter.
    assert max(heights) < 7.5
    assert np.median(heights) < 5


def unlike_ticks(room=0.003, count=24, late=0.0, variant=lambda number: number % 2):
    """Ticks of two variants by turns: a part 13 dB below the other and 12 ms before it, or a sharp tick of another pitch.

    Returns the sound and when each begins. ``late``: seconds by which the second variant begins later than even steps.
    """
    rng = np.random.default_rng(9)
    times = 0.5 + 0.5 * np.arange(count)
    kinds = np.array([variant(number) for number in range(count)])
    times[kinds == 1] += late
    sound = room * rng.standard_normal(int((times[-1] + 1) * RATE_HZ))
    grid = np.arange(len(sound)) / RATE_HZ
    for time, kind in zip(times, kinds, strict=True):
        parts = ((0.0, 0.22, 2700.0), (0.012, 1.0, 2700.0)) if kind == 0 else ((0.0, 1.0, 5000.0),)
        for start, size, pitch in parts:
            near = (grid >= time + start) & (grid < time + start + 0.03)
            away = grid[near] - time - start
            sound[near] += 0.3 * size * np.exp(-away / 0.006) * np.sin(2 * np.pi * pitch * away)
    return sound.astype(np.float32), times, kinds


def heard_unlike(chapter_of, **made):
    """The beginning of unlike ticks, their places found, and by how many frames each is stated later than it begins."""
    sound, times, kinds = unlike_ticks(**made)
    fine = fine_of(chapter_of(sound))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times + 0.012 * (kinds == 0) - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    begins = beginning_of(fine, found, np.ones(len(places), bool))
    own = np.zeros(len(places)) if begins.own is None else begins.own
    return begins, found.frames + begins.frames + own - (times - plan.frame_middle_s) / plan.frame_s, kinds


def test_each_variant_of_a_sound_has_its_own_beginning(chapter_of):
    """Both are laid at their loudest part, one of them with a softer part 24 frames ahead: every beat begins where it does."""
    begins, late, kinds = heard_unlike(chapter_of)
    assert begins.own is not None
    assert np.ptp(begins.own) == pytest.approx(24, abs=3)
    assert abs(begins.own.mean()) < 1e-9
    # Windows of 1.5 ms, averaged over three frames, pass 2 % of a sharp sound up to 2.5 frames early.
    for kind in (0, 1):
        assert -2.6 < np.median(late[kinds == kind]) < 0.5


def test_beats_that_sound_alike_are_one_variant(chapter_of):
    """Of any loudness: the scatter of noise and level is no division."""
    assert placed(chapter_of, -6.0, 0.010, room=0.0005)[0].own is None
    assert placed(chapter_of, -6.0, 0.010, room=0.05)[0].own is None
    begins, *_ = heard_unlike(chapter_of, variant=lambda number: 0)
    assert begins.own is None


def test_three_odd_beats_are_no_variant(chapter_of):
    begins, *_ = heard_unlike(chapter_of, variant=lambda number: int(number % 8 == 5))
    assert begins.own is None


def test_without_variants_all_beats_begin_alike(chapter_of):
    sound, times, kinds = unlike_ticks()
    fine = fine_of(chapter_of(sound))
    plan = plan_bands(RATE_HZ)
    places = np.rint((times + 0.012 * (kinds == 0) - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    found = settled(fine, places, 24, in_doubt=True)
    every = np.ones(len(places), bool)
    assert beginning_of(fine, found, every, by_variants=False).own is None


def test_beats_beside_another_clocks_tick_are_not_compared(chapter_of):
    """What that clock may add is taken off, and parts of the sound with it: such beats would be a variant of their own."""
    sound, times, kinds = unlike_ticks()
    chapter = chapter_of(sound)
    plan = plan_bands(RATE_HZ)
    places = np.rint((times + 0.012 * (kinds == 0) - plan.frame_middle_s) / plan.frame_s).astype(np.int64)
    fine = fine_of(chapter)
    found = settled(fine, places, 24, in_doubt=True)
    added = np.zeros((len(chapter.levels) // 8 + 1, chapter.levels.shape[1]), np.float16)
    for place in places[kinds == 1]:
        added[place // 8 - 2 : place // 8 + 3] = 3.0
    beside = FinePower(chapter.levels, chapter.floors, added)
    assert beginning_of(fine, found, np.ones(len(places), bool)).own is not None
    assert beginning_of(beside, found, np.ones(len(places), bool)).own is None
