"""The trials of a clock as arrays and covariances, and the trials that may be odd.

Input: trials in order of time. Output: the readings y, s/day (see `torsionbeat.learning.posterior`); their blocks
(nights without work between them, which share one state); the covariance of the blocks from level, work, creep and
crystal; the branches: nothing odd, one odd reading, or one step that was not what was noted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from torsionbeat.learning.priors import EffectParts
from torsionbeat.learning.trials import Trial
from torsionbeat.learning.warmth import Warmth
from torsionbeat.reading.figures import FloatArray
from torsionbeat.theory.rate import DAY_S
from torsionbeat.theory.robust import SIGMA_PER_MEDIAN

__all__ = ["Branch", "Design", "blocks_of"]

LEVEL_SD = 3000.0
"""Standard deviation (s/day) of a clock's rate with a new spring: nearly an hour a day."""

UNKNOWN_STEP_SD = 600.0
"""Standard deviation (s/day) of work whose amount nobody noted: a few grams."""

CREEP_SD = 3.0
"""Standard deviation of a new strip's creep (s/day) per decade of days (common practice, no source)."""

YOUNGEST_STRIP_DAYS = 0.02
"""Age of a strip at which its creep starts to count: half an hour, the time to hang the balance and start."""

ODD_READING_SDS = (20.0, 150.0)  # a knock or a draught, and a slip of the clock or of the note
ODD_STEP_SDS = (30.0, 400.0)
"""Two standard deviations (s/day), small and large, for an odd reading and for a step that was not what was noted."""

ODD_READING, ODD_STEP = 0.01, 0.005
"""Chances of each: a reading in a hundred, a note in two hundred (no source). With a reading in two hundred, 90 of 100
promises held on clocks with one bad night, and 88 where notes, memory and guess were wrong too. With a reading in fifty
it was 94 and 91, and the second promise of a calm clock is a sixth wider."""

UNNOTED_STEP = 0.01
"""Chance that work was done between two readings but not noted: notes are forgotten more often than wrong (no source)."""

LONGEST_WALK_DAYS = 10.0
"""Longest time that a random walk runs between two readings: the room returns to its state."""

MOST_UNMERGED = 12
"""Readings up to which no nights are merged."""

WATCHED_ALL = 40
WATCHED_FROM = 2.0
"""Readings up to which each may be odd; of more, those that have their block to themselves or lie this many times the
usual scatter off its mean. Without any of the others the state is the same: together they cost three quarters of the
time that 200 readings took."""

LATEST_UNMERGED = 3
"""Number of last nights that are never merged: a random walk shows there."""


class Branch(NamedTuple):
    """What is odd (nothing, a reading or a step), and the index of that trial in its row."""

    what: Literal["nothing", "reading", "step"]
    trial: int


class Design:
    """Rows as arrays and covariances: N readings in B blocks. A block is nights without work between them."""

    def __init__(self, rows: Sequence[Trial], parts: EffectParts, warmth: Warmth | None = None) -> None:
        self.rows = rows
        n = len(rows)
        self.y = DAY_S * np.log1p(np.array([row.rate_s_per_day.nominal_value for row in rows]) / DAY_S)
        self.own = np.array([row.own_s_per_day for row in rows]) ** 2
        self.nights = np.array([row.nights for row in rows])
        self.block = blocks_of(rows)
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
        """Days of random walk up to each block, with long gaps capped."""
        day = [float(i) if row.day is None else row.day for i, row in enumerate(self.rows)]
        steps = np.minimum(np.diff(day, prepend=day[0]), LONGEST_WALK_DAYS)
        walked = np.cumsum(np.maximum(steps, 0.0))
        return np.array([walked[self.block == k].mean() for k in range(self.block[n - 1] + 1)])

    def _steps(self, heads: Sequence[Trial], first: npt.NDArray[np.int64], size: float) -> None:
        """Add the work before each block: its uncertainties, and the steps that may be odd, unnoted work included."""
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
        """Add a Gaussian along a direction; ``on_state`` is its share in the present state."""
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
        """Correct the rates to one temperature. The doubt of a kelvin's effect is shared, that of an unknown
        temperature is not."""
        self.y = self.y - warmth.bring()
        self.own = self.own + warmth.unknown_variance()
        mean_k = np.bincount(self.block, warmth.above_k) / np.bincount(self.block)
        self._add(mean_k, warmth.told.std_dev, 0.0)

    def free(self, branch: Branch) -> None:
        """Take a branch as certain: its reading or step then carries no information."""
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

    def _may_be_odd_readings(self) -> list[int]:
        """The readings that are worth a branch: all of a short history, of a long one those that stand out of their block."""
        n = len(self.rows)
        if n <= WATCHED_ALL:
            return list(range(n))
        off = np.abs(self.y - (np.bincount(self.block, self.y) / np.bincount(self.block))[self.block])
        shared = self.crowd > 1
        scatter = SIGMA_PER_MEDIAN * float(np.median(off[shared])) if shared.any() else 0.0
        return [int(i) for i in np.flatnonzero(~shared | (off > WATCHED_FROM * scatter))]

    def branches(self) -> tuple[list[Branch], FloatArray, FloatArray]:
        """Every branch, its added variance and the logarithm of its chance. In the first branch nothing is odd."""
        names, variance, log = [Branch("nothing", 0)], [0.0], [0.0]
        freed = getattr(self, "freed", ())
        for i in self._may_be_odd_readings():
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


def blocks_of(rows: Sequence[Trial]) -> npt.NDArray[np.int64]:
    """Number the blocks: where nights are many, groups of a few with one state and one crystal are merged.

    The groups are small and the last nights stay single, so that a random walk still shows.
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
