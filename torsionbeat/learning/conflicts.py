"""Contradictions between the clock's own trials and its prior: reported in words, never averaged silently."""

from __future__ import annotations

import numpy as np

from torsionbeat.learning.learnt import Learnt
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.robust import COVERAGE

__all__ = ["conflicts"]

LOST = 0.4
"""A source counts as outranked when its chance of being right has fallen to this share of its prior chance."""

LIKELY = 0.5
"""Chance from which another size or sign of the regulator's effect is reported."""

LEAST_TRIALS = 2
"""With fewer readings the clock has not yet shown its response."""


def conflicts(learnt: Learnt) -> list[Remark]:
    """Report which sources the trials contradict, and what the trials say instead."""
    if learnt.trials < LEAST_TRIALS:
        return []
    return [*_weights(learnt), *_regulator(learnt)]


def _weights(learnt: Learnt) -> list[Remark]:
    right = learnt.source_right
    if learnt.prior.usual or right > LOST * (1 - learnt.prior.chance_wrong):
        return []
    gram = learnt.response.s_per_day_per_gram
    return [
        Remark(
            "trials-outrank-source",
            f"Your clock's own trials outrank {learnt.prior.source or 'what was given of its weights'} "
            f"({right:.0%} is left of it): by them a gram more (all sides together) loses "
            f"{-gram.nominal_value:.0f} s a day, give or take {COVERAGE * gram.std_dev:.0f}.",
        )
    ]


def _regulator(learnt: Learnt) -> list[Remark]:
    if learnt.prior.per_unit is None:
        return []
    chances = learnt.effect_chances()
    told = learnt.prior.s_per_day_per_unit.nominal_value
    unit = learnt.response.s_per_day_per_unit
    now = f"{unit.nominal_value:+.3g} s a day, give or take {COVERAGE * unit.std_dev:.2g}"
    against = _chance_of_sign(learnt, told)
    if against >= LIKELY and not learnt.regulator_hardly_works:
        does = "slows" if told > 0 else "quickens"
        return [
            Remark(
                "regulator-other-way",
                f"The regulator went the other way than was said of it: either more on it {does} your clock "
                f"({against:.0%} sure), or a move was not what was noted. By the trials a unit more makes {now}.",
            )
        ]
    if learnt.regulator_hardly_works:
        return [
            Remark(
                "regulator-hardly-works",
                f"The regulator hardly does anything: {told:+.3g} s a day a unit was said of it, by the trials it is at most "
                f"{learnt.effect_at_most:.2g}. See whether it slips or stands at its stop; weights will do instead.",
            )
        ]
    if chances.get("guess", 1.0) < LOST * (1 - learnt.prior.unit_chance_wrong):
        return [
            Remark(
                "regulator-other-size",
                f"The regulator does not do what was said of it ({told:+.3g} s a day a unit; {chances['guess']:.0%} is "
                f"left of that): by the trials a unit more makes {now}.",
            )
        ]
    return []


def _chance_of_sign(learnt: Learnt, told: float) -> float:
    """Chance that the effect has the opposite sign to the given one."""
    from scipy.special import ndtr

    m = learnt.mixture
    below = ndtr(-m.effect / np.sqrt(m.effect_variance))
    return float(m.weight @ (below if told > 0 else 1 - below))
