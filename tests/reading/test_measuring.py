"""From what was heard to the reading: closed forms, and every figure that must be absent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import NothingHeardError
from torsionbeat.hearing.heard import Heard, HeardSounds, SegmentPassage
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.mean_period import mean_period, moved_by_unseen_arc_s, with_what_timing_hides
from torsionbeat.reading.measuring import reading_of
from torsionbeat.sound.timebase import Timebase, stated_timebase, unknown_timebase

RATE_HZ = 48_000
LIFT_DEG, ARC_DEG, PERIOD_S = 20.0, 300.0, 15.0
CLOCK = Clock("Harbour lamp", 15.0, LIFT_DEG)
EXACT = stated_timebase(0.0, 0.0)
# theta = A sin(2 pi t / T), A = 150 deg: the lift of 20 deg about rest takes T / pi asin(10 / 150)
PASSAGE_S = PERIOD_S / np.pi * np.arcsin(LIFT_DEG / ARC_DEG)


def heard(
    *,
    beats=40,
    period_s=PERIOD_S,
    passage_s=PASSAGE_S,
    error_s=0.0,
    contact=True,
    missing=(),
    duration_s=None,
    jitter_s=1e-4,
    moved=None,
    softer_s=0.0,
    edge_s=0.0,
    alike=1.0,
    **more,
):
    """What an ideal listener hands on: beat n in the middle of its lift at 2 s + n T / 2."""
    rng = np.random.default_rng(1)
    number = np.setdiff1d(np.arange(beats), missing)
    middle = 2.0 + period_s / 2 * number + error_s * (number % 2)
    if moved is not None:
        middle = moved(number, middle)
    parts = []
    for kind, sign in (("contact", -1), ("drop", 1)) if contact else (("drop", 1),):
        time = middle + sign * passage_s / 2 + jitter_s * rng.standard_normal(len(number))
        ones = np.ones(len(number))
        parts.append(
            HeardSounds(
                number,
                np.full(len(number), kind),
                time * RATE_HZ,
                20 * ones,
                50 * ones,
                ones > 0,
                (kind == "contact") * np.where(number % 2 == 0, edge_s, edge_s * alike) * RATE_HZ,
                (kind == "contact") * softer_s * RATE_HZ * ones,
            )
        )
    duration_s = duration_s or middle[-1] + 3
    return Heard(
        samples=round(duration_s * RATE_HZ),
        sample_rate_hz=RATE_HZ,
        channel=0,
        channels=1,
        period_samples=period_s * RATE_HZ,
        sounds=HeardSounds.joined(parts),
        peak=0.1,
        standing_db=20.0,
        **more,
    )


def read(what=None, clock=CLOCK, timebase=EXACT, **more):
    return reading_of(what or heard(**more), clock, timebase, "night.flac")


def holds(figure, truth):
    return abs(figure.nominal_value - truth) <= 1.96 * figure.std_dev


def told(reading, *words):
    assert any(all(word in remark for word in words) for remark in reading.remarks), reading.remarks


@pytest.fixture(scope="module")
def plain():
    return read()


def test_clock_in_beat(plain):
    assert holds(plain.period_s, PERIOD_S)
    assert holds(plain.beat_error_ms, 0.0)
    assert holds(plain.offset_deg, 0.0)
    assert holds(plain.arc_deg, ARC_DEG)
    assert holds(plain.rate_s_per_day, 0.0)
    assert plain.arc_deg.std_dev < 1.0
    np.testing.assert_allclose(plain.swings.arc_deg, ARC_DEG, atol=1.0)  # 0.1 ms in 318 ms is 0.1 deg
    assert (plain.beats_expected, plain.beats_heard) == (40, 40)


def test_offset_follows_from_the_beat_error():
    """delta = A sin(pi b / T)."""
    reading = read(error_s=0.060)
    assert holds(reading.beat_error_ms, 60.0)
    # to second order of the lift over the arc, (20/300)^2 / 2 = 0.2 %
    assert reading.offset_deg.nominal_value == pytest.approx(150 * np.sin(np.pi * 0.060 / 15), rel=0.01)


ALIKE_BY_MS = 0.006 * PASSAGE_S * 1e3  # to what the passages of both sides are alike, standard deviation


def test_passages_that_differ_between_the_sides_make_the_beat_error_less_sure(plain):
    sounds = heard().sounds
    late = (sounds.kind == "contact") & (sounds.beat % 2 == 1)
    what = replace(heard(), sounds=replace(sounds, sample=sounds.sample + late * 0.010 * RATE_HZ))
    reading = read(what)
    # Contacts 10 ms late on one side: its middle, and with it the beat error, is off by 5 ms, and that is in doubt.
    assert abs(reading.beat_error_ms.nominal_value - plain.beat_error_ms.nominal_value) == pytest.approx(
        5, 0.01
    )
    wider = np.sqrt(reading.beat_error_ms.std_dev**2 - plain.beat_error_ms.std_dev**2)
    told(reading, "10 ms longer on one side", "stated that much less surely")
    assert wider == pytest.approx(5.0, abs=0.2)  # 0.1 ms of jitter in 20 beats a side


@pytest.mark.parametrize(("other_s", "ms_over_the_stretch"), [(3 * PERIOD_S, 10.0), (2.9 * PERIOD_S, 0.0)])
def test_another_torsion_clock_in_step_makes_the_period_less_sure(plain, other_s, ms_over_the_stretch):
    # 40 beats are 39 half periods: 10 ms either way over them, as a rectangle.
    drawn_s = ms_over_the_stretch * 1e-3 / np.sqrt(3) / (39 / 2)
    period = read(second_period_s=other_s).period_s
    assert period.std_dev**2 - plain.period_s.std_dev**2 == pytest.approx(drawn_s**2, rel=1e-9, abs=1e-15)


def test_doubt_of_where_contacts_begin_is_in_the_arc_and_half_of_it_in_the_beat_error(plain):
    doubted = read(edge_s=0.008)
    # A passage longer by 8 ms is an arc smaller by the same share, to first order; two sides, with half of their doubt in common.
    wider = np.sqrt(doubted.arc_deg.std_dev**2 - plain.arc_deg.std_dev**2)
    # That passages are alike says nothing of what both have in common, half of it; 3 %: a few clocks' passages are not alike.
    assert wider == pytest.approx(ARC_DEG * 0.008 / PASSAGE_S * np.sqrt((1 + 0.5) / 2), rel=0.03)
    # By itself the middle of each side's lift would be in doubt by half of it. Alike passages leave the two contacts apart by
    # the 0.6 % to which passages are alike, half of that in the beat error, and more in the few clocks whose are not.
    wider = np.sqrt(doubted.beat_error_ms.std_dev**2 - plain.beat_error_ms.std_dev**2)
    assert ALIKE_BY_MS / 2 < wider < ALIKE_BY_MS
    assert doubted.period_s.std_dev == pytest.approx(plain.period_s.std_dev, rel=1e-6)
    # What comes from the beginnings is told by itself: the rest of both uncertainties is the beats' own, and as before.
    for figure, part in (
        ("arc_deg", "arc_from_beginnings_deg"),
        ("beat_error_ms", "beat_error_from_beginnings_ms"),
    ):
        own = [getattr(one, figure).std_dev ** 2 - getattr(one, part) ** 2 for one in (doubted, plain)]
        assert 0 < getattr(plain, part) < getattr(doubted, part)
        assert own[0] == pytest.approx(own[1], rel=1e-3)  # the sides are weighed a little otherwise


def test_without_a_figure_nothing_of_it_comes_from_the_beginnings():
    assert read(contact=False).arc_from_beginnings_deg == 0.0
    assert read(one_sided=True).beat_error_from_beginnings_ms == 0.0


def test_doubt_of_where_one_sides_contact_begins_counts_for_that_side(plain):
    one_sided = read(edge_s=0.008, alike=0.0)
    wider = np.sqrt(one_sided.beat_error_ms.std_dev**2 - plain.beat_error_ms.std_dev**2)
    assert ALIKE_BY_MS / 2 < wider < ALIKE_BY_MS
    # The arc is the sure side's, and no surer than the passages are alike.
    wider = np.sqrt(one_sided.arc_deg.std_dev**2 - plain.arc_deg.std_dev**2)
    assert wider < ARC_DEG * ALIKE_BY_MS / 1e3 / PASSAGE_S
    assert one_sided.arc_deg.nominal_value == pytest.approx(plain.arc_deg.nominal_value, abs=0.2)


def test_a_softer_part_before_a_sound_is_told_and_is_in_no_figure(plain):
    """What it leaves in doubt is in the doubt of where the sound begins."""
    softly = read(softer_s=0.008)
    assert softly.arc_deg.std_dev == plain.arc_deg.std_dev
    told(softly, "A softer sound shows 8 ms before the contact")


def test_slow_clock_loses():
    reading = read(period_s=15.003)
    assert reading.rate_s_per_day.nominal_value == pytest.approx(86400 * (15 / 15.003 - 1), abs=0.5)
    assert holds(reading.rate_s_per_day, 86400 * (15 / 15.003 - 1))


def test_fast_crystal_is_taken_out():
    """100 ppm fast: a true second holds more samples, so the clock is quicker than the file says: 8.64 s a day."""
    reading = read(timebase=stated_timebase(100.0, 0.0))
    assert reading.rate_s_per_day.nominal_value == pytest.approx(8.64, abs=0.5)
    assert reading.recording.duration_s == pytest.approx(heard().samples / RATE_HZ / 1.0001)


def test_unknown_crystal_dominates():
    reading = read(timebase=unknown_timebase())
    assert reading.rate_s_per_day.std_dev == pytest.approx(86400 * 50e-6 / np.sqrt(3), rel=0.05)
    told(reading, "50 ppm", "dominates")


def test_lift_larger_than_the_arc_gives_no_arc():
    reading = read(passage_s=8.0)
    assert reading.arc_deg is None
    assert reading.offset_deg is None
    assert np.isnan(reading.swings.arc_deg).all()
    told(reading, "The arc is missing", "Check --lift")


def test_no_contact_gives_no_arc():
    reading = read(contact=False)
    assert (reading.arc_deg, reading.offset_deg, reading.arc_trend_deg_per_hour) == (None, None, None)
    assert holds(reading.period_s, PERIOD_S)
    assert set(reading.events.kind) == {"drop"}
    told(reading, "no contact is heard", "beat setting")


def test_no_lift_given_gives_no_arc():
    reading = read(clock=Clock(nominal_period_s=15.0))
    assert reading.arc_deg is None
    told(reading, "add --lift")


def test_no_nominal_period_gives_no_rate():
    reading = read(clock=Clock(lift_deg=LIFT_DEG))
    assert reading.rate_s_per_day is None
    told(reading, "The rate is missing", "--period")


def test_nominal_period_that_contradicts_gives_no_rate():
    reading = read(clock=Clock(nominal_period_s=60.0, lift_deg=LIFT_DEG))
    assert reading.rate_s_per_day is None
    told(reading, "15.000 s", "60 s", "The rate is missing")


def test_one_sided_beat_has_no_beat_error():
    reading = read(missing=np.arange(1, 60, 2), beats=60, one_sided=True)
    assert holds(reading.period_s, PERIOD_S)
    assert (reading.beat_error_ms, reading.offset_deg) == (None, None)
    assert reading.beats_expected == reading.beats_heard == 30
    told(reading, "Only one sound a period")


def test_clock_that_stops_half_way():
    reading = read(duration_s=600.0)
    assert holds(reading.period_s, PERIOD_S)
    assert reading.beats_expected > 70
    told(reading, "The last beat is heard at 4:5", "stopped")


def test_beats_in_a_gap_are_not_missed():
    gone = np.arange(10, 18)
    gap = (round((2 + 7.5 * 9.5) * RATE_HZ), round((2 + 7.5 * 17.5) * RATE_HZ))
    reading = read(missing=gone, gaps=(gap,))
    assert reading.beats_expected == reading.beats_heard == 32
    assert holds(reading.period_s, PERIOD_S)
    told(reading, "A stretch of 1:00 min without sound is left out")


def test_missed_beats_are_counted_and_cost_nothing():
    reading = read(missing=(5, 6, 20), jitter_s=0.0, error_s=0.05)
    assert (reading.beats_expected, reading.beats_heard) == (40, 37)
    assert reading.period_s.nominal_value == pytest.approx(PERIOD_S, abs=1e-8)
    assert reading.beat_error_ms.nominal_value == pytest.approx(50, abs=1e-3)
    told(reading, "3 of 40 beats were not heard")


def test_lone_stray_is_left_out_and_told():
    reading = read(moved=lambda number, middle: middle + 0.4 * (number == 21))
    assert reading.beats_heard == 39
    assert holds(reading.period_s, PERIOD_S)
    told(reading, "1 sound did not fit the beat")


def test_jump_is_named_and_not_averaged():
    reading = read(moved=lambda number, middle: middle - 2.0 * (number > 20))
    assert holds(reading.period_s, PERIOD_S)
    told(reading, "At 2:", "all beats jumped by -2.000 s")


@pytest.mark.parametrize(
    ("jump_s", "unseen_s", "doubted"), [(-0.020, 0.026, True), (-0.020, 0.019, False), (0.020, 0.026, False)]
)
def test_a_jump_that_hidden_lost_sound_would_make_puts_the_crystal_in_doubt(jump_s, unseen_s, doubted):
    """20 ms lost in the midst of 600 s tilt the line through the count of frames by 1.5 times 20 ms over 600 s."""
    host = Timebase("host clock", 0.0, 5.0, True, unseen_s=unseen_s, span_s=600.0)
    what = heard(beats=80, moved=lambda number, middle: middle + jump_s * (number >= 40))
    reading = read(what, timebase=host)
    tilt_ppm = 1.5 * 0.020 / 600 * 1e6 / np.sqrt(3) if doubted else 0.0
    # medians of ten beats of a side leave 0.1 ms of the jump, and its place is within a beat
    assert reading.timebase.standard_uncertainty_ppm == pytest.approx(np.hypot(5.0, tilt_ppm), rel=0.01)
    assert reading.rate_s_per_day.std_dev >= 0.0864 * reading.timebase.standard_uncertainty_ppm
    (knock,) = [remark for remark in reading.remarks if remark.code == "knock"]
    assert ("does not tell which it was" in knock) == doubted


def test_slipped_beat_setting_is_named_with_its_size():
    reading = read(moved=lambda number, middle: middle + 0.080 * ((number > 20) & (number % 2 == 1)))
    # interval a to b grows by 80 ms, b to a shrinks by as much: half their difference is 80 ms
    told(reading, "the beat error jumped by +80 ms", "The figures are of the stretch after it")
    # The clock as it is now, not half of what it was.
    assert holds(reading.beat_error_ms, 80.0)
    assert holds(reading.period_s, PERIOD_S)
    assert reading.stretch_s == pytest.approx((2 + 7.5 * 21 + 0.08, 2 + 7.5 * 39 + 0.08), abs=0.01)
    assert reading.beats_heard == 40


def test_a_slip_near_the_end_leaves_the_figures_of_before():
    reading = read(moved=lambda number, middle: middle + 0.080 * ((number > 28) & (number % 2 == 1)))
    told(reading, "the beat error jumped by +80 ms", "Too few beats follow", "Record again")
    assert holds(reading.beat_error_ms, 0.0)


def driven_until(beats, lost, fall_deg=0.6):
    """Arc of each beat: 300 deg, and from one beat on less by so much a beat; with the passage that goes with it."""
    arc = ARC_DEG - fall_deg * np.maximum(np.arange(beats) - lost, 0)
    return arc, PERIOD_S / np.pi * np.arcsin(LIFT_DEG / arc)


def test_after_a_lost_drive_the_figures_are_of_the_present():
    arc, passage = driven_until(120, 70)
    reading = read(beats=120, passage_s=passage)
    first, last = reading.stretch_s
    assert first == pytest.approx(2 + 7.5 * 70, abs=3 * 7.5)
    assert last == pytest.approx(2 + 7.5 * 119, abs=0.01)
    there = (reading.swings.time_s >= first).nonzero()[0]
    assert holds(reading.arc_deg, float(np.mean(arc[there])))
    assert reading.arc_deg.nominal_value < 290  # over all it would be 294
    # 0.6 deg a beat are 288 deg an hour; the interval counts a wander that so few beats cannot exclude.
    assert reading.arc_trend_deg_per_hour.nominal_value == pytest.approx(-288, abs=10)
    assert holds(reading.period_s, PERIOD_S)
    told(reading, "the arc fell off", "The figures are of the stretch after it")
    assert "drive-lost" in [getattr(remark, "code", None) for remark in reading.remarks]


def test_a_drive_lost_at_the_very_end_leaves_the_figures_of_before():
    _, passage = driven_until(120, 108, fall_deg=4.0)
    reading = read(beats=120, passage_s=passage)
    assert reading.stretch_s[1] < 2 + 7.5 * 110
    assert reading.arc_deg.nominal_value == pytest.approx(ARC_DEG, abs=1.0)
    told(reading, "the arc fell off", "the figures are of the stretch before it")


def test_a_whole_recording_names_no_stretch(plain):
    assert plain.stretch_s is None


def test_lift_tolerance_widens_the_arc():
    reading = read(clock=replace(CLOCK, lift_tolerance_deg=1.0))
    assert reading.arc_deg.std_dev == pytest.approx(300 / 20 / np.sqrt(3), rel=0.02)


def test_two_beats_are_no_clock():
    with pytest.raises(NothingHeardError, match="at least three beats are needed"):
        read(beats=2)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"peak": 0.0}, "night.flac is silent from beginning to end"),
        ({"peak": 0.0, "bad_samples": 9}, "night.flac holds nothing that is a sound"),
        ({"other_intervals_s": (1.0,)}, "only something that ticks every 1 s"),
        ({"samples": 600 * RATE_HZ}, "nothing in it keeps a steady beat"),
    ],
)
def test_nothing_heard_says_why(more, words):
    with pytest.raises(NothingHeardError, match=words):
        read(replace(heard(beats=2), **more))


def test_nothing_heard_asks_for_the_period_or_doubts_the_one_given():
    silent = replace(heard(beats=2), samples=600 * RATE_HZ)
    with pytest.raises(NothingHeardError, match=r"or give the nominal period with --period\.$"):
        read(silent, clock=replace(CLOCK, nominal_period_s=None))
    with pytest.raises(NothingHeardError, match=rf"and check --period, which was {PERIOD_S:g} s\.$"):
        read(silent, clock=replace(CLOCK, nominal_period_s=PERIOD_S))


EDGE_S = 0.00015  # what any mean sound's beginning is known to, standard uncertainty


def test_beat_error_s_doubt_is_the_line_s_and_that_of_the_edges(plain):
    """Four beginnings of 0.15 ms each: the middles of the sides are off by half of two, their difference by 0.15 ms."""
    steady = mean_period(plain.swings.time_s, plain.swings.number)
    steady = with_what_timing_hides(steady, plain.swings.number)
    expected = np.hypot(steady.beat_error_uncertainty_s, np.sqrt(4 * EDGE_S**2) / 2)
    # 1 %: a few clocks' passages are not alike.
    assert plain.beat_error_ms.std_dev == pytest.approx(1e3 * expected, rel=0.01)
    drops = read(contact=False)
    steady = mean_period(drops.swings.time_s, drops.swings.number)
    steady = with_what_timing_hides(steady, drops.swings.number)
    expected = np.hypot(steady.beat_error_uncertainty_s, np.sqrt(2) * EDGE_S)
    assert drops.beat_error_ms.std_dev == pytest.approx(1e3 * expected, rel=1e-6)


def test_arc_s_doubt_is_of_its_edges_its_impulse_and_its_scatter():
    """Without jitter: two beginnings a side, both sides averaged, and 0.05 % of the impulse; jitter adds its own."""
    exact = read(jitter_s=0.0)
    edges = ARC_DEG * np.sqrt(2) * EDGE_S / PASSAGE_S / np.sqrt(2)
    assert exact.arc_deg.std_dev == pytest.approx(np.hypot(edges, 5e-4 * ARC_DEG), rel=0.005)
    rough = read(jitter_s=2e-3, beats=200)
    # 2 ms in each of two sounds of a passage: arcs scatter by this, and 200 of them are averaged.
    scatter = ARC_DEG * np.sqrt(2) * 2e-3 / PASSAGE_S / np.sqrt(200)
    added = np.sqrt(rough.arc_deg.std_dev**2 - exact.arc_deg.std_dev**2)
    assert added == pytest.approx(scatter, rel=0.25)  # a scatter of 200 is known to 10 % by its median


@pytest.mark.parametrize(("tolerance_deg", "error_s"), [(2.0, 1.0), (0.0, 0.3)])
def test_offset_carries_the_doubt_of_arc_and_beat_error(tolerance_deg, error_s):
    """A sin(mu) cos(nu): differentiated by hand, with mu = pi b / T and sin(nu) = lift / (2 A cos(mu))."""
    reading = read(clock=replace(CLOCK, lift_tolerance_deg=tolerance_deg), error_s=error_s)

    def offset(b_ms, arc):
        mu = np.pi * b_ms / 1e3 / PERIOD_S
        return arc / 2 * np.sin(mu) * np.sqrt(1 - (LIFT_DEG / (arc * np.cos(mu))) ** 2)

    b, arc = reading.beat_error_ms, reading.arc_deg
    by_b = (offset(b.n + 1e-3, arc.n) - offset(b.n - 1e-3, arc.n)) / 2e-3 * b.s
    by_arc = (offset(b.n, arc.n + 1e-3) - offset(b.n, arc.n - 1e-3)) / 2e-3 * arc.s
    assert reading.offset_deg.std_dev == pytest.approx(
        np.hypot(by_b, by_arc), rel=0.01
    )  # a step of u, not of zero
    # A lift known to 2 deg leaves the arc to decide, an exact one both.
    assert (by_arc > 10 * by_b) == (tolerance_deg > 0)


def test_a_travel_that_no_single_contact_shows_widens_the_period():
    """Passages of stacked beats: with one stack a side its growth is known to 1 % an hour, half of it a beat in the middle."""
    what = heard(contact=False, jitter_s=1e-5)
    laid = tuple(SegmentPassage(side, 0, 39, PASSAGE_S * RATE_HZ, 1e-4 * RATE_HZ, 0.0) for side in "ab")
    plain, stacked = read(what), read(replace(what, stacked_passages=laid))
    a_beat = 0.05 / 3600 * PERIOD_S / 2  # share by which a passage grows from beat to beat
    # Of drops alone nothing is known of the arc: its change is in their period instead.
    unseen = moved_by_unseen_arc_s(PERIOD_S, plain.events.time_s)
    wider = np.sqrt(stacked.period_s.std_dev**2 - plain.period_s.std_dev**2 + unseen**2)
    assert wider == pytest.approx(2 * PASSAGE_S * a_beat / 2, rel=0.02)
    assert stacked.beats_heard == 40


def test_the_period_of_drops_alone_is_as_sure_as_an_unseen_arc():
    """An arc that changes by 5 % in an hour moves the drops by 1.3 % of the period times that, over the time that was heard."""
    alone, both = read(heard(contact=False, jitter_s=1e-5)), read(heard(jitter_s=1e-5))
    share = 0.05 / 3600 * 0.013 * PERIOD_S
    assert alone.period_s.std_dev / PERIOD_S == pytest.approx(share, rel=0.05)
    assert both.period_s.std_dev / PERIOD_S < share / 2
    assert "losing clock" in " ".join(alone.remarks)
    assert "losing clock" not in " ".join(both.remarks)


def test_the_doubt_of_a_stacked_passage_is_in_the_beat_error():
    """The beat error is taken from the middles: half of a passage's doubt is in it, unless the other side knows better.

    Both stacks within 2 ms: alike within 4 ms in nine of ten clocks, so their difference is known to about 2.3 ms.
    """
    what = heard(contact=False, jitter_s=1e-5)

    def within(*u_ms, lead_ms=0.0):
        laid = tuple(
            SegmentPassage(side, 0, 39, PASSAGE_S * RATE_HZ, u * 1e-3 * RATE_HZ, lead_ms * 1e-3 * RATE_HZ)
            for side, u in zip("ab", u_ms, strict=True)
        )
        return read(replace(what, stacked_passages=laid)).beat_error_ms.std_dev

    sharp = within(0.01, 0.01)
    difference = 4 * np.sqrt(8 / (16 + 8))
    assert np.sqrt(within(2.0, 2.0) ** 2 - sharp**2) == pytest.approx(difference / 2, rel=0.1)
    assert sharp < 0.3
    hidden = 4 * np.sqrt(36 / (16 + 36))  # half of what a room hides is the same of both: 36 of twice 36
    assert np.sqrt(within(0.01, 0.01, lead_ms=6.0) ** 2 - sharp**2) == pytest.approx(hidden / 2, rel=0.15)


def test_rate_s_doubt_is_the_period_s():
    reading = read(period_s=15.003)
    share = reading.period_s.std_dev / reading.period_s.nominal_value
    assert reading.rate_s_per_day.std_dev == pytest.approx(86_400 * 15 / 15.003 * share, rel=1e-6)


def test_sides_whose_arcs_disagree_leave_the_arc_between_them():
    """Passages of 318 and 350 ms: arcs of 300 and 273 deg; the balance swings as far one way as the other."""
    number = np.arange(40)
    reading = read(passage_s=np.where(number % 2, 1.1, 1.0) * PASSAGE_S)
    shorter = LIFT_DEG / np.sin(np.pi * 1.1 * PASSAGE_S / PERIOD_S)
    assert reading.arc_deg.nominal_value == pytest.approx(
        (ARC_DEG + shorter) / 2, rel=0.003
    )  # arc is not linear
    assert reading.arc_deg.std_dev == pytest.approx((ARC_DEG - shorter) / 2, rel=0.01)
    told(reading, "longer on one side")


@pytest.mark.parametrize(("apart_ms", "by_half_of_it"), [(2.5, False), (12.0, False), (40.0, True)])
def test_stacked_sides_that_disagree_leave_the_arc_between_them(apart_ms, by_half_of_it):
    """Each known to 1 ms, and to 6 ms by what the room hides: 12 ms apart is chance, 40 ms a fault of one of them."""
    what = heard(contact=False, jitter_s=1e-5)
    laid = tuple(
        SegmentPassage(
            side, 0, 39, (PASSAGE_S + late * apart_ms * 1e-3) * RATE_HZ, 1e-3 * RATE_HZ, 6e-3 * RATE_HZ
        )
        for side, late in (("a", 0), ("b", 1))
    )
    arc = read(replace(what, stacked_passages=laid)).arc_deg
    deg_per_ms = ARC_DEG / PASSAGE_S / 1e3
    # Scatter and edges of two drops; half of what the room hides is common to both.
    chance = np.sqrt((1 + 0.15**2) / 2 + 0.75 * 6**2)
    expected = apart_ms / 2 / (1 + apart_ms / 318) if by_half_of_it else chance
    assert arc.std_dev == pytest.approx(
        expected * deg_per_ms, rel=0.06
    )  # of the second order in half of 12 or 40 of 318 ms, and the impulse


def test_sides_that_differ_by_chance_are_not_told():
    assert not any("longer on one side" in remark for remark in read(jitter_s=2e-3).remarks)


def test_even_beats_are_side_a(plain):
    for table in (plain.swings, plain.events):
        assert set(table.side) == {"a", "b"}
    np.testing.assert_array_equal(plain.swings.side, np.where(plain.swings.number % 2, "b", "a"))
    assert plain.events.side[:4].tolist() == ["a", "a", "b", "b"]


def test_a_last_contact_that_is_timed_badly_is_no_change_of_the_clock():
    """Fifteen beats, the last contact 8 ms early: its middle alone is off, by 4 ms, and the period's doubt knows of it."""
    what = heard(beats=15, jitter_s=2e-4)
    at = what.sounds.sample.copy()
    at[(what.sounds.kind == "contact") & (what.sounds.beat == 14)] -= 8e-3 * RATE_HZ
    reading = read(replace(what, sounds=replace(what.sounds, sample=at)))
    assert abs(reading.period_s.nominal_value - PERIOD_S) > 2e-4  # else nothing is tested
    assert holds(reading.period_s, PERIOD_S)
