"""Where the clock's own trials contradict what was held of it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from uncertainties import ufloat

from torsionbeat.learning.conflicts import conflicts


def learnt(
    *,
    trials=4,
    right=0.1,
    wrong=0.2,
    usual=False,
    per_unit=None,
    effect=(-5.0, 1.0),
    guess=1.0,
    hardly=False,
    source="the weighing",
):
    """Only what conflicts are made of; ``effect`` is the mixture's mean and standard deviation."""
    return SimpleNamespace(
        trials=trials,
        source_right=right,
        prior=SimpleNamespace(
            usual=usual,
            chance_wrong=wrong,
            source=source,
            per_unit=per_unit,
            unit_chance_wrong=0.25,
            s_per_day_per_unit=None if per_unit is None else ufloat(per_unit, 1.0),
        ),
        response=SimpleNamespace(
            s_per_day_per_gram=ufloat(-30.0, 2.0), s_per_day_per_unit=ufloat(effect[0], effect[1])
        ),
        effect_chances=lambda: {"guess": guess},
        regulator_hardly_works=hardly,
        effect_at_most=0.7,
        mixture=SimpleNamespace(
            weight=np.array([1.0]), effect=np.array([effect[0]]), effect_variance=np.array([effect[1] ** 2])
        ),
    )


def codes(one):
    return [remark.code for remark in conflicts(one)]


@pytest.mark.parametrize(("right", "said"), [(0.31, ["trials-outrank-source"]), (0.33, [])])
def test_a_source_is_outranked_at_two_fifths_of_its_chance(right, said):
    assert codes(learnt(right=right)) == said  # 0.4 (1 - 0.2) = 0.32


def test_what_the_trials_say_instead_is_told_with_its_interval():
    (remark,) = conflicts(learnt())
    assert "outrank the weighing (10% is left of it)" in remark
    assert "a gram more (all sides together) loses 30 s a day, give or take 4" in remark


def test_one_reading_or_the_usual_clock_contradicts_nothing():
    assert codes(learnt(trials=1)) == []
    assert codes(learnt(trials=2)) == ["trials-outrank-source"]
    assert codes(learnt(usual=True)) == []


@pytest.mark.parametrize(
    ("told", "effect", "said", "word"),
    [
        (5.0, -5.0, ["regulator-other-way"], "slows"),
        (-5.0, 5.0, ["regulator-other-way"], "quickens"),
        (5.0, 5.0, [], ""),
        (-5.0, -5.0, [], ""),
        (5.0, 0.1, [], ""),  # 46 %: less than even
        (5.0, -0.1, ["regulator-other-way"], "slows"),
    ],
)
def test_a_regulator_that_went_the_other_way(told, effect, said, word):
    one = learnt(right=1.0, per_unit=told, effect=(effect, 1.0))
    assert codes(one) == said
    assert all(word in remark for remark in conflicts(one))


@pytest.mark.parametrize(("guess", "said"), [(0.29, ["regulator-other-size"]), (0.31, [])])
def test_a_regulator_of_another_size(guess, said):
    assert (
        codes(learnt(right=1.0, per_unit=5.0, effect=(12.0, 1.0), guess=guess)) == said
    )  # 0.4 (1 - 0.25) = 0.3


@pytest.mark.parametrize("effect", [-0.1, 0.1])
def test_a_regulator_that_hardly_works_goes_no_other_way(effect):
    """Its sign is then of no use: what is wrong is that it does not grip."""
    one = learnt(right=1.0, per_unit=5.0, effect=(effect, 0.3), guess=0.1, hardly=True)
    assert codes(one) == ["regulator-hardly-works"]
    assert "at most 0.7" in conflicts(one)[0]
