"""One posterior of a clock: its rate, what a gram and a unit of the regulator do, its wander, its odd notes.

In y = 86400 ln(1 + rate / 86400) everything adds up. Reading i of the clock, on spring k:

    y_i = level_k - 43200 ln(1 + g m_i) + b (s_i - s_1) + creep + steps up to i + wander_i + crystal + own error

``g`` is the relative growth of T^2 by a gram, ``b`` what a unit of the regulator gains. Given ``g`` and the size of the
wander all else is Gaussian, so the posterior is a sum over a grid of both, times the parts of the belief in ``b``, times
the branches: nothing odd, or one odd reading, or one step that was not what was noted. ``b`` and the branches are changes
of rank one (Sherman and Morrison, 1950), so a matrix is solved once for each ``g`` and wander.

Two traps. Each branch has its own peak in ``g``, a narrow one beside which the others are flat: the grid is refined at
the peak of every branch, or a wrong memory outranks the clock's own trial. And nights without work between them share
their state, so they are merged into blocks exactly: cost grows with the works, not with the nights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.learning.priors import (
    HALF_DAY_S,
    WANDER_GRID,
    EffectParts,
    effect_parts,
    log_prior_per_gram,
    told_log_per_gram,
    wander_prior,
)
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial
from torsionbeat.learning.warmth import Warmth
from torsionbeat.reading.figures import FloatArray
from torsionbeat.theory.rate import DAY_S

__all__ = ["Branch", "Mixture", "infer"]

LEVEL_SD = 3000.0
"""Standard deviation (s/day) of where a clock stands with a new spring: nearly an hour a day."""

UNKNOWN_STEP_SD = 600.0
"""The same (s/day) of work whose amount nobody noted: a few grams."""

CREEP_SD = 3.0
"""The same of what a new strip creeps (s/day) in a decade of days (common practice, no source)."""

YOUNGEST_STRIP_DAYS = 0.02
"""Age from which a strip's creep is counted: half an hour, the time to hang the balance and start."""

ODD_READING_SDS = (20.0, 150.0)  # a knock or a draught, and a slip of the clock or of the note
ODD_STEP_SDS = (30.0, 400.0)
"""Standard deviations (s/day) of an odd reading and of a step that was not what was noted: a little, and a lot."""

ODD_READING, ODD_STEP = 0.01, 0.005
"""Chances of each: a reading in a hundred, a note in two hundred (no source). With a reading in two hundred, promises of clocks
that had one bad night held 90 of 100, and 88 where notes, memory and guess were wrong besides; at a fiftieth 94 and 91, and
the second promise of a calm clock is a sixth wider."""

UNNOTED_STEP = 0.01
"""Chance that something was done between two readings though nothing is noted: forgotten more often than noted wrong
(no source)."""

SURELY_ODD = 0.9
"""A branch above this is kept as such, and a further one is looked for, at most `MOST_ODD` times."""

MOST_ODD = 3  # a history with more has no row of notes to rest on

WALKS = 0.25
"""Chance that the wander adds up from night to night (a random walk) instead of coming anew (no source)."""

LONGEST_WALK_DAYS = 10.0
"""A walk does not go on for longer than this between two readings: the room returns."""

MOST_UNMERGED = 12
"""Readings up to which every night stands for itself."""

LATEST_UNMERGED = 3
"""The last nights stand for themselves: a walk shows there."""

# By a factor of ten either side of 150 s/day a gram.
LOG_G_RANGE = (math.log(15 / HALF_DAY_S), math.log(1500 / HALF_DAY_S))
COARSE_POINTS = 24
"""Grid of ln g: 15 to 1500 s/day a gram, ten times less and more than usual; a fifth of an octave apart."""

SOURCE_POINTS = np.array([-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0])
"""Points at which a source of the answer is looked at from the first, in its standard deviations: a sharp one would stand
unseen between two points of the coarse grid."""

REFINEMENTS = 11
"""Halvings of the grid at a peak: to 1e-4 of ln g, below what any trial tells."""

HEAVY_GAP = 0.03
"""Share of the posterior in a gap of the grid from which it is looked at: a thirtieth moves no interval's end."""

STEEP = 0.8
"""Difference of the logarithm between neighbours up to which a straight line between them will do (a standard deviation
then holds about two points)."""

WIDE_GAP = 0.3
"""Widest gap of ln g where there is weight: a third of what is known of it beforehand."""

LEAST_GROWN = 0.05
"""Floor of 1 + g m: no balance loses more than nearly all its inertia."""

CACHED = 60_000
"""Weights worked out at a time: half a megabyte, which stays in a core's cache (no source)."""

NEGLIGIBLE = 30.0
"""Points of the grid whose weight is below the heaviest's by this in the logarithm (1e-13) are left out."""

PARTS_KEPT = 4000  # a bound on time and memory (no source)
SMALLEST_PART = 2e-5
"""Parts of the mixture kept, and their weight against the largest: 99.9 % of it."""


class Branch(NamedTuple):
    """What is odd: nothing, the reading or the step of a row; the trial's index in its row."""

    what: Literal["nothing", "reading", "step"]
    trial: int


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """The posterior as a mixture of Gaussians. Arrays (p,) over its parts.

    ``state`` and ``state_variance`` are the long-run y now (s/day), ``effect`` (with variance and covariance with the
    state) what a unit of the regulator gains, ``per_gram`` the growth of T^2 by a gram counted from the first trial,
    ``log_g_sd`` the spread of its logarithm that a point of the grid stands for,
    ``mass_g`` what was added since. ``wander`` is the night-to-night standard deviation. ``effect_names`` (p,) say which
    part of the belief in the effect it came from. ``branches`` gives the chance of each branch, ``fixed`` those that were
    sure. ``log_evidence`` compares two courses of one clock.
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
        What is held of its answer without any trial.
    half_travel : float, optional
        Half the travel of the regulator in its units; None where there is none.
    others : sequence of sequences of Trial
        Nights of other clocks of its kind, for what is believed of its wander.
    warmth : Warmth, optional
        How warm the nights were: the state is then that at one temperature.
    """
    parts = effect_parts(prior, half_travel)
    wander = _Wander.of(wander_prior(rows, others))
    design = _Design(rows, parts, warmth)
    solver = _Solver(design, prior, parts, wander)
    fixed: list[Branch] = []
    grid = solver.solve()
    while len(fixed) < MOST_ODD:
        chances = grid.branch_chances()
        branch, chance = max(chances.items(), key=lambda one: one[1])
        if branch.what == "nothing" or chance < SURELY_ODD:
            break
        design.free(branch)
        fixed.append(branch)
        grid = solver.solve()
    return grid.mixture(tuple(fixed))


@dataclass(frozen=True, slots=True, eq=False)
class _Wander:
    """Sizes and kinds of wander, arrays (w,): standard deviation, whether it walks, logarithm of its weight."""

    size: FloatArray
    walks: npt.NDArray[np.bool_]
    log_weight: FloatArray

    @classmethod
    def of(cls, weight: FloatArray) -> _Wander:
        """White at every size, and a walk at every other."""
        walk = weight[::2] / weight[::2].sum()
        return cls(
            np.concatenate([WANDER_GRID, WANDER_GRID[::2]]),
            np.repeat([False, True], [len(weight), len(walk)]),
            np.log(np.concatenate([(1 - WALKS) * weight / weight.sum(), WALKS * walk]) + 1e-300),
        )


class _Design:
    """Rows as arrays and covariances: N readings in B blocks of nights without work between them."""

    def __init__(self, rows: Sequence[Trial], parts: EffectParts, warmth: Warmth | None = None) -> None:
        self.rows = rows
        n = len(rows)
        self.y = DAY_S * np.log1p(np.array([row.rate_s_per_day.nominal_value for row in rows]) / DAY_S)
        self.own = np.array([row.own_s_per_day for row in rows]) ** 2
        self.nights = np.array([row.nights for row in rows])
        self.block = _blocks(rows)
        self.crowd = np.bincount(self.block)[self.block]
        first = np.array([int(np.flatnonzero(self.block == k)[0]) for k in range(self.block[-1] + 1)])
        heads = [rows[i] for i in first]
        self.mass = np.array([head.mass_g - rows[0].mass_g for head in heads])
        self.place = np.array([head.setting - rows[0].setting for head in heads])
        self.spring = np.cumsum([0, *(a.spring != b.spring for a, b in pairwise(heads))])
        self.same = (self.spring[:, None] == self.spring[None, :]).astype(float)
        self.days = self._walk_days(n)
        size = float(np.sqrt(parts.weight @ (parts.mean**2)) or np.sqrt(parts.weight[:1] @ parts.sd[:1] ** 2))
        self.covariance = LEVEL_SD**2 * self.same
        self.state_covariance = LEVEL_SD**2 * self.same[-1]
        self.state_variance = LEVEL_SD**2
        self._steps(heads, first, size)
        self._creep(heads)
        self._crystals(heads)
        if warmth is not None:
            self._room(warmth)

    def _walk_days(self, n: int) -> FloatArray:
        """Days over which a walk went on up to each block, the gaps cut."""
        day = [float(i) if row.day is None else row.day for i, row in enumerate(self.rows)]
        steps = np.minimum(np.diff(day, prepend=day[0]), LONGEST_WALK_DAYS)
        walked = np.cumsum(np.maximum(steps, 0.0))
        return np.array([walked[self.block == k].mean() for k in range(self.block[n - 1] + 1)])

    def _steps(self, heads: Sequence[Trial], first: npt.NDArray[np.int64], size: float) -> None:
        """What was done before each block: its doubts, and which may be odd; nothing may have been something."""
        self.after: list[FloatArray] = []
        self.mass_doubt: list[float] = []
        self.step_block: list[int] = []
        self.may_be_odd: list[int] = []
        self.step_chance: list[float] = []
        self.first = first
        for k in range(1, len(heads)):
            row, before = heads[k], self.rows[first[k] - 1]
            if self.spring[k] != self.spring[k - 1]:
                continue
            untouched = row.same_state(before)
            after = ((np.arange(len(heads)) >= k) & (self.spring == self.spring[k])).astype(float)
            sd = math.hypot(row.handled_s_per_day(before), size * row.setting_doubt)
            if row.unknown:
                sd = math.hypot(sd, UNKNOWN_STEP_SD)
            elif untouched or row.mass_g != before.mass_g or row.setting != before.setting:
                self.may_be_odd.append(len(self.after))
                self.step_chance.append(UNNOTED_STEP if untouched else ODD_STEP)
            self._add(after, sd)
            self.after.append(after)
            self.mass_doubt.append(row.mass_doubt_g)
            self.step_block.append(k)

    def _add(self, direction: FloatArray, sd: float, on_state: float | None = None) -> None:
        """Add a Gaussian along a direction; ``on_state`` is what of it the state now carries."""
        carried = direction[-1] if on_state is None else on_state
        self.covariance = self.covariance + sd**2 * np.outer(direction, direction)
        self.state_covariance = self.state_covariance + sd**2 * carried * direction
        self.state_variance += sd**2 * carried**2

    def _creep(self, heads: Sequence[Trial]) -> None:
        for spring in range(int(self.spring[-1]) + 1):
            ages = np.array(
                [
                    head.strip_age_days if on == spring and head.strip_age_days is not None else np.nan
                    for head, on in zip(heads, self.spring, strict=True)
                ]
            )
            if np.all(np.isnan(ages)):
                continue
            decades = np.log10(np.maximum(ages, YOUNGEST_STRIP_DAYS))
            last = math.log10(max(ages[-1] + 1, YOUNGEST_STRIP_DAYS)) if np.isfinite(ages[-1]) else 0.0
            self._add(np.nan_to_num(decades), CREEP_SD, last)

    def _crystals(self, heads: Sequence[Trial]) -> None:
        for name in sorted({head.timebase for head in heads if head.timebase}):
            shared = np.array([head.timebase_s_per_day * (head.timebase == name) for head in heads])
            self._add(shared, 1.0, 0.0)

    def _room(self, warmth: Warmth) -> None:
        """Bring the rates to one temperature; a kelvin's doubt is shared by all, an unknown temperature is a night's own."""
        self.y = self.y - warmth.bring()
        self.own = self.own + warmth.unknown_variance()
        mean_k = np.bincount(self.block, warmth.above_k) / np.bincount(self.block)
        self._add(mean_k, warmth.told.std_dev, 0.0)

    def free(self, branch: Branch) -> None:
        """Take a branch as sure: its reading or its step says nothing any more."""
        if branch.what == "reading":
            self.own = self.own.copy()
            self.own[branch.trial] += ODD_READING_SDS[-1] ** 2
        else:
            step = self.step_block.index(int(self.block[branch.trial]))
            self._add(self.after[step], ODD_STEP_SDS[-1])
            kept = [place for place, one in enumerate(self.may_be_odd) if one != step]
            self.may_be_odd = [self.may_be_odd[place] for place in kept]
            self.step_chance = [self.step_chance[place] for place in kept]
        self.freed = (*getattr(self, "freed", ()), branch)

    def branches(self) -> tuple[list[Branch], FloatArray, FloatArray]:
        """Every branch, its added variance and the logarithm of its chance; the first is that nothing is odd."""
        names, variance, log = [Branch("nothing", 0)], [0.0], [0.0]
        freed = getattr(self, "freed", ())
        for i in range(len(self.rows)):
            if Branch("reading", i) not in freed:
                for sd in ODD_READING_SDS:
                    names.append(Branch("reading", i))
                    variance.append(sd**2)
                    log.append(math.log(ODD_READING / len(ODD_READING_SDS)))
        for step, chance in zip(self.may_be_odd, self.step_chance, strict=True):
            for sd in ODD_STEP_SDS:
                names.append(Branch("step", int(self.first[self.step_block[step]])))
                variance.append(sd**2)
                log.append(math.log(chance / len(ODD_STEP_SDS)))
        return names, np.array(variance), np.array(log)


def _blocks(rows: Sequence[Trial]) -> npt.NDArray[np.int64]:
    """Number the blocks: where there are many nights, those of one state and one crystal are put together by a few.

    A few, and the last ones not at all, so that a walk still shows.
    """
    count = max(math.ceil(len(rows) / MOST_UNMERGED), 1)
    block, size = [0], 1
    for i in range(1, len(rows)):
        alike = rows[i].same_state(rows[i - 1]) and (rows[i].timebase, rows[i].timebase_s_per_day) == (
            rows[i - 1].timebase,
            rows[i - 1].timebase_s_per_day,
        )
        merged = alike and size < count and i < len(rows) - LATEST_UNMERGED
        size = size + 1 if merged else 1
        block.append(block[-1] + (0 if merged else 1))
    return np.array(block)


class _Products(NamedTuple):
    """Inner products under the inverse covariance for each (g, wander), and of every branch. Letters: r what is left of
    y, s the regulator's place, k the state's covariance with the blocks, e a branch."""

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


class _Solver:
    """Evaluates the posterior over a grid of ln g that is refined where a branch has its peak."""

    def __init__(self, design: _Design, prior: Response, parts: EffectParts, wander: _Wander) -> None:
        self.design, self.prior, self.parts, self.wander = design, prior, parts, wander

    def solve(self) -> _Grid:
        """Evaluate, refine, and give the whole grid."""
        names, variance, log_chance = self.design.branches()
        told, sd = told_log_per_gram(self.prior)
        at_source = np.clip(told + sd * SOURCE_POINTS, *LOG_G_RANGE)
        grid = _Grid(self, names, variance, log_chance)
        grid.add(np.unique(np.concatenate([np.linspace(*LOG_G_RANGE, COARSE_POINTS), at_source])))
        for _ in range(REFINEMENTS):
            new = grid.wanted()
            if not new.size:
                break
            grid.add(new)
        return grid

    def products(self, log_g: FloatArray, names: Sequence[Branch]) -> _Products:
        """Inner products for values of ln g, arrays (g, w) and (g, w, h)."""
        design, wander = self.design, self.wander
        per_gram = np.exp(log_g)
        grown = np.maximum(1 + per_gram[:, None] * design.mass, LEAST_GROWN)
        # A walk scatters the nights of one block by (k + 1) / 6 of its step's variance, k nights in a row.
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

        return _Products(
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
        """Covariance of the blocks (g, w, B, B), theirs with the state now (g, w, B), and the state's own (g, w)."""
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
        """Inner products of each branch: a reading's by its block (exact), a step's by what came after it."""
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


class _Grid:
    """The posterior on the grid: ln g, and for each the products and the logarithm (g, w, b, h) of its weight."""

    def __init__(
        self, solver: _Solver, names: list[Branch], variance: FloatArray, log_chance: FloatArray
    ) -> None:
        self.solver, self.names, self.variance, self.log_chance = solver, names, variance, log_chance
        # Nothing is learnt of the effect before the regulator was moved: one part then stands for all.
        whole = solver.parts
        self.moved = bool(np.any(solver.design.place))
        self.parts = whole if self.moved else EffectParts(np.ones(1), np.zeros(1), np.zeros(1), ("",))
        self.log_g = np.empty(0)
        self.pieces: list[tuple[_Products, FloatArray]] = []
        self.every, self.best = np.empty(0), np.empty((0, len(names)))
        self.order = np.empty(0, dtype=np.int64)

    def add(self, log_g: FloatArray) -> None:
        """Evaluate more points, a few at a time; what `wanted` needs of them is summed up at once."""
        products = self.solver.products(log_g, self.names)
        size = len(self.solver.wander.size) * len(self.parts.weight) * len(self.names)
        few = max(CACHED // size, 1)
        for first in range(0, len(log_g), few):
            here = slice(first, first + few)
            some = _Products(*(column[here] for column in products))
            weight = self._weigh(some, log_g[here])
            best = weight.max(axis=(1, 2))
            top = best.max(axis=1)
            total = np.exp(weight - top[:, None, None, None]).sum(axis=(1, 2, 3))
            self.pieces += [(_Products(*(column[k] for column in some)), weight[k]) for k in range(len(top))]
            self.every = np.concatenate([self.every, top + np.log(total)])
            self.best = np.concatenate([self.best, best])
        self.log_g = np.concatenate([self.log_g, log_g])
        self.order = np.argsort(self.log_g, kind="stable")

    def _weigh(self, q: _Products, log_g: FloatArray) -> FloatArray:
        parts, wander = self.parts, self.solver.wander
        mean, square = parts.mean, parts.sd**2
        ss, rs, rr = (x[..., None] for x in (q.ss, q.rs, q.rr))
        den = 1 + square * ss
        left = rs - mean * ss
        fit = rr - 2 * mean * rs + mean**2 * ss - square / den * left**2
        log = -0.5 * (fit + np.log(den)) + np.log(parts.weight) + q.log_scale[..., None]
        log = log + wander.log_weight[:, None] + log_prior_per_gram(log_g, self.solver.prior)[:, None, None]
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
        """Points between which the posterior, or a branch of it, is not yet resolved."""
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
        """Once all points are there: those that weigh anything, in order of ln g, how much of ln g
        each stands for, their weights (g, w, b, h), and the logarithm that these lack."""
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
        return self._named(weight.sum(axis=(0, 1, 2)))

    def _named(self, each: FloatArray) -> dict[Branch, float]:
        chances: dict[Branch, float] = {}
        for name, chance in zip(self.names, each / each.sum(), strict=True):
            chances[name] = chances.get(name, 0.0) + float(chance)
        return chances

    def mixture(self, fixed: tuple[Branch, ...]) -> Mixture:
        """Keep the parts that weigh most, and work out state and effect in each."""
        places, width, weight, top = self.weights
        columns = zip(*(self.pieces[place][0] for place in places), strict=True)
        q = _Products(*(np.array(column) for column in columns))
        flat = weight.ravel()
        most = PARTS_KEPT if self.moved else PARTS_KEPT // len(self.solver.parts.weight)
        kept = np.flatnonzero(flat > SMALLEST_PART * flat.max())
        if kept.size > most:
            kept = kept[np.argpartition(-flat[kept], most)[:most]]
        g, w, b, h = np.unravel_index(kept, weight.shape)
        chance = flat[kept]
        if not self.moved:
            every = len(self.solver.parts.weight)
            b = np.tile(np.arange(every), len(kept))
            g, w, h = (np.repeat(one, every) for one in (g, w, h))
            chance = np.repeat(chance, every) * self.solver.parts.weight[b]
        solver = self.solver
        design, parts, wander = solver.design, solver.parts, solver.wander
        log_g = self.log_g[places]
        mean, square = parts.mean[b], parts.sd[b] ** 2
        variance = self.variance[h]
        on_state = np.array(
            [
                design.after[design.step_block.index(int(design.block[name.trial]))][-1]
                if name.what == "step"
                else 0.0
                for name in self.names
            ]
        )[h]
        place = float(design.place[-1])
        ss, rs = q.ss[g, w], q.rs[g, w]
        den = 1 + square * ss
        left = rs - mean * ss
        ks, es = q.ks[g, w], q.es[g, w, h]
        er = q.er[g, w, h] - mean * es - square / den * es * left
        ee = q.ee[g, w, h] - square / den * es**2
        ek = q.ek[g, w, h] - square / den * es * ks
        kr = q.kr[g, w] - mean * ks - square / den * ks * left
        kk = q.kk[g, w] - square / den * ks**2
        ks, es, sr, ss = ks / den, es / den, left / den, ss / den
        add, move = variance * on_state, square * place
        xr = kr + move * sr + add * er
        xe = ek + move * es + add * ee
        xx = kk + move**2 * ss + add**2 * ee + 2 * (move * ks + add * ek + move * add * es)
        xs = ks + move * ss + add * es
        turn = variance / (1 + variance * ee)
        per_gram = np.exp(log_g)[g]
        grown = np.maximum(1 + per_gram * design.mass[-1], LEAST_GROWN)
        base = -HALF_DAY_S * np.log(grown) + mean * place
        own = q.state_variance[g, w] + square * place**2 + add * on_state
        return Mixture(
            weight=chance / chance.sum(),
            state=base + xr - turn * xe * er,
            state_variance=np.maximum(own - xx + turn * xe**2, 1e-9),
            effect=mean + square * (sr - turn * es * er),
            effect_variance=np.maximum(square - square**2 * (ss - turn * es**2), 1e-12),
            covariance=square * (place - xs + turn * es * xe),
            per_gram=per_gram,
            log_g_sd=width[g] / math.sqrt(12),
            wander=wander.size[w],
            walks=wander.walks[w],
            effect_names=np.array(parts.names)[b],
            mass_g=float(design.mass[-1]),
            branches=self._named(weight.sum(axis=(0, 1, 2))),
            fixed=fixed,
            log_evidence=top + math.log(float(flat.sum())),
            points=len(self.log_g),
        )


def _beside(log_g: FloatArray, log: FloatArray, rise: float) -> npt.NDArray[np.bool_]:
    """The gaps beside the highest point in which the peak is not yet resolved.

    That is where the two ends of a gap differ by more than a rise, or where the slopes on either side of it, drawn on to
    its middle, rise above both ends by half of that: a narrow peak may stand between two points of equal height.
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
