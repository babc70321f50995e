"""The likelihood of a clock's trials for given values of ln g and sizes of its wander.

Input: a `Design`. Output: inner products under the inverse covariance of the blocks, arrays (g, w), and of every
branch, arrays (g, w, h). They give the likelihood for every part of the belief in the regulator's effect and for every
branch without another solution: both are changes of rank one (J. Sherman and W. J. Morrison, 1950).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.learning.design import Branch, Design
from torsionbeat.learning.priors import HALF_DAY_S, WANDER_GRID
from torsionbeat.reading.figures import FloatArray

__all__ = ["LEAST_GROWN", "Likelihood", "Products", "Wander"]

WALKS = 0.25
"""Chance that the wander adds up from night to night (a random walk) instead of being independent (no source)."""

LEAST_GROWN = 0.05
"""Floor of 1 + g m: no balance loses more than nearly all its inertia."""


@dataclass(frozen=True, slots=True, eq=False)
class Wander:
    """Sizes and kinds of wander, arrays (w,): standard deviation, whether it walks, logarithm of its weight."""

    size: FloatArray
    walks: npt.NDArray[np.bool_]
    log_weight: FloatArray

    @classmethod
    def of(cls, weight: FloatArray) -> Wander:
        """White wander at every size, and a random walk at every second size."""
        walk = weight[::2] / weight[::2].sum()
        return cls(
            np.concatenate([WANDER_GRID, WANDER_GRID[::2]]),
            np.repeat([False, True], [len(weight), len(walk)]),
            np.log(np.concatenate([(1 - WALKS) * weight / weight.sum(), WALKS * walk]) + 1e-300),
        )


class Products(NamedTuple):
    """Inner products under the inverse covariance for each (g, wander), and of every branch. Letters: r the residual of
    y, s the regulator's position, k the state's covariance with the blocks, e a branch."""

    rr: FloatArray
    rs: FloatArray
    ss: FloatArray
    kr: FloatArray
    ks: FloatArray
    kk: FloatArray
    er: FloatArray
    es: FloatArray
    ek: FloatArray
    ee: FloatArray
    log_scale: FloatArray
    state_variance: FloatArray


class Likelihood:
    """Inner products of the trials of one clock, for any values of ln g."""

    def __init__(self, design: Design, wander: Wander) -> None:
        self.design, self.wander = design, wander

    def products(self, log_g: FloatArray, names: Sequence[Branch]) -> Products:
        """Inner products for values of ln g, arrays (g, w) and (g, w, h)."""
        design, wander = self.design, self.wander
        per_gram = np.exp(log_g)
        grown = np.maximum(1 + per_gram[:, None] * design.mass, LEAST_GROWN)
        # In a random walk, k nights of one block in a row scatter by (k + 1) / 6 of the step's variance.
        within = np.where(design.crowd > 1, (design.crowd + 1) / 6, 0.0)
        night = np.where(wander.walks[:, None], within, 1 / design.nights)
        spread = design.own + wander.size[:, None] ** 2 * night  # (w, n)
        members = (design.block[:, None] == np.arange(len(design.mass))).astype(float)  # (n, B)
        precision = (1 / spread) @ members
        mean = (design.y / spread) @ members / precision
        off = design.y - mean[:, design.block]
        log_scale = -0.5 * (np.log(spread).sum(1) - np.log(1 / precision).sum(1) + (off**2 / spread).sum(1))
        covariance, state, state_variance = self._covariances(per_gram, grown, 1 / precision)
        rest = mean[None] + HALF_DAY_S * np.log(grown)[:, None, :]  # (g, w, B)
        steps = np.array([design.after[one] for one in design.may_be_odd]).reshape(-1, len(design.mass))
        size = len(design.mass)
        right = np.concatenate(
            [
                np.broadcast_to(np.eye(size), covariance.shape),
                rest[..., None],
                np.broadcast_to(design.place[:, None], (*covariance.shape[:-1], 1)),
                state[..., None],
                np.broadcast_to(steps.T, (*covariance.shape[:-1], len(steps))),
            ],
            axis=-1,
        )
        solved = np.linalg.solve(covariance, right)
        log_scale = log_scale - 0.5 * np.linalg.slogdet(covariance)[1]
        own = np.diagonal(solved[..., :size], axis1=-2, axis2=-1)
        ur, us, uk = (solved[..., size + i] for i in range(3))
        ue = solved[..., size + 3 :]
        er, es, ek, ee = self._branch_products(
            names, spread, 1 / precision, off, own, (ur, us, uk), (ue, steps, rest, state)
        )

        def dot(a: FloatArray, b: FloatArray) -> FloatArray:
            return np.asarray((a * b).sum(-1))

        return Products(
            dot(rest, ur),
            dot(rest, us),
            dot(np.broadcast_to(design.place, us.shape), us),
            dot(state, ur),
            dot(state, us),
            dot(state, uk),
            er,
            es,
            ek,
            ee,
            log_scale,
            state_variance,
        )

    def _covariances(
        self, per_gram: FloatArray, grown: FloatArray, scatter: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Covariance of the blocks (g, w, B, B), of blocks and present state (g, w, B), and variance of the state (g, w)."""
        design, wander = self.design, self.wander
        covariance = np.broadcast_to(design.covariance, (len(per_gram), *design.covariance.shape)).copy()
        state = np.broadcast_to(design.state_covariance, grown.shape).copy()
        variance = np.full(len(per_gram), design.state_variance)
        for after, doubt, k in zip(design.after, design.mass_doubt, design.step_block, strict=True):
            if doubt:
                square = (HALF_DAY_S * per_gram / grown[:, k] * doubt) ** 2
                covariance += square[:, None, None] * np.outer(after, after)
                state += square[:, None] * after[-1] * after
                variance += square * after[-1]
        walk = np.where(wander.walks, wander.size**2, 0.0)
        shared = np.minimum(design.days[:, None], design.days[None, :]) * design.same
        whole = covariance[:, None] + walk[:, None, None] * shared
        size = len(design.mass)
        whole[..., np.arange(size), np.arange(size)] += scatter
        return (
            whole,
            state[:, None] + walk[:, None] * shared[-1],
            variance[:, None] + walk * shared[-1, -1],
        )

    def _branch_products(
        self,
        names: Sequence[Branch],
        spread: FloatArray,
        scatter: FloatArray,
        off: FloatArray,
        own: FloatArray,
        solved: tuple[FloatArray, FloatArray, FloatArray],
        steps: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Inner products of each branch: of a reading through its block (exact), of a step through the blocks after it."""
        design = self.design
        ur, us, uk = solved
        ue, direction, rest, state = steps
        shape = (*ur.shape[:2], len(names))
        er, es, ek, ee = (np.zeros(shape) for _ in range(4))
        readings = np.array([h for h, name in enumerate(names) if name.what == "reading"], dtype=int)
        if readings.size:
            i = np.array([names[h].trial for h in readings])
            k = design.block[i]
            v, d = spread[:, i], scatter[:, k]
            er[..., readings] = (off[:, i] + d * ur[..., k]) / v
            es[..., readings] = d * us[..., k] / v
            ek[..., readings] = d * uk[..., k] / v
            ee[..., readings] = 1 / v - (d - d**2 * own[..., k]) / v**2
        order = [int(design.first[design.step_block[one]]) for one in design.may_be_odd]
        for h, name in enumerate(names):
            if name.what == "step":
                j = order.index(name.trial)
                u = ue[..., j]
                er[..., h] = (rest * u).sum(-1)
                es[..., h] = u @ design.place
                ek[..., h] = (state * u).sum(-1)
                ee[..., h] = u @ direction[j]
        return er, es, ek, ee
