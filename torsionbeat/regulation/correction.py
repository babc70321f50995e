"""From the clock as it was read to the next adjustment, in the order a restorer works.

Weights come first while the rate is outside what the regulator reaches near its middle, or its effect is
known so badly that weights are much surer; they are chosen for the regulator at its middle, and the regulator
takes what they leave. Then the regulator alone. The beat goes before both. Grams, degrees, seconds; rates in
seconds per day, > 0 gains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.beatsetting import BeatAdvice, KnockGuard, beat_advice, knock_guard
from torsionbeat.regulation.learning.trials import Learnt
from torsionbeat.regulation.present import Present
from torsionbeat.regulation.response import Regulator
from torsionbeat.regulation.stock import Stock, WeightChange, choose
from torsionbeat.regulation.waiting import Listening, listening, settling_s
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.rate import DAY_S

__all__ = ["BELLOWS", "LOCK", "PRACTICE", "SPRINGS", "Correction", "correct"]

LOCK = "Lock or hold the balance before you touch weights or regulator; let it down before moving the clock."
SPRINGS = "Suspension strips are sharp and spring back: hold them with tweezers, wear eye protection."
BELLOWS = (
    "The bellows of an air-driven clock hold a flammable, volatile filling under pressure: never heat, "
    "puncture or solder anything near them, and leave a leaking one to a specialist."
)
PRACTICE = "Follow the maker's instructions and the rules of your trade and place."

INNER_SHARE = 0.6
"""The regulator is kept within this share of its travel, about the middle."""

SURER = 3.0
"""Weights are changed although the regulator reaches where they bring the clock so many times nearer."""

SCALES_G = 0.01
"""Half-width of what usual scales show wrong, for the remark that weighing would help."""

WORTH_WEIGHING = 0.7
"""Weighing is spoken of where it would make the expected interval narrower by this factor or more."""

HANDLING_S_PER_DAY = 0.2
"""What stopping and letting go the balance may change besides (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Correction:
    """The next adjustment, and what it will do.

    ``weights`` is None, and ``regulator_move`` 0, where they stay. ``grams_a_side`` is what would be exactly
    right with the regulator as it will be set, with its uncertainty; None where weights are out of question.
    ``expected_rate_s_per_day`` is the rate after the change. ``arc_after_deg`` and the guards are None where
    no arc was read. ``beat`` is None where no beat error was read. ``settle_s`` is None where Q is not known.
    """

    rate_s_per_day: UFloat
    weights: WeightChange | None
    grams_a_side: UFloat
    regulator_move: float
    regulator_setting: float | None
    expected_rate_s_per_day: UFloat
    arc_after_deg: UFloat
    knock_now: KnockGuard | None
    knock_after: KnockGuard | None
    beat: BeatAdvice | None
    settle_s: float | None
    listening: Listening
    remarks: tuple[Remark, ...]
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
        The clock's answer and where it stands (`torsionbeat.regulation.learning.trials.learn`).
    present : Present
        Its last reading.
    stock : Stock, optional
        Weights at hand; None: no weights can be changed.
    regulator : Regulator, optional
        None: there is none, or it is left alone.
    tolerance_s_per_day : float
        Within this the clock is left alone, and the next reading is to be known to it (95 % half-width).
    removable_g : float, optional
        All the weight that can come off.
    q : float, optional
        Of a free swing, for the settling time.
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
    rate = learnt.rate_s_per_day
    remarks = [Remark(f"odd-{outlier.what}", outlier.sentence) for outlier in learnt.outliers]
    within = abs(rate.nominal_value) <= tolerance_s_per_day
    unsure = abs(rate.nominal_value) <= 1.96 * rate.std_dev
    weights: WeightChange | None = None
    move = 0.0
    if within or unsure:
        remarks.append(_left_alone(rate, tolerance_s_per_day, within))
    else:
        weights, move, said = _adjust(learnt, stock, regulator, removable_g, tolerance_s_per_day)
        remarks += said
    add_g = 0.0 if weights is None else weights.total_g
    changed = weights is not None or move != 0
    expected = learnt.expected_rate_s_per_day(
        add_g,
        move,
        mass_doubt_g=0.0 if weights is None else weights.doubt_g,
        setting_doubt=regulator.doubt if regulator is not None and move else 0.0,
        handling_s_per_day=HANDLING_S_PER_DAY if changed else 0.0,
    )
    if weights is not None and stock is not None:
        remarks += _far(learnt, weights, move, expected, tolerance_s_per_day)
        remarks += _weighing(learnt, weights, move, stock, expected, tolerance_s_per_day) or _small_ones(
            weights, stock
        )
    arc_after, now, after = _arcs(present, rate, expected, roller_radius_mm)
    for guard in (now, after):
        remarks += [] if guard is None else [one for one in guard.remarks if one not in remarks]
    beat = _beat(present, share_above_fork, side_names)
    if beat is not None and beat.needed and changed:
        remarks.append(
            Remark(
                "set-beat-first",
                "Set the beat first and read again: the arc, and with it the rate, may change.",
            )
        )
    period = present.period_s.nominal_value if present.period_s is not None else None
    period = period or present.clock.nominal_period_s
    cautions = [LOCK, PRACTICE] if changed or (beat is not None and beat.needed) else []
    if air_driven:
        cautions.insert(0, BELLOWS)
    return Correction(
        rate_s_per_day=rate,
        weights=weights,
        grams_a_side=None if stock is None else learnt.grams_to_s_per_day(0.0, move) / stock.sides,
        regulator_move=move,
        regulator_setting=None if regulator is None else regulator.setting + move,
        expected_rate_s_per_day=expected,
        arc_after_deg=arc_after,
        knock_now=now,
        knock_after=after,
        beat=beat,
        settle_s=None if q is None or period is None else settling_s(q, period),
        listening=listen,
        remarks=tuple(remarks),
        cautions=tuple(cautions),
    )


def _adjust(
    learnt: Learnt,
    stock: Stock | None,
    regulator: Regulator | None,
    removable_g: float | None,
    tolerance: float,
) -> tuple[WeightChange | None, float, list[Remark]]:
    """Weights, move of the regulator, and remarks."""
    usable = regulator if learnt.has_regulator else None
    if stock is None and usable is None:
        raise InputError(
            "there is neither a regulator nor a weight to change; leave out --no-weights, or give the "
            "regulator's effect with --regulator-effect"
        )
    alone = 0.0 if usable is None else _move(learnt, usable, 0.0)
    if stock is not None:
        change, move = _weights_first(learnt, stock, usable, removable_g, tolerance)
        near = usable is not None and _near_middle(
            usable, usable.setting + learnt.move_to_s_per_day().nominal_value
        )
        worse = _left(learnt, None, alone, usable) > max(
            SURER * _left(learnt, change, move, usable), 2 * tolerance
        )
        if change.total_g != 0 and (not near or worse):
            return change, move, []
        if usable is None:
            least = min((piece.mass_g for piece in stock.pieces), default=0.001)
            return (
                None,
                0.0,
                [
                    Remark(
                        "weights-too-heavy",
                        f"The lightest weight at hand, {least:g} g a side, would do more harm than good.",
                    )
                ],
            )
    assert usable is not None
    if _left(learnt, None, alone, usable) >= _left(learnt, None, 0.0, usable):
        return (
            None,
            0.0,
            [
                Remark(
                    "regulator-too-coarse",
                    "This is as near as the regulator can be set with what is known of it.",
                )
            ],
        )
    return None, alone, _beyond(learnt, usable, alone)


def _weights_first(
    learnt: Learnt, stock: Stock, regulator: Regulator | None, removable_g: float | None, tolerance: float
) -> tuple[WeightChange, float]:
    """Weights for the regulator at its middle, and the move that takes what they leave."""
    middle = 0.0 if regulator is None else regulator.middle - regulator.setting
    wanted = learnt.grams_to_s_per_day(0.0, middle)
    change = choose(wanted.nominal_value, stock, removable_g, total_doubt_g=wanted.std_dev)
    if regulator is None:
        return change, 0.0
    left = learnt.expected_rate_s_per_day(change.total_g, mass_doubt_g=change.doubt_g)
    # A move much smaller than what is not known of the weights' effect waits for the next reading.
    if abs(left.nominal_value) <= max(0.5 * left.std_dev, tolerance):
        return change, 0.0
    return change, _move(learnt, regulator, change.total_g)


def _far(
    learnt: Learnt, change: WeightChange, move: float, expected: UFloat, tolerance: float
) -> list[Remark]:
    """What to say where the weights at hand do not come near what would be right."""
    if abs(expected.nominal_value) <= max(1.96 * expected.std_dev, tolerance):
        return []
    right = learnt.grams_to_s_per_day(0.0, move).nominal_value / change.sides
    way = "on" if right > 0 else "off"
    return [
        Remark(
            "weights-no-nearer",
            f"The weights at hand come no nearer: {abs(right):.3g} g {way} each side would be right.",
        )
    ]


def _small_ones(change: WeightChange, stock: Stock) -> list[Remark]:
    """What to say where many weights are asked for though few would make the same sum."""
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
    learnt: Learnt,
    change: WeightChange,
    move: float,
    stock: Stock,
    expected: UFloat,
    tolerance: float,
) -> list[Remark]:
    """What to say where most of the doubt is what the weights really weigh."""
    if stock.scale_g is not None:
        return []
    weighed = math.hypot(
        math.sqrt(max(expected.std_dev**2 - _by_mass(learnt, change.total_g, move, change.doubt_g) ** 2, 0)),
        _by_mass(learnt, change.total_g, move, SCALES_G * math.sqrt(stock.sides / 3)),
    )
    if 1.96 * expected.std_dev <= 2 * tolerance or weighed > WORTH_WEIGHING * expected.std_dev:
        return []
    return [
        Remark(
            "weigh-the-weights",
            f"Most of that doubt is what the weights really weigh. Weighed to {SCALES_G:g} g (--weighed "
            f"{SCALES_G:g}) they would bring it to within {1.96 * weighed:.2g} s a day instead of "
            f"{1.96 * expected.std_dev:.2g}.",
        )
    ]


def _by_mass(learnt: Learnt, add_g: float, move: float, doubt_g: float) -> float:
    """Standard uncertainty of the rate that comes from that of a change of weights."""
    sure, unsure = (
        learnt.expected_rate_s_per_day(add_g, move, mass_doubt_g=doubt).std_dev for doubt in (0.0, doubt_g)
    )
    return math.sqrt(max(unsure**2 - sure**2, 0.0))


def _left(learnt: Learnt, change: WeightChange | None, move: float, regulator: Regulator | None) -> float:
    """Root of the mean square of the rate that a change will leave."""
    left = learnt.expected_rate_s_per_day(
        0.0 if change is None else change.total_g,
        move,
        mass_doubt_g=0.0 if change is None else change.doubt_g,
        setting_doubt=regulator.doubt if regulator is not None and move else 0.0,
    )
    return math.hypot(left.nominal_value, left.std_dev)


def _move(learnt: Learnt, regulator: Regulator, add_g: float) -> float:
    wanted = learnt.move_to_s_per_day(0.0, add_g).nominal_value
    return regulator.reached(regulator.setting + wanted) - regulator.setting


def _near_middle(regulator: Regulator, setting: float) -> bool:
    """Whether a setting is near the middle of the travel, or nearer than the present one."""
    away = abs(setting - regulator.middle)
    travel = regulator.high - regulator.low
    return away <= INNER_SHARE * travel / 2 or away <= abs(regulator.setting - regulator.middle)


def _beyond(learnt: Learnt, regulator: Regulator, move: float) -> list[Remark]:
    """What to say where the regulator does not reach, or comes near its end."""
    setting = regulator.setting + move
    left = learnt.expected_rate_s_per_day(0.0, move).nominal_value
    wanted = regulator.setting + learnt.move_to_s_per_day().nominal_value
    grams = learnt.grams_to_s_per_day(0.0, regulator.middle - regulator.setting).nominal_value
    instead = (
        f"Weights of {abs(grams):.2g} g in all {'more' if grams > 0 else 'less'} would bring it back to "
        "the middle."
    )
    if not regulator.low <= wanted <= regulator.high:
        verb = "gaining" if left > 0 else "losing"
        return [
            Remark(
                "regulator-out-of-reach",
                f"The regulator does not reach: at its end the clock is still {verb} {abs(left):.0f} s a day. "
                f"{instead}",
            )
        ]
    if not _near_middle(regulator, setting):
        return [Remark("regulator-near-end", f"That is near the end of the regulator's travel. {instead}")]
    return []


def _left_alone(rate: UFloat, tolerance: float, within: bool) -> Remark:
    half = 1.96 * rate.std_dev
    if within and half <= tolerance:
        return Remark("left-alone", f"Within {tolerance:g} s a day: leave it alone.")
    if within:
        return Remark(
            "rate-not-known-enough",
            f"Its rate is within {tolerance:g} s a day but known only to {half:.1f} either way: listen "
            "longer before changing anything.",
        )
    return Remark(
        "rate-not-told-from-right",
        f"Its rate cannot be told from right (known to {half:.1f} s a day either way): listen longer "
        "before changing anything.",
    )


def _arcs(
    present: Present, now: UFloat, after: UFloat, roller_radius_mm: float | None
) -> tuple[UFloat, KnockGuard | None, KnockGuard | None]:
    """Arc after the change, and the guards before and after.

    The drive gives the same energy every swing, air drag takes (pi/2) c omega A^2, so the arc grows with the
    root of the period; where rubbing is dry it stays. A change of some minutes a day is about a degree.
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
