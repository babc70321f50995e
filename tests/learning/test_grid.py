"""The grid of ln g: refined where a peak is, the same however many points are worked out at a time."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.learning.grid import _beside
from torsionbeat.learning.posterior import infer
from torsionbeat.learning.priors import HALF_DAY_S
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial

PRIOR = Response(ufloat(0.0035, 0.0010), ufloat(-20 / HALF_DAY_S, 4 / HALF_DAY_S))


def test_a_gap_beside_the_peak_is_looked_at_where_it_is_steep_or_a_peak_may_stand_in_it():
    x = np.arange(5.0)
    assert _beside(x, np.array([-4.0, -1.0, 0.0, -1.0, -4.0]) - 7.0, 0.8).tolist() == [
        False,
        True,
        True,
        False,
    ]
    assert _beside(x, np.array([-0.7, -0.35, 0.0, -0.35, -0.7]) - 7.0, 0.8).tolist() == [False] * 4
    # Two of equal height with slopes of 2 on either side: drawn on to the middle they meet 1 above both, more than half of 0.8.
    assert _beside(x, np.array([-4.0, -2.0, 0.0, 0.0, -2.0]) - 7.0, 0.8).tolist() == [
        False,
        True,
        True,
        False,
    ]
    # Slopes of 0.7: they meet 0.35 above both, less than half of 0.8.
    assert _beside(x, np.array([-1.4, -0.7, 0.0, 0.0, -0.7]) - 7.0, 0.8).tolist() == [False] * 4
    # At the end of the grid there is one gap, and nothing to draw on from.
    assert _beside(x, np.array([0.0, -1.0, -2.0, -3.0, -4.0]) - 7.0, 0.8).tolist() == [
        True,
        False,
        False,
        False,
    ]


def test_points_worked_out_one_by_one_or_all_together_are_the_same(monkeypatch):
    rows = [
        Trial(ufloat(900.0, 0.1)),
        Trial(ufloat(120.0, 0.1), mass_g=6.0, mass_doubt_g=0.05),
        Trial(ufloat(121.0, 0.1), mass_g=6.0),
        Trial(ufloat(101.0, 0.1), mass_g=6.0, setting=-1.0, setting_doubt=0.01),
    ]
    found = []
    for cached, negligible in ((60_000, 30.0), (1, 30.0), (10**9, 1e9)):
        monkeypatch.setattr("torsionbeat.learning.grid.CACHED", cached)
        monkeypatch.setattr("torsionbeat.learning.grid.NEGLIGIBLE", negligible)
        found.append(infer(rows, PRIOR, half_travel=5.0))
    for other in found[1:]:
        assert np.sort(other.state) == pytest.approx(np.sort(found[0].state), abs=1e-9)
        assert other.log_evidence == pytest.approx(found[0].log_evidence, abs=1e-9)
        # What NEGLIGIBLE leaves out is below e^-30
        assert list(other.branches.values()) == pytest.approx(list(found[0].branches.values()), rel=1e-9)


def test_the_grid_is_finer_where_a_trial_tells_much():
    """Five grams weighed to a milligram: ln g is known to the wander's share of 700 s/day, and still spread over points."""
    rows = [
        Trial(ufloat(700, 0.1), handling_s_per_day=0.0),
        Trial(ufloat(0, 0.1), mass_g=5.0, handling_s_per_day=0.0),
    ]
    mixture = infer(rows, PRIOR)
    coarse = 24 + 7
    assert mixture.points > coarse + 5
    points = np.unique(mixture.per_gram)
    share = np.array([mixture.weight[mixture.per_gram == one].sum() for one in points])
    assert (share > 0.02).sum() >= 5
    gaps = np.diff(np.log(points))[np.argmax(share) - 1 : np.argmax(share) + 1]
    assert gaps.max() < 0.02  # the coarse grid is at 0.2
