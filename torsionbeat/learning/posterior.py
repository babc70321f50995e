"""One posterior of a clock: its rate, the effect of a gram and of a unit of the regulator, its wander, its odd notes.

In y = 86400 ln(1 + rate / 86400) all effects are additive. Reading i of the clock, on spring k:

    y_i = level_k - 43200 ln(1 + g m_i) + b (s_i - s_1) + creep + steps up to i + wander_i + crystal + own error

``g`` is the relative growth of T^2 by a gram, ``b`` the gain by one unit of the regulator. For a given ``g`` and size
of wander the rest is Gaussian. So the posterior is a sum over a grid of both, over the parts of the belief in ``b``,
and over the branches: nothing odd, one odd reading, or one step that was not what was noted. ``b`` and the branches are
changes of rank one (Sherman and Morrison, 1950), so a matrix is solved once for each ``g`` and wander.

Two points need care. Each branch has its own narrow peak in ``g``, where the other branches are flat. The grid is
refined at the peak of every branch; otherwise a wrong memory outranks the clock's own trial. Nights without work
between them share one state, so they are merged into blocks, exactly: the cost grows with the works, not with the
nights.

`design` makes arrays and covariances of the trials, `likelihood` their inner products, `grid` the posterior's weights, and
`mixture` the result.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from torsionbeat.learning.design import Branch, Design
from torsionbeat.learning.grid import Grid
from torsionbeat.learning.likelihood import Likelihood, Wander
from torsionbeat.learning.mixture import Mixture, mixture_of
from torsionbeat.learning.priors import HALF_DAY_S, EffectParts, effect_parts, told_log_per_gram, wander_prior
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial
from torsionbeat.learning.warmth import Warmth

__all__ = ["infer"]

SURELY_ODD = 0.9
"""A branch with a chance above this is taken as certain, and another is searched for, at most `MOST_ODD` times."""

MOST_ODD = 3  # the notes of a history with more are not reliable

# A factor of ten either side of 150 s/day a gram.
LOG_G_RANGE = (math.log(15 / HALF_DAY_S), math.log(1500 / HALF_DAY_S))
COARSE_POINTS = 24
"""Grid of ln g: 15 to 1500 s/day a gram, ten times less and more than usual; 0.2 apart."""

SOURCE_POINTS = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0])
"""First points around the source's own value, in its standard deviations: a sharp peak would be missed between two
points of the coarse grid."""

REFINEMENTS = 11
"""Halvings of the grid at a peak: to 1e-4 of ln g, below what any trial can resolve."""


def infer(
    rows: Sequence[Trial],
    prior: Response,
    *,
    half_travel: float | None = None,
    others: Sequence[Sequence[Trial]] = (),
    warmth: Warmth | None = None,
) -> Mixture:
    """Find the posterior of a clock from its trials.

    Parameters
    ----------
    rows : sequence of Trial
        In order of time.
    prior : Response
        The belief about its response before any trial.
    half_travel : float, optional
        Half the travel of the regulator in its units; None where there is none.
    others : sequence of sequences of Trial
        Nights of other clocks of its kind, for the prior of its wander.
    warmth : Warmth, optional
        Temperatures of the nights: the state is then that at the reference temperature.
    """
    parts = effect_parts(prior, half_travel)
    wander = Wander.of(wander_prior(rows, others))
    design = Design(rows, parts, warmth)
    fixed: list[Branch] = []
    grid = _solved(design, prior, parts, wander)
    while len(fixed) < MOST_ODD:
        chances = grid.branch_chances()
        branch, chance = max(chances.items(), key=lambda one: one[1])
        if branch.what == "nothing" or chance < SURELY_ODD:
            break
        design.free(branch)
        fixed.append(branch)
        grid = _solved(design, prior, parts, wander)
    return mixture_of(grid, tuple(fixed))


def _solved(design: Design, prior: Response, parts: EffectParts, wander: Wander) -> Grid:
    """Evaluate the posterior on the coarse grid, refine it at the peaks, and return the whole grid."""
    told, sd = told_log_per_gram(prior)
    at_source = np.clip(told + sd * SOURCE_POINTS, *LOG_G_RANGE)
    grid = Grid(Likelihood(design, wander), prior, parts)
    grid.add(np.unique(np.concatenate([np.linspace(*LOG_G_RANGE, COARSE_POINTS), at_source])))
    for _ in range(REFINEMENTS):
        new = grid.wanted()
        if not new.size:
            break
        grid.add(new)
    return grid
