"""The listener from end to end: the same samples give the same answer, and the answer is the clock's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.hearing.listener import Listener
from torsionbeat.twin import SCENES, OtherClock, Recorder, Room, VoiceSet

RATE_HZ = 16_000


def drops(heard):
    """Beat numbers and times in s of the certain drops."""
    chosen = heard.sounds.certain & (heard.sounds.kind == "drop")
    return heard.sounds.beat[chosen], heard.sounds.sample[chosen] / heard.sample_rate_hz


def fed(pieces, **options):
    """Feed (start frame, samples) pairs; a start frame of None goes straight on."""
    listener = Listener(RATE_HZ, **options)
    for start, samples in pieces:
        listener.feed(samples, start)
    return listener.finish()


def cut(sound, size, start=0):
    return [(start + at, sound[at : at + size]) for at in range(0, len(sound), size)]


@pytest.mark.parametrize("channels", [1, 2])
def test_bands_made_far_ahead_are_as_those_made_in_time(channels, six, monkeypatch, assert_same):
    """Over a lost stretch and several chapters; the channel dropped at the first chapter has bands to the end."""
    monkeypatch.setattr("torsionbeat.hearing.listener.CHAPTER_CHUNKS", 80)
    sound = six[1] if channels == 1 else np.column_stack([0.1 * six[1][::-1], six[1]])
    first, last = 81 * RATE_HZ + 123, 90 * RATE_HZ + 7
    pieces = [*cut(sound[:first], 40_000), *cut(sound[last:], 40_000, last)]
    ahead = Listener(RATE_HZ, channels, nominal_period_s=6.0)
    made = list(ahead.banded((samples, start) for start, samples in pieces))
    assert ahead.samples == 0
    assert len(made) > len(pieces)  # the lost stretch has its own
    for piece in made:
        ahead.take(piece)
    assert ahead.samples == len(sound)
    assert_same(ahead.finish(), fed(pieces, channels=channels, nominal_period_s=6.0))


@pytest.mark.parametrize("size", [509, 10**9])
def test_block_size_does_not_move_an_event(size, six, six_heard, hear, assert_same):
    assert_same(hear(six[1], block=size, nominal_period_s=6.0), six_heard)


def test_blocks_of_one_sample_do_not_move_an_event(six, six_heard, assert_same):
    """Two seconds sample by sample, over the end of a chunk (32,768 samples at 16 kHz)."""
    sound = six[1]
    pieces = [(None, sound[:20_000]), *((None, sound[at : at + 1]) for at in range(20_000, 52_000))]
    assert_same(fed([*pieces, (None, sound[52_000:])], nominal_period_s=6.0), six_heard)


def test_blocks_do_not_matter_across_a_lost_stretch(six, assert_same):
    sound = six[1]
    first, last = 81 * RATE_HZ + 123, 90 * RATE_HZ + 7

    def heard(size):
        return fed([*cut(sound[:first], size), *cut(sound[last:], size, last)], nominal_period_s=6.0)

    whole = heard(10**9)
    assert_same(heard(509), whole)
    ((start, end),) = whole.gaps
    # frames of half a millisecond, a window of three
    assert start == pytest.approx(first, abs=40)
    assert end == pytest.approx(last, abs=40)
    true = six[0].truth.events.where(kind="drop").time_s
    outside = true[(true < first / RATE_HZ - 0.1) | (true > last / RATE_HZ + 0.1)]
    numbers, times = drops(whole)
    assert len(times) == len(outside)
    np.testing.assert_allclose(times, outside, atol=0.003)
    # the beats within the gap keep their numbers
    np.testing.assert_array_equal(np.diff(numbers), np.rint(np.diff(outside) / 3.0))


def test_blocks_do_not_matter_across_chapters(six, six_heard, monkeypatch, assert_same):
    """Chapters of 51 s in place of 75 minutes; the beats are numbered through."""
    monkeypatch.setattr("torsionbeat.hearing.listener.CHAPTER_CHUNKS", 80)
    whole = fed([(None, six[1])], nominal_period_s=6.0)
    assert_same(fed(cut(six[1], 509), nominal_period_s=6.0), whole)
    numbers, times = drops(whole)
    once_numbers, once_times = drops(six_heard)
    np.testing.assert_array_equal(numbers, once_numbers)
    # each chapter learns the mean sound anew, so its beginning may differ by a fraction of a frame (0.5 ms)
    np.testing.assert_allclose(times, once_times, atol=0.0006)


@pytest.mark.parametrize("size", [509, 50_000, 10**9])
@pytest.mark.parametrize(("channels", "best"), [(2, 1), (3, 0), (4, 2), (8, 7)])
def test_several_channels_over_several_chapters(channels, best, size, six, six_heard, monkeypatch, hear):
    """First chapters of 41 to 82 s: the channels are told apart in the midst of a block, the rest of it is heard."""
    monkeypatch.setattr("torsionbeat.hearing.listener.CHAPTER_CHUNKS", max(80, 20 * channels))
    noise = 0.003 * np.random.default_rng(5).standard_normal((len(six[1]), channels))
    sound = noise.astype(np.float32)
    sound[:, best] = six[1]
    heard = hear(sound, block=size, channels=channels, nominal_period_s=6.0)
    assert (heard.channel, heard.channels, heard.samples) == (best, channels, len(six[1]))
    numbers, times = drops(heard)
    once_numbers, once_times = drops(six_heard)
    np.testing.assert_array_equal(numbers, once_numbers)
    # each chapter learns the mean sound anew, so its beginning may differ by a fraction of a frame (0.5 ms)
    np.testing.assert_allclose(times, once_times, atol=0.0006)


def test_clock_that_begins_late_on_the_last_channel_is_heard(six, monkeypatch, hear):
    """Nothing is heard in the first chapter on any channel: none may be given up."""
    monkeypatch.setattr("torsionbeat.hearing.listener.CHAPTER_CHUNKS", 80)
    quiet = 0.003 * np.random.default_rng(5).standard_normal((len(six[1]) + 60 * RATE_HZ, 4))
    sound = quiet.astype(np.float32)
    sound[60 * RATE_HZ :, 3] = six[1]
    heard = hear(sound, channels=4, nominal_period_s=6.0)
    assert heard.channel == 3
    assert len(drops(heard)[1]) >= 30  # of 40; a half-heard chapter may begin late


def test_figures_so_far_are_of_the_best_channel(six):
    """Before the first chapter ends no channel is chosen; the one that hears the clock is asked."""
    listener = Listener(RATE_HZ, 2, nominal_period_s=6.0)
    listener.feed(np.column_stack([np.zeros_like(six[1]), six[1]]))
    so_far = listener.heard_so_far()
    assert so_far.channel == 1
    assert len(drops(so_far)[1]) >= 38


def test_one_column_is_mono(six, six_heard, hear, assert_same):
    assert_same(hear(six[1][:, None], nominal_period_s=6.0), six_heard)


@pytest.mark.parametrize("best", [0, 1])
def test_channel_that_hears_the_clock_best_is_used(six, six_heard, hear, best):
    noise = 0.01 * np.random.default_rng(1).standard_normal(len(six[1]))
    columns = [six[1], six[1] * 0.1 + noise]
    sound = np.column_stack(columns if best == 0 else columns[::-1]).astype(np.float32)
    heard = hear(sound, channels=2, nominal_period_s=6.0)
    assert (heard.channel, heard.channels) == (best, 2)
    np.testing.assert_array_equal(heard.sounds.sample, six_heard.sounds.sample)


def test_asking_in_between_changes_nothing(six, six_heard, assert_same):
    listener = Listener(RATE_HZ, nominal_period_s=6.0)
    for number, (start, piece) in enumerate(cut(six[1], 10 * RATE_HZ)):
        listener.feed(piece, start)
        if number == 9:
            so_far = listener.heard_so_far()
    numbers, times = drops(so_far)
    assert len(numbers) >= 31  # 100 s are 33 beats; the open second and a beat at the end may be missing
    assert_same(listener.finish(), six_heard)
    np.testing.assert_allclose(times, drops(six_heard)[1][: len(times)], atol=0.001)
    assert_same(listener.finish(), six_heard)


def test_every_event_is_found_and_nothing_else(six, six_heard):
    """Scored by mir_eval (Raffel and others, ISMIR 2014), the reference for event times."""
    mir_eval = pytest.importorskip("mir_eval", reason="mir_eval is not installed: pip install mir_eval")

    true = np.sort(six[0].truth.events.time_s)
    found = np.sort(six_heard.sounds.sample[six_heard.sounds.certain] / RATE_HZ)
    score, precision, recall = mir_eval.onset.f_measure(true, found, window=0.05)
    assert (score, precision, recall) == (1.0, 1.0, 1.0)
    np.testing.assert_allclose(found, true, atol=0.003)  # six of 0.5 ms
    assert np.std(found - true) < 0.0007


def test_stock_onset_detector_finds_the_same_drops(fifteen, hear):
    """librosa (McFee and others, SciPy 2015) as a gate, never as a clock: within 50 ms, at its own hop of 16 ms."""
    import librosa

    made, sound = fifteen
    theirs = librosa.onset.onset_detect(y=sound, sr=RATE_HZ, hop_length=256, units="time")
    _, ours = drops(hear(sound, nominal_period_s=15.0))
    assert len(ours) == len(made.truth.beats)
    assert np.abs(ours[:, None] - theirs[None, :]).min(axis=1).max() < 0.05


def test_sides_and_kinds_are_the_clocks(six, six_heard):
    events = six[0].truth.events
    sounds = six_heard.sounds
    where = np.abs(sounds.sample[:, None] / RATE_HZ - events.time_s[None, :]).argmin(axis=1)
    np.testing.assert_array_equal(sounds.kind, events.kind[where])
    # side a is the first heard
    swapped = events.side[where][0] == "b"
    sides = np.where((sounds.beat % 2 == 0) != swapped, "a", "b")
    np.testing.assert_array_equal(sides, events.side[where])
    assert {(voice.side, voice.kind) for voice in six_heard.voices} == {
        (s, k) for s in "ab" for k in ("contact", "drop")
    }


def test_period_is_found_without_being_told(six, six_heard, hear):
    heard = hear(six[1])
    np.testing.assert_allclose(heard.sounds.sample, six_heard.sounds.sample, atol=2)


@pytest.mark.parametrize("told_s", [3.0, 12.0])
def test_period_told_at_half_or_twice_the_true_one(told_s, six, six_heard, hear):
    """The period heard is the clock's own, so that no rate against the one told is made of it."""
    heard = hear(six[1], nominal_period_s=told_s, shortest_period_s=2.0)
    assert heard.period_samples == pytest.approx(six_heard.period_samples, rel=1e-3)
    assert len(drops(heard)[0]) == len(drops(six_heard)[0])


def test_unlocking_and_banking_are_not_taken_for_contact_and_drop(clock, recorded, hear):
    made, sound = recorded(clock(6.0, sounds=("contact", "unlocking", "drop", "banking")), 120.0)
    heard = hear(sound, nominal_period_s=6.0)
    for kind in ("contact", "drop"):
        true = made.truth.events.where(kind=kind).time_s
        chosen = heard.sounds.certain & (heard.sounds.kind == kind)
        found = heard.sounds.sample[chosen] / RATE_HZ
        assert len(found) >= 0.95 * len(true)
        assert np.abs(found[:, None] - true[None, :]).min(axis=1).max() < 0.003


def test_a_contact_far_softer_than_the_unlocking_just_behind_it_is_the_contact(clock, recorded, hear):
    """15 dB softer and 18 ms earlier on both sides: too near to be followed by itself, it shows in the mean of all beats."""
    voices = VoiceSet(contact_db=-20.0, unlocking_db=-5.0)
    made, sound = recorded(clock(8.0, sounds=("contact", "unlocking", "drop"), voices=voices), 160.0)
    heard = hear(sound, nominal_period_s=8.0)
    for kind in ("contact", "drop"):
        true = made.truth.events.where(kind=kind).time_s
        chosen = heard.sounds.certain & (heard.sounds.kind == kind)
        found = heard.sounds.sample[chosen] / RATE_HZ
        assert len(found) >= 0.95 * len(true)
        assert np.abs(found[:, None] - true[None, :]).min(axis=1).max() < 0.003


def test_quartz_clock_is_named_and_left_out(clock, recorded, hear):
    made, sound = recorded(clock(15.0), 300.0, room=Room(others=(OtherClock(1.0, -3.0, rate_ppm=20.0),)))
    heard = hear(sound, nominal_period_s=15.0)
    assert len(heard.other_intervals_s) == 1
    assert heard.other_intervals_s[0] == pytest.approx(1.0, rel=1e-3)
    true = made.truth.events.where(kind="drop").time_s
    _, found = drops(heard)
    assert len(found) >= 0.95 * len(true)
    assert np.abs(found[:, None] - true[None, :]).min(axis=1).max() < 0.005


def test_of_two_torsion_clocks_the_one_that_was_told(clock, recorded, hear):
    second = replace(
        clock(12.07, sounds=("drop",)),
        voices=VoiceSet(drop_a="long_ring", drop_b="dry_knack", drop_peak=0.06),
    )
    made, sound = recorded(clock(15.0), 300.0, second_clock=second)
    both = ((15.0, made.truth.events, 12.07), (12.0, made.other_events, 15.0))
    for period_s, events, other_s in both:
        heard = hear(sound, nominal_period_s=period_s)
        true = events.where(kind="drop").time_s
        numbers, found = drops(heard)
        assert heard.period_samples / RATE_HZ == pytest.approx(np.median(true[2:] - true[:-2]), rel=1e-3)
        assert len(numbers) >= 0.95 * len(true)
        assert heard.second_period_s == pytest.approx(other_s, rel=1e-3)
        # where the beats of both fall together a beat may be lost, but the other clock's are never taken
        assert np.quantile(np.abs(found[:, None] - true[None, :]).min(axis=1), 0.95) < 0.005


@pytest.mark.parametrize(
    "scene", ["rain", "fire", "drip", "speech", "quiet_room", "quartz_alone", "ordinary_clocks"]
)
@pytest.mark.parametrize("seed", [1, 2])
def test_room_without_a_torsion_clock(scene, seed, hear):
    made = replace(SCENES[scene](seed, 120.0), recorder=Recorder(RATE_HZ)).render()
    heard = hear(made.samples())
    assert heard.period_samples is None
    assert len(heard.sounds) == 0
    named = {"quartz_alone": [1.0], "ordinary_clocks": [0.2 if seed % 2 == 0 else 0.6, 1.0]}
    for interval_s in named.get(scene, ()):
        # of a pendulum that does not limp the tick alone repeats, or tick and tock together
        apart = [min(abs(one / interval_s - times) for times in (1, 2)) for one in heard.other_intervals_s]
        assert min(apart) < 1e-3


def test_silence_and_nothing_at_all(hear):
    for sound in (np.zeros(0, np.float32), np.zeros(60 * RATE_HZ, np.float32)):
        heard = hear(sound)
        assert heard.samples == len(sound)
        assert heard.period_samples is None
        assert heard.peak == 0


def test_beats_come_at_any_rate(clock):
    from torsionbeat.twin import simulate

    for rate_hz in (8_000, 44_100):
        made = simulate(clock(6.0), Room(), Recorder(rate_hz), 45.0, 3)
        listener = Listener(rate_hz, nominal_period_s=6.0)
        listener.feed(made.samples())
        _, found = drops(listener.finish())
        true = made.truth.events.where(kind="drop").time_s
        np.testing.assert_allclose(found, true, atol=0.003)


def test_odd_samples_are_counted_and_the_clock_still_heard(six, six_heard, hear):
    sound = 20 * six[1]
    sound[[5000, 700_000]] = np.nan
    heard = hear(np.clip(sound, -1, 1), nominal_period_s=6.0)
    assert heard.bad_samples == 2
    assert heard.clipped_samples > 20
    np.testing.assert_allclose(drops(heard)[1], drops(six_heard)[1], atol=0.001)


def test_rate_too_low():
    with pytest.raises(InputError, match="sample rate is 5000 Hz"):
        Listener(5000.0)


def test_a_long_stretch_of_nothing_makes_no_other_clock(six, hear, monkeypatch):
    """Two minutes, much of nothing, two minutes: heard as one clock, with its beats numbered through."""
    monkeypatch.setattr("torsionbeat.hearing.listener.LONG_SILENCE_CHUNKS", 60)
    away_s = 600
    sound = np.concatenate([six[1], np.zeros(away_s * RATE_HZ, np.float32), six[1]])
    heard = hear(sound, nominal_period_s=6.0)
    assert heard.second_period_s is None
    assert not heard.one_sided
    _, times = drops(heard)
    first = len(six[1]) / RATE_HZ
    assert np.count_nonzero(times < first) == 40
    # the first beat falls half a second after the room is there again, whose own sound is then not yet known
    assert np.count_nonzero(times > first + away_s) >= 39
    ((start, end),) = heard.gaps
    assert (end - start) / RATE_HZ == pytest.approx(away_s, abs=0.01)


def test_the_end_of_a_quiet_file_is_no_lost_stretch(six, hear):
    """A soft recording of 16 bits ends in some samples of zero; what follows them is the end, not a loss."""
    assert hear(np.concatenate([six[1], np.zeros(100, np.float32)]), nominal_period_s=6.0).gaps == ()


def test_a_clock_that_goes_four_times_in_the_period_told_is_heard_whole(six, six_heard, hear):
    """A clock of 6 s told as one of 24: five periods of the one told are few, but twenty of the true one are not."""
    told = hear(six[1], nominal_period_s=24.0)
    # the period is the search's, a rough one: it numbers beats
    assert told.period_samples == pytest.approx(six_heard.period_samples, rel=1e-4)
    drops = (six_heard.sounds.kind == "drop", told.sounds.kind == "drop")
    np.testing.assert_array_equal(told.sounds.beat[drops[1]], six_heard.sounds.beat[drops[0]])
