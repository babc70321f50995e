"""The posterior on a grid of ln g, refined at the peak of each branch.

Input: a `Likelihood` and the prior. Output: the points of the grid and their weights, arrays (g, w, b, h): by point,
size of wander, part of the belief in the regulator's effect, and branch.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from torsionbeat.learning.design import Branch
from torsionbeat.learning.likelihood import Likelihood, Products
from torsionbeat.learning.priors import EffectParts, log_prior_per_gram
from torsionbeat.learning.response import Response
from torsionbeat.reading.figures import FloatArray

__all__ = ["Grid"]

HEAVY_GAP = 0.03
"""A gap of the grid with more than this share of the posterior is refined: a thirtieth does not move the end of an interval."""

STEEP = 0.8
"""Largest difference of the logarithm between neighbours that is interpolated linearly (a standard deviation then holds
about two points)."""

WIDE_GAP = 0.3
"""Widest gap of ln g where there is weight: a third of its prior standard deviation."""

CACHED = 60_000
"""Number of weights calculated at a time: half a megabyte, which stays in a core's cache (no source)."""

NEGLIGIBLE = 30.0
"""Points of the grid are left out when the logarithm of their weight is this far below the largest (1e-13)."""


class Grid:
    """The posterior on the grid: for each ln g the inner products and the logarithm of its weights (g, w, b, h)."""

    def __init__(self, likelihood: Likelihood, prior: Response, belief: EffectParts) -> None:
        self.likelihood, self.prior, self.belief = likelihood, prior, belief
        self.names, self.variance, self.log_chance = likelihood.design.branches()
        # Before the regulator is moved, nothing is learnt of its effect: one part then represents all.
        self.moved = bool(np.any(likelihood.design.place))
        self.parts = belief if self.moved else EffectParts(np.ones(1), np.zeros(1), np.zeros(1), ("",))
        self.log_g = np.empty(0)
        self.pieces: list[tuple[Products, FloatArray]] = []
        self.every, self.best = np.empty(0), np.empty((0, len(self.names)))
        self.order = np.empty(0, dtype=np.int64)

    def add(self, log_g: FloatArray) -> None:
        """Evaluate more points, a few at a time, and accumulate the sums that `wanted` needs."""
        products = self.likelihood.products(log_g, self.names)
        size = len(self.likelihood.wander.size) * len(self.parts.weight) * len(self.names)
        few = max(CACHED // size, 1)
        for first in range(0, len(log_g), few):
            here = slice(first, first + few)
            some = Products(*(column[here] for column in products))
            weight = self._weigh(some, log_g[here])
            best = weight.max(axis=(1, 2))
            top = best.max(axis=1)
            total = np.exp(weight - top[:, None, None, None]).sum(axis=(1, 2, 3))
            self.pieces += [(Products(*(column[k] for column in some)), weight[k]) for k in range(len(top))]
            self.every = np.concatenate([self.every, top + np.log(total)])
            self.best = np.concatenate([self.best, best])
        self.log_g = np.concatenate([self.log_g, log_g])
        self.order = np.argsort(self.log_g, kind="stable")

    def _weigh(self, q: Products, log_g: FloatArray) -> FloatArray:
        parts, wander = self.parts, self.likelihood.wander
        mean, square = parts.mean, parts.sd**2
        ss, rs, rr = (x[..., None] for x in (q.ss, q.rs, q.rr))
        den = 1 + square * ss
        left = rs - mean * ss
        fit = rr - 2 * mean * rs + mean**2 * ss - square / den * left**2
        log = -0.5 * (fit + np.log(den)) + np.log(parts.weight) + q.log_scale[..., None]
        log = log + wander.log_weight[:, None] + log_prior_per_gram(log_g, self.prior)[:, None, None]
        es, er, ee = (x[:, :, None, :] for x in (q.es, q.er, q.ee))
        along = er - (mean + square / den * left)[..., None] * es
        grown = 1 + self.variance * (ee - (square / den)[..., None] * es**2)
        np.square(along, out=along)
        along *= self.variance
        along /= grown
        along -= np.log(grown, out=grown)
        along *= 0.5
        along += self.log_chance
        along += log[..., None]
        return along

    def wanted(self) -> FloatArray:
        """New points where the posterior, or a branch of it, is not yet resolved."""
        log_g, every, best = self.log_g[self.order], self.every[self.order], self.best[self.order]
        gap = np.diff(log_g)
        height = np.exp(np.maximum(every[1:], every[:-1]) - every.max()) * gap
        heavy = height > HEAVY_GAP * height.sum()
        split = heavy & ((np.abs(np.diff(every)) > STEEP) | (gap > WIDE_GAP))
        split |= _beside(log_g, every, STEEP)
        for h, name in enumerate(self.names):
            if name.what != "reading":
                split |= _beside(log_g, best[:, h], STEEP)
        return np.asarray((log_g[1:][split] + log_g[:-1][split]) / 2)

    @cached_property
    def weights(self) -> tuple[npt.NDArray[np.int64], FloatArray, FloatArray, float]:
        """After all points are added: the points with weight, in order of ln g, the width in ln g of each, their
        weights (g, w, b, h), and the logarithm of their common scale."""
        width = np.gradient(self.log_g[self.order])
        log = self.every[self.order] + np.log(width)
        kept = log > log.max() - NEGLIGIBLE
        places, width = self.order[kept], width[kept]
        top = float(max(self.best[place].max() for place in places))
        weight = np.array([self.pieces[place][1] for place in places])
        weight -= top
        np.exp(weight, out=weight)
        weight *= width[:, None, None, None]
        return places, width, weight, top

    def branch_chances(self) -> dict[Branch, float]:
        """The chance of each branch."""
        _, _, weight, _ = self.weights
        each = weight.sum(axis=(0, 1, 2))
        chances: dict[Branch, float] = {}
        for name, chance in zip(self.names, each / each.sum(), strict=True):
            chances[name] = chances.get(name, 0.0) + float(chance)
        return chances


def _beside(log_g: FloatArray, log: FloatArray, rise: float) -> npt.NDArray[np.bool_]:
    """The gaps beside the highest point where the peak is not yet resolved.

    A gap is unresolved where its two ends differ by more than ``rise``. It is also unresolved where the slopes on
    either side, extrapolated to its middle, exceed both ends by half of ``rise``: a narrow peak may lie between two
    equal points.
    """
    peak = int(np.argmax(log))
    slope = np.diff(log) / np.diff(log_g)
    found = np.zeros(len(log) - 1, dtype=bool)
    for gap in range(max(peak - 1, 0), min(peak + 1, len(log) - 1)):
        half = (log_g[gap + 1] - log_g[gap]) / 2
        from_left = log[gap] + half * slope[gap - 1] if gap > 0 else -np.inf
        from_right = log[gap + 1] - half * slope[gap + 1] if gap + 1 < len(slope) else -np.inf
        above = min(from_left, from_right) - max(log[gap], log[gap + 1])
        found[gap] = abs(log[gap + 1] - log[gap]) > rise or above > rise / 2
    return found
