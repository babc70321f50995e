"""The likelihood: its inner products against a dense inverse of the covariance, written out night by night."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.learning.design import Branch, Design
from torsionbeat.learning.likelihood import Likelihood, Wander
from torsionbeat.learning.priors import HALF_DAY_S, WANDER_GRID, effect_parts
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial

PRIOR = Response(ufloat(0.0035, 0.0010), ufloat(-20 / HALF_DAY_S, 4 / HALF_DAY_S))
PER_GRAM = 0.0035
ROWS = [
    Trial(ufloat(300.0, 0.2), handling_s_per_day=0.0),
    Trial(ufloat(301.0, 0.3), handling_s_per_day=0.0),
    Trial(ufloat(40.0, 0.2), mass_g=2.0, mass_doubt_g=0.05, handling_s_per_day=0.0),
    Trial(ufloat(46.0, 0.2), mass_g=2.0, setting=0.5, handling_s_per_day=0.0),
]


@pytest.fixture(scope="module")
def products():
    """The products of every branch, and those of all the wanders that do not walk."""
    wander = Wander.of(np.ones(len(WANDER_GRID)))
    design = Design(ROWS, effect_parts(PRIOR, 5.0))
    names, *_ = design.branches()
    found = Likelihood(design, wander).products(np.log([PER_GRAM]), names)
    return wander, names, found


def test_wander_is_white_at_every_size_and_a_walk_at_every_other_for_a_quarter():
    wander = Wander.of(np.ones(len(WANDER_GRID)))
    weight = np.exp(wander.log_weight)
    assert weight.sum() == pytest.approx(1)
    assert weight[wander.walks].sum() == pytest.approx(0.25)
    assert wander.size[wander.walks].tolist() == WANDER_GRID[::2].tolist()


@pytest.mark.parametrize("number", [0, 4])
def test_inner_products_are_those_of_a_dense_inverse(number, products):
    wander, names, found = products
    n, size = len(ROWS), wander.size[number]
    after = (np.arange(n) >= 2).astype(float)
    weighing = HALF_DAY_S * PER_GRAM / (1 + 2 * PER_GRAM) * 0.05
    covariance = 3000.0**2 * np.ones((n, n)) + weighing**2 * np.outer(after, after)
    covariance += np.diag([row.own_s_per_day**2 + size**2 for row in ROWS])
    state = 3000.0**2 * np.ones(n) + weighing**2 * after
    y = 86_400 * np.log1p(np.array([row.rate_s_per_day.nominal_value for row in ROWS]) / 86_400)
    rest = y + HALF_DAY_S * np.log(1 + PER_GRAM * np.array([row.mass_g for row in ROWS]))
    place = np.array([row.setting for row in ROWS])
    inverse = np.linalg.inv(covariance)
    # Inverses of a matrix whose condition is 1e8: eight of sixteen digits are left.
    close = {"rel": 1e-6, "abs": 1e-7}
    for name, one, other in (
        ("rr", rest, rest),
        ("rs", rest, place),
        ("ss", place, place),
        ("kr", state, rest),
        ("ks", state, place),
        ("kk", state, state),
    ):
        assert getattr(found, name)[0, number] == pytest.approx(one @ inverse @ other, **close), name
    for h, branch in enumerate(names):
        if branch.what == "nothing":
            continue
        along = np.eye(n)[branch.trial] if branch.what == "reading" else np.arange(n) >= branch.trial
        assert found.er[0, number, h] == pytest.approx(along @ inverse @ rest, **close), branch
        assert found.es[0, number, h] == pytest.approx(along @ inverse @ place, **close), branch
        assert found.ek[0, number, h] == pytest.approx(along @ inverse @ state, **close), branch
        assert found.ee[0, number, h] == pytest.approx(along @ inverse @ along, **close), branch
    assert {Branch("reading", 0), Branch("step", 2), Branch("step", 3)} <= set(names)
