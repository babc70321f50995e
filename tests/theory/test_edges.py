"""Edges: where a profile begins, against profiles that begin at a known place."""

from __future__ import annotations

import numpy as np
import pytest

from torsionbeat.theory.edges import BEFORE, edge_of


def profile(start, rise, decay=12.0, bands=3):
    frames = np.arange(80.0)
    after = np.maximum(frames - start, 0)
    shape = -np.expm1(-after / rise) * np.exp(-after / decay)
    return np.repeat((20 * shape**2)[:, None], bands, axis=1).astype(np.float32)


@pytest.mark.parametrize("rise", [0.3, 1.0, 2.0])
@pytest.mark.parametrize("start", [20.0, 24.3, 30.7])
def test_edge_is_where_the_sound_begins(start, rise):
    # frames of 0.5 ms: within 0.5 ms whatever the attack
    assert edge_of(profile(start, rise)) == pytest.approx(start - BEFORE, abs=1.0)


def test_edge_moves_with_the_sound():
    steps = np.diff([edge_of(profile(start, 1.0)) for start in (20, 24, 28, 32)])
    np.testing.assert_allclose(steps, 4.0, atol=1e-3)


def test_echo_louder_than_the_sound_is_not_its_beginning():
    both = profile(24.0, 1.0) + 1.5 * profile(40.0, 1.0)
    assert edge_of(both) == pytest.approx(edge_of(profile(24.0, 1.0)), abs=1.0)


@pytest.mark.parametrize("rise", [1.0, 2.0, 3.0])
def test_edge_is_drawn_back_to_where_a_slow_rise_began(rise):
    """1 - exp(-t / rise) reaches an eighth of its height 0.13 rise late: at whole frames the edge is extrapolated over that."""
    assert edge_of(profile(20.0, rise)) == pytest.approx(20.0 - BEFORE, abs=0.1)
    assert -rise * np.log1p(-0.12) > 0.12  # so late the crossing itself is
