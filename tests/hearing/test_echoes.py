"""What follows a clock's own sounds decides which of them is the contact."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from torsionbeat.hearing.echoes import clear_delays, score_of_echoes
from torsionbeat.hearing.few_beats import few_beats

LENGTH_S = 40.0
PERIOD_S = 12.0


def beats(*sounds, jitter_s=0.001, seed=0):
    """Peaks of sounds (seconds from the drop, dB), at every beat of a clock in beat, with some of a room."""
    rng = np.random.default_rng(seed)
    drops = np.arange(2.0, LENGTH_S - 1, PERIOD_S / 2)
    times = [drops + after_s + jitter_s * rng.standard_normal(len(drops)) for after_s, _ in sounds]
    levels = [level_db + rng.standard_normal(len(drops)) for _, level_db in sounds]
    times.append(rng.uniform(0, LENGTH_S, 20))
    levels.append(7 + rng.exponential(3.0, 20))
    order = np.argsort(np.concatenate(times))
    return np.concatenate(times)[order], np.concatenate(levels)[order]


def rows(times, levels, at_s):
    """Indices of the peaks of one sound."""
    due = np.arange(2.0, LENGTH_S - 1, PERIOD_S / 2) + at_s
    return np.array([int(np.argmin(np.abs(times - one))) for one in due])


def test_a_sound_after_the_contact_is_its_echo_and_one_before_it_is_nothing():
    times, levels = beats((-0.3, 22.0), (-0.2, 20.0), (0.0, 30.0))
    rarity = np.full(len(times), 4.0)
    drops, first, second = (rows(times, levels, at_s) for at_s in (0.0, -0.3, -0.2))
    assert score_of_echoes(times, levels, rarity, drops, first) > 20
    assert score_of_echoes(times, levels, rarity, drops, second) < 1
    none = np.zeros(0, np.int64)
    assert score_of_echoes(times, levels, rarity, none, none) == 0.0


def test_the_score_of_an_echo_is_that_of_its_sounds_its_delay_and_its_level():
    """Six drops, of which four are followed after 0.1 s by a sound 9 dB softer: the densities by scipy, the prior written out."""
    sounds = 6.0 * np.arange(6)
    times = np.sort(np.concatenate([sounds, sounds[:4] + 0.1]))
    levels = np.where(np.isin(times, sounds), 30.0, 21.0)
    drops = np.flatnonzero(np.isin(times, sounds))
    got = score_of_echoes(times, levels, np.full(10, 2.5), drops, np.zeros(0, np.int64))
    each = np.log(0.85) + 2.5 + stats.t.logpdf(0, 3, scale=0.004) + stats.t.logpdf(0, 3, scale=4.0)
    heard = 4 * np.logaddexp(each, np.log(0.15)) + 2 * np.log(0.15)
    # The delay and the level are fitted: known to 4 ms over the root of four, among frames of 0.5 ms and levels of 20 dB.
    fitted = np.log(0.004 * np.sqrt(2 * np.pi / 4) * 2000 * 20)
    # Half an echo in the mean, exponential with 40 ms (80 frames), usually 9 dB softer, to 6 dB.
    prior = np.log(0.5 / 80) - 200 / 80 + stats.norm(0, 6).logpdf(0)
    assert got == pytest.approx(heard + fitted + prior, abs=1e-3)


@pytest.mark.parametrize(("after_s", "heard"), [(0.37, True), (0.55, False)])
def test_a_slow_clock_banks_long_after_its_drop(after_s, heard):
    """With 0.7 s from contact to drop a banking may be 0.42 s after it (0.6 of the passage), and nothing later is one."""
    times, levels = beats((-0.7, 27.0), (0.0, 30.0), (after_s, 22.0))
    rarity = np.full(len(times), 4.0)
    drops, contacts = (rows(times, levels, at_s) for at_s in (0.0, -0.7))
    got = score_of_echoes(times, levels, rarity, drops, contacts)
    assert (got > 10) == heard


def test_a_drop_late_in_a_slow_passage_is_no_unlocking_of_what_follows_it():
    """Contact, drop, and a banking 0.72 s after it: taken for contact, unlocking and drop they gain nothing from the drop."""
    times, levels = beats((-0.75, 27.0), (0.0, 30.0), (0.72, 22.0))
    rarity = np.full(len(times), 4.0)
    drops, contacts, bankings = (rows(times, levels, at_s) for at_s in (0.0, -0.75, 0.72))
    assert score_of_echoes(times, levels, rarity, bankings, contacts) < 1
    assert score_of_echoes(times, levels, rarity, drops, contacts) < 1


def test_a_louder_sound_is_no_echo():
    times, levels = beats((0.0, 20.0), (0.1, 29.0))
    rarity = np.full(len(times), 4.0)
    louder = score_of_echoes(times, levels, rarity, rows(times, levels, 0.0), np.zeros(0, np.int64))
    levels[rows(times, levels, 0.1)] -= 15.0
    softer = score_of_echoes(times, levels, rarity, rows(times, levels, 0.0), np.zeros(0, np.int64))
    assert softer > louder + 15


@pytest.mark.parametrize("seed", range(4))
def test_the_first_of_two_sounds_before_the_drop_is_the_contact_though_the_other_is_louder(seed):
    """The contact rings again after 0.18 s, and louder: by loudness alone that would be the contact."""
    times, levels = beats((-0.45, 20.0), (-0.27, 24.0), (0.0, 30.0), seed=seed)
    best = few_beats(times, levels, LENGTH_S, PERIOD_S)[0]
    assert best.passage_s == pytest.approx(0.45, abs=0.006)
    assert best.share > 0.99


def test_the_order_is_by_share():
    found = few_beats(*beats((-0.45, 20.0), (-0.27, 24.0), (0.0, 30.0)), LENGTH_S, PERIOD_S)
    shares = [one.share for one in found]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(1.0)


def test_a_loud_drop_with_a_soft_echo_is_no_contact_with_a_soft_drop():
    """60 ms after each drop the case answers, 18 dB softer: no contact is so much louder than its drop."""
    best = few_beats(*beats((0.0, 44.0), (0.06, 26.0)), LENGTH_S, PERIOD_S)[0]
    assert best.passage_s is None
    assert best.drop_s % (PERIOD_S / 2) == pytest.approx(2.0, abs=0.01)
    assert best.share > 0.99


@pytest.mark.parametrize("seed", range(4))
def test_contacts_softer_than_what_else_sounds_are_found_from_their_drops(seed):
    """Fifty sounds of the room are louder than every contact: no two loud peaks show the passage."""
    times, levels = beats((-0.31, 22.0), (0.0, 40.0), seed=seed)
    rng = np.random.default_rng([seed, 1])
    loud = rng.uniform(0, LENGTH_S, 50)
    times, levels = np.concatenate([times, loud]), np.concatenate([levels, rng.uniform(28, 36, 50)])
    order = np.argsort(times)
    best = few_beats(times[order], levels[order], LENGTH_S, PERIOD_S)[0]
    assert best.passage_s == pytest.approx(0.31, abs=0.006)
    assert best.share > 0.99


def test_the_clearest_delays_are_those_that_most_sounds_have():
    """Of six sounds all are followed after 0.2 s, four after 0.1 s, two after 0.05 s."""
    sounds = 3.0 * np.arange(6)
    peaks = np.concatenate([sounds + 0.2, sounds[:4] + 0.1, sounds[:2] + 0.05])
    after = peaks[None, :] - sounds[:, None]
    found = clear_delays(after, np.full(len(peaks), 3.0), (0.02, 0.3), 3)
    assert found == pytest.approx([0.2, 0.1, 0.05], abs=0.005)
    assert clear_delays(after, np.full(len(peaks), 3.0), (0.15, 0.3), 3)[0] == pytest.approx(0.2, abs=0.002)
    assert clear_delays(after, np.full(len(peaks), 3.0), (0.4, 0.5), 3) == []
