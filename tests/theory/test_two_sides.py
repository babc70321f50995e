"""What the same lift both ways says of where sounds begin: against draws from the same assumptions, and limits."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.errors import InputError
from torsionbeat.theory.two_sides import (
    BY_BEAT_ERROR,
    BY_PASSAGE,
    SoundDoubt,
    beginnings_of_both,
    pairs_of_choices,
)

WEIGHTS = np.array([0.2, 0.5, 0.3])
SOUNDS = [
    SoundDoubt(np.array(choices), spread)
    for choices, spread in (
        ((-3.0, 0.0, 0.5), 0.3),
        ((0.0, 0.0, 2.0), 0.2),
        ((-4.0, 0.0, 0.2), 0.5),
        ((-1.0, 0.0, 0.1), 0.2),
    )
]
SHARP = [SoundDoubt(np.zeros(3), 0.2)] * 4


def pairs(same):
    """The same choice on both sides in such a share of clocks, else each its own."""
    return (1 - same) * np.outer(WEIGHTS, WEIGHTS) + same * np.diag(WEIGHTS)


def drawn(same, count=400_000):
    """Beginnings drawn from what is taken for granted, shape (count, 4)."""
    rng = np.random.default_rng(1)
    out = np.empty((count, 4))
    for kind in (0, 1):
        one, two = rng.choice(3, (2, count), p=WEIGHTS)
        two = np.where(rng.random(count) < same, one, two)
        for number, choice in ((kind, one), (kind + 2, two)):
            sound = SOUNDS[number]
            out[:, number] = sound.choices[choice] + sound.spread * rng.standard_normal(count)
    return out


@pytest.mark.parametrize("apart", [(0.0, 0.2), (-2.5, 0.4), (3.2, 0.2)])
def test_as_draws_weighed_by_how_well_the_passages_agree(apart):
    joint = beginnings_of_both(SOUNDS, pairs(0.4), alike_forks=0.4, apart=apart, alike=(1.0, 0.3, 0.0))
    draws = drawn(0.4)
    differ = apart[0] + draws @ (BY_PASSAGE[0] - BY_PASSAGE[1])
    weight = np.exp(-0.5 * differ**2 / (apart[1] ** 2 + 0.3**2))
    weight /= weight.sum()
    later = weight @ draws - draws.mean(axis=0)
    # 400 000 draws of which a tenth at least count: means to some 0.01
    np.testing.assert_allclose(joint.later, later, atol=0.03)
    rest = draws - later
    expected = np.einsum("n,ni,nj->ij", weight, rest, rest)
    np.testing.assert_allclose(joint.covariance, expected, atol=0.06)


def test_without_passages_each_sound_keeps_its_own_doubt():
    joint = beginnings_of_both(SOUNDS, pairs(0.4), alike_forks=0.4)
    np.testing.assert_array_equal(joint.later, 0.0)
    own = [WEIGHTS @ sound.choices**2 + sound.spread**2 for sound in SOUNDS]
    np.testing.assert_allclose(np.diag(joint.covariance), own)


def test_one_choice_for_both_sides_leaves_the_beat_error_and_widens_the_arc():
    alike = [SOUNDS[0], SOUNDS[1], SOUNDS[0], SOUNDS[1]]
    both = BY_PASSAGE[0] + BY_PASSAGE[1]
    apart, together = (beginnings_of_both(alike, pairs(same), alike_forks=same) for same in (0.0, 1.0))
    # What is left is the normal scatter of four sounds, half of each.
    scatter = np.sqrt(2 * (0.3**2 + 0.2**2)) / 2
    assert together.spread_of(BY_BEAT_ERROR) == pytest.approx(scatter)
    assert apart.spread_of(BY_BEAT_ERROR) > 2 * scatter
    assert together.spread_of(both) > apart.spread_of(both)


def test_what_one_fork_hides_on_both_sides_leaves_the_beat_error_and_not_the_arc():
    """Contacts in doubt by 3, drops by nothing: all of it in the mean passage where it is shared, none in the beat error."""
    sounds = [SoundDoubt(np.zeros(3), 0.0, 3.0), SoundDoubt(np.zeros(3), 0.0)] * 2
    mean = (BY_PASSAGE[0] + BY_PASSAGE[1]) / 2
    for same in (0.0, 0.5, 1.0):
        joint = beginnings_of_both(sounds, pairs(same), alike_forks=same)
        assert joint.spread_of(BY_BEAT_ERROR) == pytest.approx(3 * np.sqrt((1 - same) / 2))
        assert joint.spread_of(mean) == pytest.approx(3 * np.sqrt((1 + same) / 2))
    # Passages alike say that both are off by the same, and not by how much.
    alike = beginnings_of_both(sounds, pairs(0.5), alike_forks=0.5, apart=(0.0, 0.1))
    assert alike.spread_of(mean) == pytest.approx(3 * np.sqrt(0.75), rel=0.01)


def test_the_doubtful_sound_is_moved_and_the_sure_ones_stay():
    sounds = [SoundDoubt(np.zeros(3), spread) for spread in (3.0, 0.1, 0.1, 0.1)]
    joint = beginnings_of_both(sounds, pairs(0.4), alike_forks=0.4, apart=(4.0, 0.1))
    # by 9 / (9 + 0.04) of the four
    assert joint.later[0] == pytest.approx(4.0 * 9 / 9.04)
    # The middles move by half of each: their variance, less the square of what it shares with the difference of the passages.
    expected = np.sqrt((9 + 0.03) / 4 - ((9 - 0.01) / 2) ** 2 / 9.04)
    assert joint.spread_of(BY_BEAT_ERROR) == pytest.approx(expected)
    assert abs(joint.later[1:]).max() < 0.01


def test_passages_far_apart_leave_it_between_the_sides():
    joint = beginnings_of_both(SHARP, pairs(0.4), alike_forks=0.4, apart=(20.0, 0.1), alike=(0.9, 0.5, 25.0))
    assert joint.unlike > 0.999
    mean = (BY_PASSAGE[0] + BY_PASSAGE[1]) / 2
    # Side a's passage is too long by 20 or side b's too short: their mean is off by 10 either way.
    assert mean @ joint.later == pytest.approx(0.0, abs=1e-9)
    assert joint.spread_of(mean) == pytest.approx(10.0, rel=0.01)
    assert joint.spread_of(BY_BEAT_ERROR) == pytest.approx(10.0, rel=0.01)


def test_passages_alike_say_nothing_of_a_fault_common_to_all():
    joint = beginnings_of_both(SHARP, pairs(0.4), alike_forks=0.4, apart=(0.0, 0.1), alike=(0.9, 0.5, 25.0))
    assert joint.unlike < 0.01
    assert joint.spread_of(BY_BEAT_ERROR) == pytest.approx(0.2, rel=0.05)


def test_passages_need_all_four_sounds():
    with pytest.raises(InputError, match="need all four sounds; 3 were given"):
        beginnings_of_both([*SOUNDS[:3], None], pairs(0.4), alike_forks=0.4, apart=(0.0, 0.1))


def test_drops_alone_leave_the_contacts_at_nought():
    joint = beginnings_of_both([None, SOUNDS[1], None, SOUNDS[3]], pairs(0.0), alike_forks=0.0)
    assert joint.covariance[0, 0] == joint.covariance[2, 2] == 0
    assert joint.covariance[1, 1] == pytest.approx(WEIGHTS @ SOUNDS[1].choices ** 2 + 0.2**2)


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.9])
def test_pairs_of_choices_have_the_correlation_that_was_asked_for(alike):
    places = np.linspace(-6, 6, 241)
    weights = pairs_of_choices(places, alike)
    assert weights.sum() == pytest.approx(1)
    np.testing.assert_allclose(weights, weights.T)
    # On so fine a grid sums are integrals: deviations of 1, and the correlation itself.
    assert places @ weights @ places == pytest.approx(alike, abs=1e-6)
    assert weights.sum(axis=0) @ places**2 == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("alike", [-0.1, 1.0, np.nan])
def test_no_such_correlation(alike):
    with pytest.raises(InputError, match="correlation"):
        pairs_of_choices(np.zeros(3), alike)
