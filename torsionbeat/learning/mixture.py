"""The posterior of a clock as a mixture of Gaussians: the heaviest parts of the grid, each with its state and effect."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.learning.design import Branch
from torsionbeat.learning.grid import Grid
from torsionbeat.learning.likelihood import LEAST_GROWN, Products
from torsionbeat.learning.priors import HALF_DAY_S
from torsionbeat.reading.figures import FloatArray

__all__ = ["Mixture", "mixture_of"]

IntArray = npt.NDArray[np.int64]

PARTS_KEPT = 4000  # a bound on time and memory (no source)
SMALLEST_PART = 2e-5
"""Most parts kept of the mixture, and the share of its weight that they keep: 99.9 %."""


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """The posterior as a mixture of Gaussians. Arrays (p,) over its parts.

    ``state`` and ``state_variance`` are the present long-run y (s/day). ``effect`` is the gain by one unit of the
    regulator, with its variance and its covariance with the state. ``per_gram`` is the relative growth of T^2 by a
    gram, counted from the first trial; ``log_g_sd`` the spread of its logarithm that a point of the grid represents;
    ``mass_g`` the weight added since. ``wander`` is the night-to-night standard deviation. ``effect_names`` (p,) name
    the part of the belief in the effect. ``branches`` gives the chance of each branch, ``fixed`` the branches taken as
    certain. ``log_evidence`` compares two courses of one clock.
    """

    weight: FloatArray
    state: FloatArray
    state_variance: FloatArray
    effect: FloatArray
    effect_variance: FloatArray
    covariance: FloatArray
    per_gram: FloatArray
    log_g_sd: FloatArray
    wander: FloatArray
    walks: npt.NDArray[np.bool_]
    effect_names: npt.NDArray[np.str_]
    mass_g: float
    branches: dict[Branch, float]
    fixed: tuple[Branch, ...]
    log_evidence: float
    points: int


class _Kept(NamedTuple):
    """The kept parts, arrays (p,): their indices in the weights (g, w, b, h), and their chance."""

    g: IntArray
    w: IntArray
    b: IntArray
    h: IntArray
    chance: FloatArray


class _Moments(NamedTuple):
    """State and effect in each part, arrays (p,), as in `Mixture`."""

    state: FloatArray
    state_variance: FloatArray
    effect: FloatArray
    effect_variance: FloatArray
    covariance: FloatArray


def mixture_of(grid: Grid, fixed: tuple[Branch, ...]) -> Mixture:
    """Keep the heaviest parts of a grid, and calculate state and effect in each."""
    places, width, weight, top = grid.weights
    kept = _kept(grid, weight)
    design, wander = grid.likelihood.design, grid.likelihood.wander
    per_gram = np.exp(grid.log_g[places])[kept.g]
    state, state_variance, effect, effect_variance, covariance = _moments(
        grid, _products(grid, places, kept), kept, per_gram
    )
    return Mixture(
        weight=kept.chance / kept.chance.sum(),
        state=state,
        state_variance=state_variance,
        effect=effect,
        effect_variance=effect_variance,
        covariance=covariance,
        per_gram=per_gram,
        log_g_sd=width[kept.g] / math.sqrt(12),
        wander=wander.size[kept.w],
        walks=wander.walks[kept.w],
        effect_names=np.array(grid.belief.names)[kept.b],
        mass_g=float(design.mass[-1]),
        branches=grid.branch_chances(),
        fixed=fixed,
        log_evidence=top + math.log(float(weight.ravel().sum())),
        points=len(grid.log_g),
    )


def _kept(grid: Grid, weight: FloatArray) -> _Kept:
    """The heaviest parts. If the regulator was never moved, each is combined with all parts of the belief in its effect."""
    flat = weight.ravel()
    every = len(grid.belief.weight)
    most = PARTS_KEPT if grid.moved else PARTS_KEPT // every
    kept = np.flatnonzero(flat > SMALLEST_PART * flat.max())
    if kept.size > most:
        kept = kept[np.argpartition(-flat[kept], most)[:most]]
    g, w, b, h = np.unravel_index(kept, weight.shape)
    chance = flat[kept]
    if not grid.moved:
        b = np.tile(np.arange(every), len(kept))
        g, w, h = (np.repeat(one, every) for one in (g, w, h))
        chance = np.repeat(chance, every) * grid.belief.weight[b]
    return _Kept(g, w, b, h, chance)


def _products(grid: Grid, places: IntArray, kept: _Kept) -> Products:
    """The inner products of each part, arrays (p,)."""
    columns = zip(*(grid.pieces[place][0] for place in places), strict=True)
    q = Products(*(np.array(column) for column in columns))
    return Products(*(x[kept.g, kept.w, kept.h] if x.ndim == 3 else x[kept.g, kept.w] for x in q))


def _moments(grid: Grid, q: Products, kept: _Kept, per_gram: FloatArray) -> _Moments:
    """State and effect in each part: the belief in the effect and the branch are two changes of rank one."""
    design = grid.likelihood.design
    mean, square = grid.belief.mean[kept.b], grid.belief.sd[kept.b] ** 2
    variance = grid.variance[kept.h]
    on_state = _on_state(grid)[kept.h]
    place = float(design.place[-1])
    den = 1 + square * q.ss
    left = q.rs - mean * q.ss
    er = q.er - mean * q.es - square / den * q.es * left
    ee = q.ee - square / den * q.es**2
    ek = q.ek - square / den * q.es * q.ks
    kr = q.kr - mean * q.ks - square / den * q.ks * left
    kk = q.kk - square / den * q.ks**2
    ks, es, sr, ss = q.ks / den, q.es / den, left / den, q.ss / den
    add, move = variance * on_state, square * place
    xr = kr + move * sr + add * er
    xe = ek + move * es + add * ee
    xx = kk + move**2 * ss + add**2 * ee + 2 * (move * ks + add * ek + move * add * es)
    xs = ks + move * ss + add * es
    turn = variance / (1 + variance * ee)
    grown = np.maximum(1 + per_gram * design.mass[-1], LEAST_GROWN)
    base = -HALF_DAY_S * np.log(grown) + mean * place
    own = q.state_variance + square * place**2 + add * on_state
    return _Moments(
        base + xr - turn * xe * er,
        np.maximum(own - xx + turn * xe**2, 1e-9),
        mean + square * (sr - turn * es * er),
        np.maximum(square - square**2 * (ss - turn * es**2), 1e-12),
        square * (place - xs + turn * es * xe),
    )


def _on_state(grid: Grid) -> FloatArray:
    """Share of each branch in the present state: all of a step on this strip, nothing of a reading."""
    design = grid.likelihood.design
    return np.array(
        [
            design.after[design.step_block.index(int(design.block[name.trial]))][-1]
            if name.what == "step"
            else 0.0
            for name in grid.names
        ]
    )
