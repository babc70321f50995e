"""The next action: leave the clock alone, change weights or regulator, try the regulator's effect, or listen again.

Every action is scored by the expected absolute long-run rate after it, E|y|, plus a cost for its trouble. The mixture
of `torsionbeat.learning.learnt` includes every doubt. A miss much larger than the present error is capped: it is one
more trial, and the trial teaches. Where the rate is not known to be off, another night is worth more than another
weight. Rates in seconds per day, > 0 gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from torsionbeat.errors import InputError
from torsionbeat.learning.learnt import Change, Learnt
from torsionbeat.learning.response import Regulator
from torsionbeat.learning.trials import HANDLING_S_PER_DAY
from torsionbeat.regulation.stock import Stock, WeightChange, choose

__all__ = ["DOUBTED_READING", "SURE", "Action", "ActionKind", "decide", "nights_needed"]

ActionKind = Literal["leave", "adjust", "trial-step", "night", "nothing-helps"]

SURE = 0.90
"""Chance of being within the tolerance at which a clock is called done. At 0.95 calm clocks were listened to a night
longer and were truly done equally often (`tests/benchmarks/regulation.py`)."""

SURE_IF_UNSTEADY = 0.87
"""The same chance, calculated with the more unsteady half of the wander's posterior: a few nights that happen to agree
make an unsteady clock look calm. Half as many clocks that differ by 3 s/day are then wrongly called done, and calm ones
wait a tenth of a night longer. `SURE` at 0.95 did the same but kept clocks of 1 s/day waiting for more than a night."""

DOUBTED_READING = 0.25
"""From this chance that the last reading, or the note before it, is odd, nothing is changed. One more night shows which
of the two it was; a change based on the wrong one takes the clock away from time."""

WEIGHTS_COST = 1.0  # the clock is stopped and opened
REGULATOR_COST = 0.3
"""Least improvement, in tolerances, that justifies changing weights, and moving the regulator alone: the first stops
and opens the clock, the second is a touch (common practice, no source)."""

OPENING_SHARE = 0.15
"""Opening the clock also costs this share of the regulator's range: the next touch of the regulator corrects the
remainder of the last one, and nobody opens a clock for a twelfth of a gram (common practice, no source)."""

OUTWARD_COST = 2.0  # for the whole outer part; explained below (no source)
INNER_SHARE = 0.6
"""Beyond this share of half its travel a move of the regulator costs more, in tolerances for a whole half: some travel
must be left for the next years."""

END_SHARE = 0.1
"""Share of half the travel that is kept free at either end."""

DOUBT = 1.0
"""Least long-run rate, in its standard uncertainties, at which anything is changed: with 2 an unsteady clock is left
too long, with 0 corrections chase noise (both scored)."""

KNOWN_EFFECT = 0.3
"""Largest relative uncertainty of the effect with which weights are chosen for the regulator at its middle."""

UNKNOWN_EFFECT = 0.5
"""Relative uncertainty of the effect above which a trial step teaches more than it risks."""

SURELY_OFF = 0.025
"""If the chance of the other sign is below this, the clock is surely off and is adjusted rather than listened to for
another night: the 95 % interval excludes 0."""

AS_FAR_AGAIN = 2.0
FARTHER_OUT = 3.0
"""A miss is capped at twice the present error plus this many tolerances: near time an overshoot counts in full, but the
trial that overshoots teaches. At the error plus ten, one clock in fifty spent its third night listening instead of on the
first touch of its regulator (`tests/benchmarks/regulation.py`)."""

WORTH_A_TOUCH = 0.5
"""Largest share of the rate that a touch of an untried regulator may leave: near its smallest step it would go to and fro."""

UNTRIED_FROM = 3.0  # less is left to the next touch as a whole
UNTRIED_DOUBT = 0.5  # a tenth of a turn is no help while the weights leave minutes open
UNTRIED_LEAVES = 2.5
"""An untried regulator is moved along with weights from this remainder of theirs in tolerances, and this share of its
doubt, and then leaves so many tolerances: the next touch is off by a third of what is left to it, the promise by up to
five times what is moved on a guess. If it never moves, one clock in six is more than 1 s/day off after three trials; if it
moves as far as the guess says, one in twelve, and the second promise is half as wide again
(`tests/benchmarks/regulation.py`)."""

TRIED_EFFECT = 0.1
"""Relative spread of the effect below which the regulator counts as tried: another touch teaches nothing."""

TRIAL_SHARE = 0.1  # too small a step to upset any clock
LARGEST_TRIAL_SHARE = 0.25  # a quarter leaves room to go back beyond the start
WEAK_TRAVEL_S_PER_DAY = 20.0  # the weakest regulators of the prior (`priors.EFFECT_SPREADS`)
TRIAL_WANDERS = 3.0
"""A trial step is a tenth of half the travel. It is larger, up to a quarter, where a weak regulator (20 s/day for half
its travel) would move the rate by less than three times the wander."""

LEAST_CUT_G = 0.01
"""Least weight a side that is cut to order: usual scales show no less."""

NIGHTS_FACTOR = 1.645
"""Standard uncertainties of a 90 % interval (JCGM 100, table G.1)."""

MOST_NIGHTS = 60
"""Most nights that are advised: more are not practical advice."""


TINY_EFFECT = 1e-9
"""Least effect of a unit (s/day) used as a divisor."""

NOTHING = Change()
"""Weights and regulator stay."""


@dataclass(frozen=True, slots=True)
class Action:
    """The action on the rate.

    ``chance_within`` is the chance that the clock is within the tolerance now; ``change`` the change to make, with its doubts.
    """

    kind: ActionKind
    chance_within: float
    weights: WeightChange | None = None
    change: Change = NOTHING


def decide(
    learnt: Learnt,
    tolerance_s_per_day: float,
    *,
    stock: Stock | None = None,
    regulator: Regulator | None = None,
    removable_g: float | None = None,
) -> Action:
    """Choose the action with the best expectation.

    Parameters
    ----------
    learnt : Learnt
    tolerance_s_per_day : float
        Tolerance within which the clock is left alone.
    stock : Stock, optional
        Weights at hand; None: none can be changed.
    regulator : Regulator, optional
        None: there is none.
    removable_g : float, optional
        All the weight that can come off.

    Raises
    ------
    InputError
        A change is needed and there is neither weight nor regulator, or no suitable weight.
    """
    tolerance = tolerance_s_per_day
    now = learnt.long_run()
    chance = now.within(tolerance)
    if chance >= SURE and learnt.long_run_if_unsteady().within(tolerance) >= SURE_IF_UNSTEADY:
        return Action("leave", chance)
    mean, sd = now.core
    if abs(mean) <= DOUBT * sd or learnt.last_does_not_fit >= DOUBTED_READING:
        return Action("night", chance)
    if stock is None and regulator is None:
        raise InputError(
            "there is neither a regulator nor a weight to change; leave out --no-weights, or give the "
            "regulator's travel with --regulator-low and --regulator-high"
        )
    scored = _candidates(learnt, tolerance, stock, regulator, removable_g)
    best = min(scored, key=lambda one: one[0], default=None)
    if best is not None and best[0] < now.size_up_to(_most_counted(learnt, tolerance)):
        return Action("adjust", chance, best[1], best[2])
    if regulator is not None and _worth_trying(learnt, regulator) and abs(mean) > max(tolerance, sd):
        return Action("trial-step", chance, None, _trial_step(learnt, regulator))
    if abs(mean) <= tolerance or now.quantile(SURELY_OFF) < 0 < now.quantile(1 - SURELY_OFF):
        return Action("night", chance)
    touch = [one for one in scored if one[1] is None]
    if touch and learnt.effect_spread > TRIED_EFFECT * abs(learnt.effect_median):
        left, _ = learnt.long_run(touch[0][2]).core
        # The result is as uncertain as the guess, but the touch resolves the guess.
        if abs(left) < WORTH_A_TOUCH * abs(mean):
            return Action("adjust", chance, None, touch[0][2])
    return Action("nothing-helps", chance)


def nights_needed(learnt: Learnt, tolerance_s_per_day: float) -> int | None:
    """Further nights until the long-run rate is known to a tolerance (90 %); None where no number of nights suffices."""
    wander = learnt.wander_s_per_day[0]
    _, sd = learnt.long_run().core
    wanted = tolerance_s_per_day / NIGHTS_FACTOR
    if sd <= wanted:
        return 1
    rest = max(1 / wanted**2 - 1 / sd**2, 0.0)
    nights = math.ceil(rest * wander**2)
    return max(nights, 1) if nights <= MOST_NIGHTS else None


def _candidates(
    learnt: Learnt,
    tolerance: float,
    stock: Stock | None,
    regulator: Regulator | None,
    removable_g: float | None,
) -> list[tuple[float, WeightChange | None, Change]]:
    """Every reasonable change, with its score: expected remainder plus cost, in seconds a day."""
    found: list[tuple[float, WeightChange | None, Change]] = []
    if regulator is not None:
        move = _best_move(learnt, regulator, Change())
        if move:
            found.append(_scored(learnt, tolerance, regulator, None, move))
    if stock is None:
        return found
    refused: InputError | None = None
    for aim in _aims(learnt, regulator):
        wanted = learnt.grams_to_s_per_day(0.0, aim)
        try:
            weights = choose(wanted.nominal_value, stock, removable_g, total_doubt_g=wanted.std_dev)
        except InputError as error:
            refused = error
            continue
        if weights.total_g == 0 or (stock.can_cut and abs(weights.a_side_g) < LEAST_CUT_G):
            continue
        moves = {0.0}
        if regulator is not None:
            before = Change(weights.total_g, 0.0, weights.doubt_g)
            left, sd = learnt.long_run(before).core
            if _effect_known(learnt):
                moves.add(_best_move(learnt, regulator, before))
            elif abs(left) > max(UNTRIED_FROM * tolerance, UNTRIED_DOUBT * sd):
                moves.add(_best_move(learnt, regulator, before, UNTRIED_LEAVES * tolerance))
        found += [_scored(learnt, tolerance, regulator, weights, move) for move in sorted(moves)]
    if refused is not None and not found:
        raise refused
    return found


def _aims(learnt: Learnt, regulator: Regulator | None) -> list[float]:
    """Moves of the regulator for which weights are chosen: none, and to its middle where its effect is known."""
    if regulator is None:
        return [0.0]
    return [0.0, regulator.middle - regulator.setting] if _effect_known(learnt) else [0.0]


def _effect_known(learnt: Learnt) -> bool:
    return learnt.effect_spread < KNOWN_EFFECT * abs(learnt.effect_median)


def _scored(
    learnt: Learnt, tolerance: float, regulator: Regulator | None, weights: WeightChange | None, move: float
) -> tuple[float, WeightChange | None, Change]:
    change = Change(
        0.0 if weights is None else weights.total_g,
        move,
        0.0 if weights is None else weights.doubt_g,
        regulator.doubt if regulator is not None and move else 0.0,
        HANDLING_S_PER_DAY,
    )
    cost = (REGULATOR_COST if weights is None else WEIGHTS_COST) * tolerance
    if regulator is not None:
        half = (regulator.high - regulator.low) / 2
        if weights is not None:
            cost += OPENING_SHARE * INNER_SHARE * half * abs(learnt.effect_median)
        away = abs(regulator.setting + move - regulator.middle) / half
        cost += OUTWARD_COST * tolerance * max(away - INNER_SHARE, 0.0)
    return learnt.long_run(change).size_up_to(_most_counted(learnt, tolerance)) + cost, weights, change


def _most_counted(learnt: Learnt, tolerance: float) -> float:
    return AS_FAR_AGAIN * abs(learnt.long_run().core[0]) + FARTHER_OUT * tolerance


def _best_move(learnt: Learnt, regulator: Regulator, before: Change, leave: float = 0.0) -> float:
    """The move that brings the mean to zero, or to ``leave`` of it, by the median of the effect, kept off the ends."""
    effect = learnt.effect_median
    if abs(effect) * (regulator.high - regulator.low) < 1e-6:
        return 0.0
    mean, _ = learnt.long_run(before).core
    mean -= math.copysign(min(abs(mean), leave), mean)
    room = END_SHARE * (regulator.high - regulator.low) / 2
    low, high = min(regulator.low + room, regulator.setting), max(regulator.high - room, regulator.setting)
    wanted = min(max(regulator.setting - mean / effect, low), high)
    return regulator.reached(wanted) - regulator.setting


def _effect_unknown(learnt: Learnt) -> bool:
    return learnt.effect_spread > UNKNOWN_EFFECT * abs(learnt.effect_median)


def _worth_trying(learnt: Learnt, regulator: Regulator) -> bool:
    """Whether the regulator's effect is unknown and may be enough over half its travel."""
    enough = learnt.effect_at_most * (regulator.high - regulator.low) / 2 >= abs(learnt.long_run().core[0])
    return enough and _effect_unknown(learnt) and not learnt.regulator_hardly_works


def _trial_step(learnt: Learnt, regulator: Regulator) -> Change:
    """A small move towards the side with more travel, or in the direction that is more likely to help."""
    half = (regulator.high - regulator.low) / 2
    wander = learnt.wander_s_per_day[0]
    share = min(max(TRIAL_SHARE, TRIAL_WANDERS * wander / WEAK_TRAVEL_S_PER_DAY), LARGEST_TRIAL_SHARE)
    size = max(round(share * half / regulator.step), 1) * regulator.step
    mean, _ = learnt.long_run().core
    telling = max(abs(mean), TRIAL_WANDERS * wander) / max(abs(learnt.effect_median), TINY_EFFECT)
    size = min(size, max(round(telling / regulator.step), 1) * regulator.step)
    way = 1.0 if regulator.setting <= regulator.middle else -1.0
    helps = -math.copysign(1.0, mean) * math.copysign(1.0, learnt.effect_median)
    # At its strongest the regulator then moves the rate by the present error.
    harmless = abs(mean) / max(learnt.effect_at_most, TINY_EFFECT)
    room = {1.0: regulator.high - regulator.setting, -1.0: regulator.setting - regulator.low}
    if harmless > size and learnt.effect_at_most * half < WEAK_TRAVEL_S_PER_DAY:
        way = helps if room[helps] >= room[-helps] * INNER_SHARE else -helps
        size = max(size, math.floor(min(harmless, room[way]) / regulator.step) * regulator.step)
    if regulator.low <= regulator.setting + helps * size <= regulator.high and abs(learnt.effect_median) > 0:
        way = helps
    return Change(0.0, way * size, 0.0, regulator.doubt, HANDLING_S_PER_DAY)
