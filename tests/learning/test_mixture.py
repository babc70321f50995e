"""The mixture: each of its parts is the Gaussian that a dense calculation gives."""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.learning.posterior import infer
from torsionbeat.learning.priors import HALF_DAY_S
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial

DAY_S = 86_400.0


def dense(rows, per_gram, wander, effect_sd):
    """Mean and variance of the state by one dense Gaussian, written out without blocks, branches or rank-one steps."""
    n = len(rows)
    y = DAY_S * np.log1p(np.array([row.rate_s_per_day.nominal_value for row in rows]) / DAY_S)
    mass = -HALF_DAY_S * np.log(1 + per_gram * np.array([row.mass_g for row in rows]))
    place = np.array([row.setting for row in rows])
    noise = np.diag([row.own_s_per_day**2 + wander**2 / row.nights for row in rows])
    state = 3000.0**2 * np.ones(n) + effect_sd**2 * place[-1] * place
    cov = 3000.0**2 * np.ones((n, n)) + effect_sd**2 * np.outer(place, place)
    own = 3000.0**2 + effect_sd**2 * place[-1] ** 2
    for j in range(1, n):
        after = (np.arange(n) >= j).astype(float)
        slope = HALF_DAY_S * per_gram / (1 + per_gram * rows[j].mass_g)
        var = rows[j].handled_s_per_day(rows[j - 1]) ** 2 + (slope * rows[j].mass_doubt_g) ** 2
        cov, state, own = cov + var * np.outer(after, after), state + var * after, own + var
    gain = np.linalg.solve(cov + noise, state)
    return mass[-1] + gain @ (y - mass), own - gain @ state


def test_each_part_of_the_mixture_is_the_gaussian_it_should_be(monkeypatch):
    from torsionbeat.learning import design, priors

    monkeypatch.setattr(priors, "EFFECT_SPREADS", ((1.0, 100.0),))
    monkeypatch.setattr(design, "ODD_READING", 1e-30)
    monkeypatch.setattr(design, "ODD_STEP", 1e-30)
    monkeypatch.setattr(design, "UNNOTED_STEP", 1e-30)
    rng = np.random.default_rng(4)
    rows, mass, setting = [], 0.0, 0.0
    for i in range(16):  # more than stand for themselves: nights without work are merged
        worked = i in (3, 9)
        mass, setting = mass + 2.0 * worked, setting + 0.5 * (i == 9)
        rows.append(
            Trial(
                ufloat(300 - 130 * mass + 12 * setting + rng.normal(0, 1), 0.2),
                mass,
                setting,
                mass_doubt_g=0.02 * worked,
                nights=7.0 if i == 5 else 1.0,
            )
        )
    mixture = infer(rows, Response(ufloat(0.003, 0.001)), half_travel=5.0)
    for part in np.flatnonzero(~mixture.walks)[:: max(len(mixture.weight) // 40, 1)]:
        mean, variance = dense(rows, mixture.per_gram[part], mixture.wander[part], 100.0 / 5)
        assert mixture.state[part] == pytest.approx(mean, abs=1e-4)
        assert mixture.state_variance[part] == pytest.approx(variance, rel=1e-4)
