"""Doubt about which sound is which: small shares widen a figure, large ones withhold it, and a remark says what it would be."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.hearing.heard import OtherAccount
from torsionbeat.reading.figures import Clock
from torsionbeat.reading.other_accounts import arc_in_doubt_deg, beat_error_in_doubt_ms, remark_on_accounts
from torsionbeat.theory.swing import arc_and_offset_deg

CLOCK = Clock("", 60.0, 20.0)
S_PER_SAMPLE = 1 / 48_000


def other(share, later_ms, passage_s):
    return OtherAccount(share, later_ms * 48, (passage_s * 48_000, passage_s * 48_000))


def test_nothing_else_leaves_the_figures_as_they_are():
    figure = ufloat(3.0, 0.2)
    assert beat_error_in_doubt_ms(figure, (), 1e3 * S_PER_SAMPLE) is figure
    assert arc_in_doubt_deg(figure, (), S_PER_SAMPLE, 60.0, CLOCK) is figure


def test_a_small_share_widens_as_a_mixture_does():
    """One in 22 at +40 ms, and one in 250: mean and standard deviation of drawn values."""
    rng = np.random.default_rng(1)
    for share in (0.045, 0.004):
        drawn = 3.0 + 0.5 * rng.standard_normal(1_000_000) + 40.0 * (rng.random(1_000_000) < share)
        mixed = beat_error_in_doubt_ms(ufloat(3.0, 0.5), (other(share, 40.0, 0.7),), 1e3 * S_PER_SAMPLE)
        assert mixed.nominal_value == pytest.approx(drawn.mean(), abs=0.03)
        assert mixed.std_dev == pytest.approx(drawn.std(), rel=0.01)


def test_what_is_so_once_in_sixty_recordings_is_no_further_than_five_uncertainties():
    """One in sixty at +40 ms has a standard deviation of 5.1 ms, of which it would be nearly eight away."""
    mixed = beat_error_in_doubt_ms(ufloat(3.0, 0.5), (other(1 / 60, 40.0, 0.7),), 1e3 * S_PER_SAMPLE)
    assert mixed.nominal_value == pytest.approx(3.0 + 40 / 60)
    assert mixed.std_dev == pytest.approx(40.0 * (1 - 1 / 60) / 5)


def test_a_large_share_withholds_what_differs_and_only_that():
    same_error = (other(0.2, 0.1, 0.5),)
    arc = ufloat(float(arc_and_offset_deg(0.7, 0.0, 60.0, 20.0)[0]), 1.0)
    assert beat_error_in_doubt_ms(ufloat(3.0, 0.5), same_error, 1e3 * S_PER_SAMPLE) is not None
    assert arc_in_doubt_deg(arc, same_error, S_PER_SAMPLE, 60.0, CLOCK) is None
    remark = remark_on_accounts(same_error, S_PER_SAMPLE, 60.0, CLOCK, (ufloat(3.0, 0.5), None))
    assert remark.code == "other-account"
    would_be = float(arc_and_offset_deg(0.5, 0.0, 60.0, 20.0)[0])
    assert f"the arc is {would_be:.0f} deg" in remark
    assert "once in 5 recordings" in remark
    assert "The arc is not told" in remark
    likely = remark_on_accounts((other(0.7, 0.1, 0.5),), S_PER_SAMPLE, 60.0, CLOCK, (ufloat(3.0, 0.5), None))
    assert "it may be otherwise as well, and then" in likely


def test_without_a_lift_no_arc_is_missed_for_the_doubt():
    remark = remark_on_accounts(
        (OtherAccount(0.5, -96.0, (None, None)),),
        S_PER_SAMPLE,
        15.0,
        Clock("", 15.0),
        (ufloat(18.0, 1.3), None),
    )
    assert "the beat error is 2.0 ms lower" in remark
    assert "arc" not in remark
    assert "stated that much less surely" in remark


def test_the_same_from_the_other_side():
    turned = OtherAccount(0.1, 96.0, (1.0, None)).turned()
    assert turned == OtherAccount(0.1, -96.0, (None, 1.0))
    assert turned.turned().like(OtherAccount(0.3, 96.5, (1.2, None)), 2.0)
    assert not turned.like(OtherAccount(0.3, 96.0, (1.0, None)), 2.0)
