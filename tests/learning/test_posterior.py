"""The posterior against the model of its docstring, written out part by part and summed without any of its short cuts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.learning.design import Branch
from torsionbeat.learning.posterior import infer
from torsionbeat.learning.priors import WANDER_GRID, effect_parts, log_prior_per_gram, wander_prior
from torsionbeat.learning.response import Response
from torsionbeat.learning.trials import Trial

LEVEL, CREEP, UNKNOWN = 3000.0, 3.0, 600.0
"""Standard deviations in s/day of the level on a strip, of creep in a decade of days, of work that nobody measured."""
HALF_DAY_S = 43_200.0
WALKS = 0.25

PRIOR = Response(ufloat(0.0035, 0.0010), ufloat(-20 / HALF_DAY_S, 4 / HALF_DAY_S))


class WrittenOut:
    """Every part of the mixture as one Gaussian of the readings: ln g by wander by effect by branch.

    Rows are few enough that each stands for itself, their settings exact, a day apart.
    """

    def __init__(self, rows, prior, half_travel, per_gram, width):
        n = len(rows)
        self.y = 86_400 * np.log1p(np.array([row.rate_s_per_day.nominal_value for row in rows]) / 86_400)
        mass = np.array([row.mass_g for row in rows]) - rows[0].mass_g
        place = np.array([row.setting for row in rows]) - rows[0].setting
        strip = np.array([row.spring for row in rows])
        same = (strip[:, None] == strip[None, :]).astype(float)
        parts = effect_parts(prior, half_travel)
        weights = wander_prior(rows)
        every_other = weights[::2] / weights[::2].sum()
        kinds = [(size, False, (1 - WALKS) * w) for size, w in zip(WANDER_GRID, weights, strict=True)]
        kinds += [(size, True, WALKS * w) for size, w in zip(WANDER_GRID[::2], every_other, strict=True)]
        later = [np.where((np.arange(n) >= k) & (strip == strip[k]), 1.0, 0.0) for k in range(n)]
        steps = [k for k in range(1, n) if strip[k] == strip[k - 1]]
        branches = [(Branch("nothing", 0), 0 * later[0], 1.0)]
        for k in range(n):
            branches += [(Branch("reading", k), sd * np.eye(n)[k], 0.005) for sd in (20.0, 150.0)]
        for k in steps:
            if rows[k].unknown:
                continue
            chance = 0.01 if rows[k].same_state(rows[k - 1]) else 0.005
            branches += [(Branch("step", k), sd * later[k], chance / 2) for sd in (30.0, 400.0)]

        fixed = LEVEL**2 * same + np.diag([row.own_s_per_day**2 for row in rows])
        state_with, own = LEVEL**2 * same[-1], LEVEL**2
        for k in steps:
            sd = math.hypot(rows[k].handled_s_per_day(rows[k - 1]), UNKNOWN if rows[k].unknown else 0.0)
            fixed = fixed + sd**2 * np.outer(later[k], later[k])
            state_with = state_with + sd**2 * later[k][-1] * later[k]
            own += sd**2 * later[k][-1]
        if rows[0].strip_age_days is not None:  # of one strip throughout
            decades = np.log10([max(row.strip_age_days, 0.02) for row in rows])
            fixed = fixed + CREEP**2 * np.outer(decades, decades)
            tomorrow = math.log10(rows[-1].strip_age_days + 1)
            state_with = state_with + CREEP**2 * tomorrow * decades
            own += CREEP**2 * tomorrow**2
        for name in {row.timebase for row in rows} - {""}:
            shared = np.array([row.timebase_s_per_day * (row.timebase == name) for row in rows])
            fixed = fixed + np.outer(shared, shared)

        self.names, self.walks, self.sizes, self.effects = [], [], [], []
        self.per_gram, log, middles, covariances, withs, owns, spreads, means = [], [], [], [], [], [], [], []
        day = np.arange(n)
        for g, gap in zip(per_gram, width, strict=True):
            weighed, weighed_with, weighed_own = fixed, state_with, own
            for k in steps:
                sd = HALF_DAY_S * g / (1 + g * mass[k]) * rows[k].mass_doubt_g
                weighed = weighed + sd**2 * np.outer(later[k], later[k])
                weighed_with = weighed_with + sd**2 * later[k][-1] * later[k]
                weighed_own += sd**2 * later[k][-1]
            expected = -HALF_DAY_S * np.log(1 + g * mass)
            before = float(log_prior_per_gram(np.array([math.log(g)]), prior)[0]) + math.log(gap)
            for size, walk, w in kinds:
                if walk:
                    wander, wander_with = (
                        size**2 * np.minimum(day[:, None], day) * same,
                        size**2 * day * same[-1],
                    )
                else:
                    wander, wander_with = size**2 * np.diag([1 / row.nights for row in rows]), 0.0
                for chance, mean, sd, part in zip(
                    parts.weight, parts.mean, parts.sd, parts.names, strict=True
                ):
                    whole = weighed + wander + sd**2 * np.outer(place, place)
                    with_state = weighed_with + wander_with + sd**2 * place[-1] * place
                    for name, along, odd in branches:
                        log.append(before + math.log(w * chance * odd))
                        middles.append(expected + mean * place)
                        covariances.append(whole + np.outer(along, along))
                        withs.append(with_state + (along[-1] * along if name.what == "step" else 0.0))
                        owns.append(
                            weighed_own
                            + (size**2 * day[-1] if walk else 0.0)
                            + (sd * place[-1]) ** 2
                            + (along[-1] ** 2 if name.what == "step" else 0.0)
                        )
                        spreads.append(sd)
                        means.append(mean)
                        self.per_gram.append(g)
                        self.names.append(name)
                        self.walks.append(walk)
                        self.sizes.append(size)
                        self.effects.append(part)
        middle, covariance = np.array(middles), np.array(covariances)
        off = self.y - middle
        solved = np.linalg.solve(covariance, off[..., None])[..., 0]
        # Logarithm of a normal density but for the root of 2 pi to the n, the same for all.
        each = np.array(log) - 0.5 * ((off * solved).sum(-1) + np.linalg.slogdet(covariance)[1])
        self.state = middle[:, -1] + (np.array(withs) * solved).sum(-1)
        gain = np.linalg.solve(covariance, np.array(withs)[..., None])[..., 0]
        self.state_variance = np.array(owns) - (np.array(withs) * gain).sum(-1)
        square = np.array(spreads) ** 2
        shown = np.linalg.solve(covariance, np.broadcast_to(place[:, None], (len(log), n, 1)))[..., 0]
        self.effect = np.array(means) + square * (solved @ place)
        self.effect_variance = square - square**2 * (shown @ place)
        self.covariance = square * (place[-1] - gain @ place)
        self.evidence = float(np.logaddexp.reduce(each))
        self.weight = np.exp(each - self.evidence)

    def chance(self, where):
        return float(self.weight[np.array(where)].sum())


def some_points(mixture, most=2):
    """The grid points that weigh most, with their widths; the rest is compared by how the mixture shares itself there."""
    points, place = np.unique(mixture.per_gram, return_inverse=True)
    heaviest = np.argsort(-np.bincount(place, mixture.weight))[:most]
    widths = np.array([mixture.log_g_sd[place == k][0] for k in heaviest]) * math.sqrt(12)
    return points[heaviest], widths, np.isin(place, heaviest)


WEIGHED_AND_MOVED = [
    Trial(ufloat(400, 0.5), timebase="usb", timebase_s_per_day=0.3),
    Trial(ufloat(90, 0.4), mass_g=2.0, mass_doubt_g=0.05, nights=2.0, timebase="usb", timebase_s_per_day=0.3),
    Trial(ufloat(101, 0.3), mass_g=2.0, setting=0.5),
]
MOVED_AND_WEIGHED = [
    Trial(ufloat(60, 0.5)),
    Trial(ufloat(75, 0.5), setting=0.5),
    Trial(ufloat(-80, 0.5), setting=0.5, mass_g=1.0, mass_doubt_g=0.1),
]
"""The last change is odd with some chance, and what is then left of it shares in the state and in the effect."""

ON_A_NEW_STRIP = [
    Trial(ufloat(40, 0.5), strip_age_days=0.01),
    Trial(ufloat(36, 0.5), strip_age_days=1.1),
    Trial(ufloat(-300, 0.5), strip_age_days=2.1, unknown=True),
]
A_STRIP_CHANGED = [
    Trial(ufloat(40, 0.5)),
    Trial(ufloat(700, 0.5), spring=1),
    Trial(ufloat(704, 0.5), spring=1),
]


@pytest.mark.parametrize("rows", [WEIGHED_AND_MOVED, MOVED_AND_WEIGHED, ON_A_NEW_STRIP, A_STRIP_CHANGED])
def test_it_shares_its_weight_as_the_model_written_out_does(rows):
    mixture = infer(rows, PRIOR, half_travel=5.0)
    assert mixture.fixed == ()
    points, widths, here = some_points(mixture)
    out = WrittenOut(rows, PRIOR, 5.0, points, widths)
    weight = mixture.weight[here] / mixture.weight[here].sum()
    # Parts below 2e-5 of the heaviest are dropped, 0.1 % in all as PARTS_KEPT says; those here are a few of the points.
    kept = {"abs": 2e-3, "rel": 5e-3}
    assert weight @ mixture.walks[here] == pytest.approx(out.chance(out.walks), **kept)
    for name in set(mixture.effect_names.tolist()):
        share = float(weight[mixture.effect_names[here] == name].sum())
        assert share == pytest.approx(out.chance([one == name for one in out.effects]), **kept)
    for size in WANDER_GRID:
        share = float(weight[mixture.wander[here] == size].sum())
        assert share == pytest.approx(out.chance([one == size for one in out.sizes]), **kept)
    for point in points:
        share = float(weight[mixture.per_gram[here] == point].sum())
        assert share == pytest.approx(out.chance(np.array(out.per_gram) == point), **kept)
    # A thousandth of the parts, up to 60 s/day from the rest.
    for name, within in (("state", 0.06), ("effect", 0.06), ("covariance", 0.1)):
        whole = float(out.weight @ getattr(out, name))
        assert weight @ getattr(mixture, name)[here] == pytest.approx(whole, abs=within), name
    # Of the variances their logarithm: a part in a thousand is of an odd reading and a hundred times as wide.
    for name in ("state_variance", "effect_variance"):
        whole = float(out.weight @ np.log(np.maximum(getattr(out, name), 1e-9)))
        assert weight @ np.log(getattr(mixture, name)[here]) == pytest.approx(whole, abs=0.03), name


@pytest.mark.parametrize("rows", [WEIGHED_AND_MOVED, ON_A_NEW_STRIP])
def test_the_evidence_of_two_courses_compares_as_the_model_written_out_does(rows):
    """The same work with another last rate: what is left out of the evidence is the same for both."""
    other = [*rows[:-1], replace(rows[-1], rate_s_per_day=rows[-1].rate_s_per_day + 4.0)]
    told, expected = [], []
    for one in (rows, other):
        mixture = infer(one, PRIOR, half_travel=5.0)
        points, widths, here = some_points(mixture)
        # The points not written out have their share of the evidence by the weights, which the other test holds.
        told.append(mixture.log_evidence + math.log(float(mixture.weight[here].sum())))
        expected.append(WrittenOut(one, PRIOR, 5.0, points, widths).evidence)
    assert told[1] - told[0] == pytest.approx(expected[1] - expected[0], abs=0.01)


def test_what_is_odd_has_the_chances_of_the_model_written_out():
    """Where nothing was weighed a gram does not count, so one point of ln g tells what the whole grid tells."""
    rows = [Trial(ufloat(3.0, 0.5)), Trial(ufloat(7.0, 0.5)), Trial(ufloat(3.5, 0.5))]
    mixture = infer(rows, PRIOR, half_travel=5.0)
    assert mixture.fixed == ()
    out = WrittenOut(rows, PRIOR, 5.0, [0.0035], [1.0])
    for branch in set(out.names):
        expected = out.chance([one == branch for one in out.names])
        assert mixture.branches[branch] == pytest.approx(expected, rel=0.01, abs=1e-5)
    assert mixture.branches[Branch("reading", 1)] > 3 * mixture.branches[Branch("reading", 0)]


def test_a_branch_above_nine_in_ten_is_taken_as_sure_and_at_most_three_are():
    calm = [Trial(ufloat(3.0 + 0.01 * night, 0.05), handling_s_per_day=0.0) for night in range(9)]
    assert infer(calm, PRIOR).fixed == ()
    odd = list(calm)
    for night in (1, 3, 5, 7):
        odd[night] = replace(calm[night], rate_s_per_day=ufloat(90.0 * (night - 4), 0.05))
    fixed = infer(odd, PRIOR).fixed
    assert 1 <= len(fixed) <= 3
    assert all(one.what == "reading" and one.trial % 2 for one in fixed)


def test_nights_that_are_merged_tell_what_each_for_itself_would():
    """Forty nights of one state: the state of white wander is their mean, its doubt the wander's over the root of forty."""
    rng = np.random.default_rng(8)
    nights = 5 + rng.normal(0, 1.0, 40)
    mixture = infer([Trial(ufloat(one, 0.01), handling_s_per_day=0.0) for one in nights], PRIOR)
    white = ~mixture.walks
    weight = mixture.weight[white] / mixture.weight[white].sum()
    y = 86_400 * np.log1p(nights / 86_400)
    assert weight @ mixture.state[white] == pytest.approx(y.mean(), abs=0.02)
    size = max(set(mixture.wander[white]), key=lambda one: weight[mixture.wander[white] == one].sum())
    this = white & (mixture.wander == size)
    variance = np.average(mixture.state_variance[this], weights=mixture.weight[this])
    # Parts in which one of the forty is odd have 39: a fortieth more at most.
    assert variance == pytest.approx((size**2 + 0.01**2) / 40, rel=0.03)
