"""A handful of beats: the right account is sure, a room gives none, and an ordinary clock is taken for what it is."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

import torsionbeat.hearing.few_beats as few_beats_module
from torsionbeat.hearing.few_beats import _each_once, few_beats
from torsionbeat.hearing.guesses import (
    halved_or_doubled,
    joined_guesses,
    likely_guesses,
    moved_by_passages,
    suggested_by_pairs,
    with_clear_passages,
)
from torsionbeat.hearing.peak_scores import (
    FewBeats,
    Peaks,
    account_of,
    fitted_guesses,
    guess_of,
    laid,
    same_accounts,
)
from torsionbeat.hearing.segment import LEAST_SHARE, MISTOLD
from torsionbeat.tracks.other_clocks import even_train
from torsionbeat.tracks.search import NEAR_NOMINAL

_PATH = Path(__file__).parent / "few_beats_by_loops.py"
_SPEC = importlib.util.spec_from_file_location(_PATH.stem, _PATH)
by_loops = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(by_loops)

LENGTH_S = 30.0
MISTOLD_AT_6 = tuple((6.0 * times, share) for times, share in MISTOLD)


def clock(period_s=6.0, passage_s=0.12, late_s=0.02, start_s=1.3, contact_db=24.0, jitter_s=0.002, seed=0):
    """Times and levels of every contact and drop within LENGTH_S."""
    rng = np.random.default_rng(seed)
    rows = np.arange(0, int(LENGTH_S / period_s) + 1)
    times, levels = [], []
    for half, late in ((0.0, 0.0), (0.5, late_s)):
        for ahead, level in ((0.0, 30.0), (passage_s, contact_db)):
            at = start_s + (rows + half) * period_s + late - ahead + jitter_s * rng.standard_normal(len(rows))
            times.append(at)
            levels.append(level + rng.standard_normal(len(rows)))
    times, levels = np.concatenate(times), np.concatenate(levels)
    inside = (times > 0) & (times < LENGTH_S)
    return times[inside], levels[inside]


def room(count, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, LENGTH_S, count), 7 + rng.exponential(4.0, count)


def joined(*parts):
    times, levels = (np.concatenate(values) for values in zip(*parts, strict=True))
    order = np.argsort(times)
    return times[order], levels[order]


def test_two_and_a_half_periods_among_room_sounds():
    times, levels = joined(clock(), room(25))
    early = times < 15.0
    best = few_beats(times[early], levels[early], 15.0, 6.0)[0]
    assert best.share > 0.99
    assert best.score > 8
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.passage_s == pytest.approx(0.12, abs=0.006)
    assert abs(best.out_of_half_s) == pytest.approx(0.02, abs=0.008)


def test_a_room_is_no_clock():
    for seed in range(6):
        found = few_beats(*joined(room(30, seed)), LENGTH_S, 6.0)
        assert not found or found[0].score < 8


def test_an_even_train_is_taken_out_first():
    """A quartz clock alone, six ticks to the period told; and one beside the clock."""
    ticks = np.arange(0.4, LENGTH_S, 1.0), np.full(30, 25.0)
    found = few_beats(*ticks, LENGTH_S, 6.0)
    assert not found or found[0].score < 8
    best = few_beats(*joined(clock(contact_db=27.0), ticks), LENGTH_S, 6.0)[0]
    assert best.passage_s == pytest.approx(0.12, abs=0.006)


@pytest.mark.parametrize(
    ("drifts_s", "told", "heard"), [(0.0, True, True), (0.0, False, False), (0.03, False, True)]
)
def test_what_keeps_step_with_ticks_is_a_residue_of_them_unless_its_period_was_told(drifts_s, told, heard):
    """Drops each 3 s beside ticks each second, which in a stretch of half a minute they leave by 0.15 s, or do not leave."""
    ticks = np.arange(0.4, LENGTH_S, 1.0), np.full(30, 25.0)
    found = few_beats(*joined(clock(6.0 + drifts_s, jitter_s=0.0), ticks), LENGTH_S, 6.0, told=told)
    near = [one for one in found if abs(one.period_s / 6.0 - 1) < 0.01 and one.score > 8]
    assert bool(near) == heard


def test_drops_in_beat_are_no_even_train_of_half_their_interval():
    """Drops each 3 s, and two knocks that lie half-way: every second tick of 1.5 s would be missing, but for those two."""
    drops = 0.7 + 3.0 * np.arange(12)
    times = np.sort([*drops, 0.7 + 1.5 * 5, 0.7 + 1.5 * 19])
    levels = np.where(np.isin(times, drops), 35.0, 8.0)
    rarity = np.full(len(times), 5.0)
    assert even_train(times, levels, rarity, 36.0, 2.7).score == 0.0
    ticks = 0.7 + 1.5 * np.arange(23)
    assert even_train(ticks, np.full(23, 35.0), np.full(23, 5.0), 36.0, 2.7).used.all()


def test_what_falls_into_a_gap_is_not_missing():
    times, levels = joined(clock(), room(25))
    gap = (times > 8.0) & (times < 17.0)
    told = few_beats(times[~gap], levels[~gap], LENGTH_S, 6.0, gaps=((8.0, 17.0),))[0]
    untold = few_beats(times[~gap], levels[~gap], LENGTH_S, 6.0)[0]
    assert told.passage_s == pytest.approx(0.12, abs=0.006)
    assert told.score > untold.score + 10


def test_equal_sounds_are_not_sure():
    """Of three evenly sounding peaks a side nobody can say which two are contact and drop."""
    times, levels = joined(
        clock(contact_db=30.0, late_s=0.0), clock(passage_s=0.24, contact_db=30.0, late_s=0.0)
    )
    assert few_beats(times, levels, LENGTH_S, 6.0)[0].share < 0.999


def test_half_the_period_is_a_rival_by_how_often_periods_are_told_twice():
    """A clock in beat sounds like one of half its period with one side: what people tell decides, by the odds given."""
    alone = few_beats(*joined(clock(late_s=0.0), room(10)), LENGTH_S, 6.0)
    best = alone[0].score
    shares = {}
    for prior in (0.5, 0.01):
        found = few_beats(*joined(clock(late_s=0.0), room(10)), LENGTH_S, 6.0, rivals=((3.0, prior),))
        half = max(one.score for one in found if one.period_s < 4)
        whole = max(one.score for one in found if one.period_s > 4)
        assert whole == pytest.approx(best + np.log(1 - prior), abs=1e-9)
        shares[prior] = half
        assert sum(one.share for one in found) == pytest.approx(1.0)
        assert [one.share for one in found] == sorted((one.share for one in found), reverse=True)
    assert shares[0.5] - shares[0.01] == pytest.approx(np.log(0.5 / 0.01), abs=1e-9)


def test_a_period_told_at_half_is_found_at_the_whole():
    """Told 3 s of a clock of 6 s that is out of beat: the whole explains more, though only one in twenty tells half."""
    best = few_beats(*joined(clock(late_s=0.15), room(10)), LENGTH_S, 3.0, rivals=((1.5, 0.01), (6.0, 0.05)))[
        0
    ]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.share > 0.99


@pytest.mark.parametrize("times_told", [3, 4])
def test_a_clock_that_goes_several_times_in_the_period_told_is_found(times_told):
    """Told 18 or 24 s of a clock of 6: two sides of the longer period are beats of one side, and there are more between."""
    rivals = ((3.0 * times_told, 0.01), (12.0 * times_told, 0.05))
    best = few_beats(*joined(clock(late_s=0.05), room(10)), LENGTH_S, 6.0 * times_told, rivals=rivals)[0]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert abs(best.out_of_half_s) == pytest.approx(0.05, abs=0.01)
    assert best.share > 0.99


def test_a_clock_in_beat_is_sure_after_two_and_a_half_periods():
    """Half its period with one side explains its sounds nearly as well: by how seldom twice is told it is sure all the same."""
    times, levels = joined(clock(late_s=0.0), room(10))
    early = times < 15.0
    rivals = tuple((times_told * 6.0, share) for times_told, share in MISTOLD)
    best = few_beats(times[early], levels[early], 15.0, 6.0, rivals=rivals)[0]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.share > LEAST_SHARE


def test_a_passage_of_59_ms_is_one_and_no_echo_louder_than_its_sound():
    """A clock of 6 s, 31 ms out of beat: with a threshold at 60 ms its contacts were the drops, once in 80 otherwise."""
    ticks = clock(late_s=0.031, passage_s=0.059, contact_db=31.0, jitter_s=0.001)
    times, levels = joined(ticks, room(20))
    early = times < 21.5
    best = few_beats(times[early], levels[early], 21.5, 6.0, rivals=MISTOLD_AT_6)[0]
    assert best.passage_s == pytest.approx(0.059, abs=0.002)


def some_peaks(seed):
    """Peaks of a room, mostly with a clock, sometimes with an ordinary one; how long, gaps, and the period told."""
    rng = np.random.default_rng([seed, 7])
    parts = [room(int(rng.integers(8, 60)), seed)]
    if seed % 4:
        late_s, start_s, jitter_s = 0.05 * rng.standard_normal(), rng.uniform(0, 6), rng.uniform(0.001, 0.008)
        passage_s = rng.uniform(0.06, 0.3)
        parts.append(clock(late_s=late_s, passage_s=passage_s, start_s=start_s, jitter_s=jitter_s, seed=seed))
    if seed % 3 == 0:
        at = np.arange(0.3, LENGTH_S, rng.uniform(0.2, 2.0))
        parts.append((at + 0.002 * rng.standard_normal(len(at)), 20 + 4 * rng.standard_normal(len(at))))
    times, levels = joined(*parts)
    end_s = float(rng.uniform(12, LENGTH_S))
    early = times < end_s
    gaps = ((8.0, 11.0),) if seed % 2 else ()
    return Peaks.of(times[early], levels[early], end_s, gaps), (3.0, 6.0, 12.0)[seed % 3]


def as_accounts(guesses):
    return [account_of(guess, 0.0) for guess in guesses]


@pytest.mark.parametrize("seed", range(12))
def test_all_at_once_is_as_one_after_the_other(seed):
    """Guesses, fits, scores and what says the same, by arrays and by loops; sums of some hundred terms round to 1e-11."""
    peaks, nominal_s = some_peaks(seed)
    guesses = suggested_by_pairs(peaks, nominal_s, NEAR_NOMINAL)
    assert as_accounts(guesses) == by_loops.guesses(peaks, nominal_s, NEAR_NOMINAL)
    likely = likely_guesses(peaks, guesses)
    fitted, scores = fitted_guesses(peaks, likely, NEAR_NOMINAL)
    plain = [by_loops.fitted(peaks, guess, NEAR_NOMINAL) for guess in as_accounts(likely)]
    plain = sorted((one for one in plain if np.isfinite(one.score)), key=lambda one: -one.score)
    assert len(plain) > 20
    assert scores == pytest.approx([one.score for one in plain], abs=1e-9)
    order = sorted(
        plain, key=lambda one: (-round(one.score, 6), round(one.drop_s, 6))
    )  # of equal ones the earlier
    accounts = as_accounts(fitted)
    for one, other in zip(accounts, order, strict=True):
        assert (one.drop_s, one.period_s) == pytest.approx((other.drop_s, other.period_s), abs=1e-9)
        assert one.passage_s == pytest.approx(other.passage_s, abs=1e-9)
        assert one.out_of_half_s == pytest.approx(other.out_of_half_s, abs=1e-9)
    same = [[by_loops.same(one, other) for other in accounts] for one in accounts]
    assert same_accounts(fitted).tolist() == same


@pytest.mark.parametrize("seed", range(0, 24, 3))
def test_even_train_is_that_of_one_after_the_other(seed):
    peaks, _ = some_peaks(seed)
    used, score = by_loops.even_train(peaks, 2.3)
    train = even_train(peaks.times, peaks.levels, peaks.rarity, peaks.duration_s, 5.0)
    assert train.used.tolist() == used.tolist()
    assert train.score == pytest.approx(score, abs=1e-9)
    assert score > 10 or np.count_nonzero(used) < 12


def test_nothing_is_left_beside_an_even_train():
    """All peaks are ticks: next to nothing remains to suggest a clock, and nothing fails."""
    ticks = np.arange(0.4, LENGTH_S, 0.7)
    assert all(one.score < -10 for one in few_beats(ticks, np.full(len(ticks), 25.0), LENGTH_S, 6.0))


def test_a_contact_louder_than_its_drop_is_no_drop():
    """Side a's drop and side b's contact are the loud ones, and the room has more loud peaks than are looked at for pairs."""
    rng = np.random.default_rng(3)
    period_s, passage_s, late_s, start_s = 6.0, 0.12, 0.02, 1.3
    rows = np.arange(5)
    parts = [room(60, seed=2)]
    for half, late, ahead, level in (
        (0.0, 0.0, 0.0, 30.0),
        (0.0, 0.0, passage_s, 22.0),
        (0.5, late_s, 0.0, 16.0),
        (0.5, late_s, passage_s, 24.0),
    ):
        at = start_s + (rows + half) * period_s + late - ahead + 0.001 * rng.standard_normal(len(rows))
        parts.append((at[at < LENGTH_S], np.full(np.count_nonzero(at < LENGTH_S), level)))
    # as many louder than that drop as there may be: no pair of peaks tells of it
    parts.append((rng.uniform(0, LENGTH_S, 26), np.full(26, 18.0)))
    best = few_beats(*joined(*parts), LENGTH_S, period_s)[0]
    assert best.passage_s == pytest.approx(passage_s, abs=0.003)
    turned = 1.0 < (best.drop_s - start_s) % period_s < 5.0
    assert best.out_of_half_s == pytest.approx(-late_s if turned else late_s, abs=0.005)


def test_accounts_of_parts_are_joined_to_the_whole():
    """Where peaks of only some sounds are loud, each part is an account of its own: the whole is made of them."""
    parts = [
        FewBeats(3.0, 1.3, 0.12, None, 60.0),  # half the period, both sides' contacts and drops
        FewBeats(6.0, 4.3, None, 0.02, 50.0),  # drops alone, of both sides
        FewBeats(6.0, 1.31, 0.13, None, 40.0),  # one side alone
    ]
    rows = joined_guesses(parts)

    def among(*row):
        return np.isclose(rows, row, equal_nan=True).all(axis=1).any()

    for part in parts:
        assert among(part.drop_s, part.period_s, _or_nan(part.out_of_half_s), _or_nan(part.passage_s))
    assert among(1.3, 6.0, 0.0, 0.12)  # one side of half the period is two in beat
    assert among(1.31, 6.0, 0.02, 0.13)
    assert among(4.3, 6.0, 0.02, 0.12)


def _or_nan(value):
    return np.nan if value is None else value


def test_accounts_of_one_clock_are_told_once_with_the_echoes_that_suit_it():
    """Of two ways to lay one clock on a tick of two parts the one whose echoes fit is told, though by itself it was the worse."""
    one = FewBeats(12.0, 3.45, 0.269, -0.006, 35.0)
    other = FewBeats(12.002, 9.452, 0.277, 0.004, 26.0)  # the other side first
    half = FewBeats(6.0, 3.45, 0.278, None, 27.0)
    found, scores = _each_once([one, half, other], np.array([35.0 + 15.0, 27.0 + 33.0, 26.0 + 33.0]))
    assert found == [half, other]
    assert scores.tolist() == [60.0, 59.0]


@pytest.mark.parametrize("seed", [24, 47])
def test_what_one_period_shows_of_echoes_the_other_is_allowed_too(monkeypatch, seed):
    """Contacts in two parts, 25 ms apart: at half the period all first parts are taken, and their second ones are echoes.

    At the whole period some of the second parts give a better account by themselves, but no echoes then. Of sixty such clocks
    these two were told at half their period (the echoes by decree, worth 30).
    """
    rng, count = np.random.default_rng(seed), 6
    drop = 3.45 + 6.0 * np.arange(count) + 0.004 * rng.standard_normal(count)
    first = drop - 0.28 + 0.006 * rng.standard_normal(count)
    second = first + 0.025 + 0.004 * rng.standard_normal(count)
    times = np.concatenate([drop, first, second])
    levels = np.concatenate(
        [high + spread * rng.standard_normal(count) for high, spread in ((40, 2.0), (33, 2.5), (33, 2.5))]
    )
    order = np.argsort(times)
    first_parts = set(np.argsort(order)[count : 2 * count].tolist())

    def echoes(peaks, account):
        contacts = laid(peaks, np.array([guess_of(account)]))[1][0][1::2]
        return 30.0 * (set(contacts[contacts >= 0].tolist()) == first_parts)

    monkeypatch.setattr(few_beats_module, "_echoes", echoes)
    best = few_beats(times[order], levels[order], 35.0, 12.0, rivals=((6.0, MISTOLD[0][1]),))[0]
    assert best.period_s == pytest.approx(12.0, abs=0.01)


def test_a_clock_at_half_its_period_has_one_side_and_at_twice_two_in_beat():
    accounts = [
        FewBeats(12.0, 3.0, 0.3, 0.004, 9.0),
        FewBeats(12.0, 3.0, 0.3, 0.5, 8.0),
        FewBeats(6.0, 1.0, None, None, 7.0),
    ]
    doubled, halved = halved_or_doubled([guess_of(one) for one in accounts])
    assert doubled[:3] == (1.0, 12.0, 0.0)
    assert np.isnan(doubled[3])
    assert halved[:2] == (3.0, 6.0)
    assert np.isnan(halved[2])
    assert halved[3] == 0.3


def test_sounds_softer_than_most_of_the_room_s_are_found_by_their_parts(monkeypatch):
    """With the pairs of few loud peaks no guess has all four sounds: joined, their account is the best, and by far."""
    times, levels = joined(clock(period_s=6.0, jitter_s=0.001), room(60))
    assert few_beats(times, levels, LENGTH_S, 6.0, rivals=MISTOLD_AT_6)[0].passage_s == pytest.approx(
        0.12, abs=0.01
    )
    guesses = suggested_by_pairs

    def without_the_whole(peaks, nominal_s, near):
        made = guesses(peaks, nominal_s, near)
        return made[np.isnan(made[:, 2:]).any(axis=1)]

    monkeypatch.setattr(few_beats_module, "suggested_by_pairs", without_the_whole)
    best = few_beats(times, levels, LENGTH_S, 6.0, rivals=MISTOLD_AT_6)[0]
    assert best.period_s == pytest.approx(6.0, abs=0.01)
    assert best.passage_s == pytest.approx(0.12, abs=0.01)
    assert abs(best.out_of_half_s) == pytest.approx(0.02, abs=0.01)
    assert best.share > LEAST_SHARE


def test_either_side_s_drop_may_be_its_contact():
    """A clock of 12 s and three like it, in which one side's drop, the other's, or both are a passage later."""
    clock = FewBeats(12.0, 5.0, 0.11, 0.02, 9.0)
    rows = moved_by_passages([clock, FewBeats(12.0, 5.0, None, 0.02, 3.0)])
    for drop_s, late_s in (
        (5.0, 0.02),
        (5.11, -0.09),
        (5.0, 0.13),
        (5.11, 0.02),
        (4.89, 0.13),
        (5.0, -0.09),
        (4.89, 0.02),
    ):
        expected = (drop_s, 12.0, late_s, 0.11)
        assert np.isclose(rows, expected, atol=1e-9).all(axis=1).any(), expected
    assert np.isfinite(rows[:, :3]).all()  # without a passage nothing is moved


@pytest.mark.parametrize(
    ("count", "drop_db", "seed"), [(60, 16.0, 0), (100, 16.0, 0), (150, 18.0, 1), (150, 18.0, 2)]
)
def test_a_clock_softer_than_the_room_s_loudest_sounds_is_found_by_its_steadiness(count, drop_db, seed):
    """So many sounds of the room are louder than any of the clock's: no pair of the loudest tells of it. Its four sounds are
    in one account, which what has the contacts alone, and drops as their echoes, does not reach."""
    rng = np.random.default_rng(seed)
    loud = np.sort(rng.uniform(0, LENGTH_S, count)), 30.0 + rng.exponential(4.0, count)
    times, levels = clock(contact_db=drop_db - 3.0)
    soft = times, np.where(levels > 20.0, levels - 30.0 + drop_db, levels)
    best = few_beats(*joined(soft, loud, room(60, seed=9)), LENGTH_S, 6.0)[0]
    assert best.score > 8
    assert best.share > 0.9
    assert best.passage_s == pytest.approx(0.12, abs=0.006)
    assert abs(best.out_of_half_s) == pytest.approx(0.02, abs=0.008)


def test_passages_are_looked_for_after_the_sounds_of_an_account_too():
    """An account of the contacts alone, and drops too soft for any pair: the one with both is offered."""
    times, levels = clock(passage_s=0.12, late_s=0.02, start_s=1.3)
    times, levels = joined((times, levels), room(25))
    peaks = Peaks.of(times, levels, LENGTH_S, ())
    contacts = FewBeats(6.0, 1.18, None, 0.02, 20.0)
    rows = with_clear_passages(peaks, [contacts])
    assert np.isclose(rows, (1.3, 6.0, 0.02, 0.12), atol=0.006).all(axis=1).any()
