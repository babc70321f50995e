"""From the last reading of a clock to the next adjustment of its rate: the action and its other effects.

`torsionbeat.regulation.decision` chooses the action. This module adds its expected rate, arc and knock, beat, and the
times to settle and to listen. Grams, degrees, seconds; rates in seconds per day, > 0 gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from torsionbeat.learning.conflicts import conflicts
from torsionbeat.learning.learnt import Change, Learnt
from torsionbeat.learning.response import Regulator
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.beatsetting import BeatAdvice, KnockGuard, beat_advice, knock_guard
from torsionbeat.regulation.decision import INNER_SHARE, Action, ActionKind, decide, nights_needed
from torsionbeat.regulation.present import Present
from torsionbeat.regulation.stock import Stock, WeightChange, choose
from torsionbeat.regulation.waiting import Listening, listening, settling_s
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.rate import DAY_S
from torsionbeat.theory.robust import COVERAGE

__all__ = ["BELLOWS", "LOCK", "PRACTICE", "SPRINGS", "Correction", "correct"]

LOCK = "Lock or hold the balance before you touch weights or regulator; let it down before moving the clock."
SPRINGS = "Suspension strips are sharp and spring back: hold them with tweezers, wear eye protection."
BELLOWS = (
    "The bellows of an air-driven clock hold a flammable, volatile filling under pressure: never heat, "
    "puncture or solder anything near them, and leave a leaking one to a specialist."
)
PRACTICE = "Follow the maker's instructions and the rules of your trade and place."

NEAR_END = 0.15
"""A regulator within this share of half the travel from its end, with the clock still off, is reported as out of reach."""

SCALES_G = 0.01
"""Half-width of the error of usual scales (g), for the remark that weighing would help."""

WORTH_WEIGHING = 0.7
"""Weighing is suggested where it narrows the expected interval by this factor or more."""


@dataclass(frozen=True, slots=True)
class Correction:
    """The next adjustment of the rate, and its effects.

    ``kind`` is the action; ``weights`` is None, and ``regulator_move`` 0, where they stay. ``rate_s_per_day`` is the
    long-run rate by all trials, ``chance_within`` the chance that it is within the tolerance, ``nights`` the number of
    further nights that would decide it (None: no number would). ``grams_a_side`` is the exactly right weight with the
    regulator as it will be set; None where weights cannot be changed. ``expected_rate_s_per_day`` is the rate of the
    next night after the change. The corresponding ``interval`` fields are the median and the ends of the 95 % interval,
    which may be lopsided. ``arc_after_deg`` and the guards are None where no arc was read, ``beat`` where no beat error
    was read, ``settle_s`` where Q is not known.
    """

    kind: ActionKind
    rate_s_per_day: UFloat
    chance_within: float
    nights: int | None
    weights: WeightChange | None
    grams_a_side: UFloat
    regulator_move: float
    regulator_setting: float | None
    expected_rate_s_per_day: UFloat
    expected_interval_s_per_day: tuple[float, float, float]
    grams_interval_a_side: tuple[float, float, float] | None
    arc_after_deg: UFloat
    knock_now: KnockGuard | None
    knock_after: KnockGuard | None
    beat: BeatAdvice | None
    settle_s: float | None
    listening: Listening
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def changes_nothing(self) -> bool:
        """Whether weights and regulator stay as they are."""
        return self.weights is None and self.regulator_move == 0


def correct(
    learnt: Learnt,
    present: Present,
    *,
    stock: Stock | None = None,
    regulator: Regulator | None = None,
    tolerance_s_per_day: float = 0.5,
    removable_g: float | None = None,
    q: float | None = None,
    roller_radius_mm: float | None = None,
    share_above_fork: float = 1.0,
    side_names: tuple[str, str] = ("", ""),
    air_driven: bool = False,
) -> Correction:
    """Find the next adjustment.

    Parameters
    ----------
    learnt : Learnt
        The clock's response and present state (`torsionbeat.learning.learn.learn`).
    present : Present
        The clock's last reading.
    stock : Stock, optional
        Weights at hand; None: no weights can be changed.
    regulator : Regulator, optional
        None: there is none, or it is left alone.
    tolerance_s_per_day : float
        Tolerance within which the clock is left alone.
    removable_g : float, optional
        All the weight that can come off.
    q : float, optional
        Q of a free swing, for the settling time.
    roller_radius_mm, share_above_fork, side_names
        As for `knock_guard` and `beat_advice`.
    air_driven : bool
        Adds the caution about bellows.

    Raises
    ------
    InputError
        No weight or regulator can bring the clock to time.
    """
    listen = listening(present, tolerance_s_per_day)
    action = decide(learnt, tolerance_s_per_day, stock=stock, regulator=regulator, removable_g=removable_g)
    weights, change = action.weights, action.change
    expected = learnt.expected_rate_s_per_day(
        change.add_g,
        change.move,
        mass_doubt_g=change.mass_doubt_g,
        setting_doubt=change.setting_doubt,
        handling_s_per_day=change.handling_s_per_day,
    )
    arc_after, now, after = _arcs(present, learnt.rate_s_per_day, expected, roller_radius_mm)
    remarks: list[str] = [Remark(f"odd-{outlier.what}", outlier.sentence) for outlier in learnt.outliers]
    remarks += conflicts(learnt)
    remarks += _about_regulator(learnt, regulator, action)
    if weights is not None and stock is not None:
        remarks += _about_weights(learnt, weights, change, stock, expected, tolerance_s_per_day)
    for guard in (now, after):
        remarks += [] if guard is None else [one for one in guard.remarks if one not in remarks]
    beat = _beat(present, share_above_fork, side_names)
    handled = weights is not None or change.move != 0 or (beat is not None and beat.needed)
    cautions = [*([BELLOWS] if air_driven else []), *([LOCK, PRACTICE] if handled else [])]
    period = present.period_s.nominal_value if present.period_s is not None else None
    period = period or present.clock.nominal_period_s
    grams, interval = (None, None) if stock is None else _a_side(learnt, change.move, stock.sides)
    return Correction(
        kind=action.kind,
        rate_s_per_day=learnt.rate_s_per_day,
        chance_within=action.chance_within,
        nights=nights_needed(learnt, tolerance_s_per_day),
        weights=weights,
        grams_a_side=grams,
        regulator_move=change.move,
        regulator_setting=regulator.setting + change.move
        if regulator is not None and regulator.is_known
        else None,
        expected_rate_s_per_day=expected,
        expected_interval_s_per_day=learnt.expected_interval_s_per_day(change),
        grams_interval_a_side=interval,
        arc_after_deg=arc_after,
        knock_now=now,
        knock_after=after,
        beat=beat,
        settle_s=None if q is None or period is None else settling_s(q, period),
        listening=listen,
        remarks=tuple(remarks),
        cautions=tuple(cautions),
    )


def _a_side(learnt: Learnt, move: float, sides: int) -> tuple[UFloat, tuple[float, float, float]]:
    """Grams a side that would be exactly right, and the median and ends of their 95 % interval."""
    middle, low, high = learnt.grams_interval(move)
    return learnt.grams_to_s_per_day(0.0, move) / sides, (middle / sides, low / sides, high / sides)


def _about_weights(
    learnt: Learnt, weights: WeightChange, change: Change, stock: Stock, expected: UFloat, tolerance: float
) -> list[str]:
    """Remarks on the weights: that they come no nearer, and that weighing them, or small ones, would help."""
    helps = _weighing(learnt, weights, change, stock, expected, tolerance) or _small_ones(weights, stock)
    return _far(learnt, weights, change, expected, tolerance) + helps


def _about_regulator(learnt: Learnt, regulator: Regulator | None, action: Action) -> list[str]:
    """Remarks where the regulator does not reach, or comes near its end."""
    if regulator is None or action.weights is not None or action.kind != "adjust":
        return []
    change = action.change
    left, _ = learnt.long_run(change).core
    grams = learnt.grams_to_s_per_day(0.0, regulator.middle - regulator.setting).nominal_value
    instead = (
        f"Weights of {abs(grams):.2g} g in all {'more' if grams > 0 else 'less'} would bring it back to "
        "the middle."
    )
    whence = (
        "The regulator" if regulator.is_known else "If it stands near the middle of its travel, the regulator"
    )
    setting = regulator.setting + change.move
    half = (regulator.high - regulator.low) / 2
    away = abs(setting - regulator.middle) / half
    start = abs(regulator.setting - regulator.middle) / half
    if away > 1 - NEAR_END and abs(left * change.move) > abs(change.move) and away >= start:
        verb = "gaining" if left > 0 else "losing"
        return [
            Remark(
                "regulator-out-of-reach",
                f"{whence} does not reach: near its end the clock is still {verb} {abs(left):.0f} s a day. "
                f"{instead}",
            )
        ]
    if regulator.is_known and away > INNER_SHARE and away > start:
        return [Remark("regulator-near-end", f"That is near the end of the regulator's travel. {instead}")]
    return []


def _far(
    learnt: Learnt, weights: WeightChange, change: Change, expected: UFloat, tolerance: float
) -> list[str]:
    """Remark where the weights at hand do not come near the right weight."""
    if abs(expected.nominal_value) <= max(COVERAGE * expected.std_dev, tolerance):
        return []
    right = learnt.grams_to_s_per_day(0.0, change.move).nominal_value / weights.sides
    way = "on" if right > 0 else "off"
    return [
        Remark(
            "weights-no-nearer",
            f"The weights at hand come no nearer: {abs(right):.3g} g {way} each side would be right.",
        )
    ]


def _small_ones(change: WeightChange, stock: Stock) -> list[str]:
    """Remark where many weights are proposed though few would make the same sum."""
    if stock.scale_g is not None or not change.pieces:
        return []
    fewest = choose(change.total_g, replace(stock, scale_g=SCALES_G))
    few, many = (sum(count for _, count in one.pieces) for one in (fewest, change))
    if many < few + 2:
        return []
    return [
        Remark(
            "small-weights",
            f"Small weights rather than large ones: each may err by {stock.tolerance_percent:g} %, several err less "
            f"together, and the next step is reckoned from this one. Weighed to {SCALES_G:g} g (--weighed "
            f"{SCALES_G:g}), {few} a side would do.",
        )
    ]


def _weighing(
    learnt: Learnt, weights: WeightChange, change: Change, stock: Stock, expected: UFloat, tolerance: float
) -> list[str]:
    """Remark where most of the uncertainty is that of the weights' mass."""
    if stock.scale_g is not None:
        return []
    exact = SCALES_G * math.sqrt(stock.sides / 3)
    if exact >= change.mass_doubt_g:
        return []
    weighed = learnt.expected_rate_s_per_day(
        change.add_g,
        change.move,
        mass_doubt_g=exact,
        setting_doubt=change.setting_doubt,
        handling_s_per_day=change.handling_s_per_day,
    ).std_dev
    if COVERAGE * expected.std_dev <= 2 * tolerance or weighed > WORTH_WEIGHING * expected.std_dev:
        return []
    return [
        Remark(
            "weigh-the-weights",
            f"Most of that doubt is what the weights really weigh. Weighed to {SCALES_G:g} g (--weighed "
            f"{SCALES_G:g}) they would bring it to within {COVERAGE * weighed:.2g} s a day instead of "
            f"{COVERAGE * expected.std_dev:.2g}.",
        )
    ]


def _arcs(
    present: Present, now: UFloat, after: UFloat, roller_radius_mm: float | None
) -> tuple[UFloat, KnockGuard | None, KnockGuard | None]:
    """Arc after the change, and the guards before and after.

    The drive gives the same energy every swing and air drag takes (pi/2) c omega A^2, so the arc grows with the root of
    the period. With dry rubbing it does not change. A change of some minutes a day is about a degree.
    """
    arc = present.arc_deg
    if arc is None:
        return None, None, None
    ratio = (1 + now.nominal_value / DAY_S) / (1 + after.nominal_value / DAY_S)
    then = arc * ratio**0.5
    guards = [
        knock_guard(one, present.clock, offset_deg=present.offset_deg, roller_radius_mm=roller_radius_mm)
        for one in (arc, then)
    ]
    return then, guards[0], guards[1]


def _beat(present: Present, share_above_fork: float, side_names: tuple[str, str]) -> BeatAdvice | None:
    if present.beat_error_ms is None or present.arc_deg is None:
        return None
    period = present.period_s if present.period_s is not None else present.clock.nominal_period_s
    if period is None:
        return None
    return beat_advice(
        present.beat_error_ms,
        present.arc_deg,
        period,
        lift_deg=present.clock.lift_deg or 0.0,
        offset_deg=present.offset_deg,
        share_above_fork=share_above_fork,
        side_names=side_names,
    )
