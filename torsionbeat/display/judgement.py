"""The judgement of a clock as sentences and as JSON. Only this module makes them."""

from __future__ import annotations

from typing import Any

from torsionbeat.bench.warm_nights import WORTH_SAYING_K
from torsionbeat.display.words import (
    amount,
    decimals,
    figure_words,
    plus_minus,
    rate_between,
    rate_words,
)
from torsionbeat.jobs.advise import Judgement
from torsionbeat.jobs.keep_adjustment import Kept
from torsionbeat.learning.priors import WANDER_GRID
from torsionbeat.reading.document import figure_document
from torsionbeat.regulation.beatsetting import BeatAdvice
from torsionbeat.regulation.correction import LOCK
from torsionbeat.regulation.decision import DOUBTED_READING, SURE
from torsionbeat.regulation.order import Task
from torsionbeat.regulation.stock import WeightChange
from torsionbeat.regulation.temperature import NOT_ENOUGH
from torsionbeat.regulation.waiting import duration_words
from torsionbeat.sound.remarks import remark_codes

__all__ = ["judgement_document", "judgement_sentences", "kept_sentence", "task_words"]


WIDER = 1.3
"""The long-run interval is given beside one night's where it is wider by this factor."""

SAME_CHANCE = 0.005
"""A chance that moved by less is taken as unchanged by the trials."""

SAME_ARC_DEG = 0.5
"""An arc that changes by less is called the same: nobody counts half a degree."""

MAY_BE_WITHIN = 0.2
"""Least chance at which the advice says that a clock may be within its tolerance already: one in five."""

RATE_KINDS = ("change-weights", "move-regulator", "trial-step")
"""Tasks that touch the rate."""


def judgement_sentences(judgement: Judgement) -> list[str]:
    """Say the judgement: how the clock goes now, what to do first, second and not yet, and when to look again."""
    advice = judgement.correction
    said = _state(judgement)
    steps = [(task, words) for task in judgement.tasks if (words := task_words(judgement, task))]
    if LOCK in advice.cautions and any(task.place != "not yet" for task, _ in steps):
        said.append(LOCK)
    said += [words if len(steps) == 1 else f"{label}: {words}" for label, words in _labelled(steps)]
    if not advice.changes_nothing:
        said.append(f"Then expect of the next night: it {rate_between(*advice.expected_interval_s_per_day)}.")
        said += _rests_on(judgement)
    if advice.beat is not None and not advice.beat.needed:
        said.append(advice.beat.sentence)
    said += _arc_words(judgement)
    said += _again(judgement)
    said += judgement.remarks
    if judgement.room is not None:
        said += [judgement.room.sentence, *judgement.room.remarks]
    return [*said, *(one for one in advice.cautions if one not in said)]


def _labelled(steps: list[tuple[Task, str]]) -> list[tuple[str, str]]:
    """Each step with its place in the order; two changes of the rate in one place are made together."""
    said, last = [], ""
    for task, words in steps:
        again = "With it" if task.kind in RATE_KINDS else "Then"
        said.append((again if task.place == last else task.place.capitalize(), words))
        last = task.place
    return said


def _state(judgement: Judgement) -> list[str]:
    """How the clock goes now: the last night, all nights together, and how far nights differ."""
    last, count = judgement.heard[-1], len(judgement.heard)
    by = " by the minute hand" if last.source == "hand check" else ""
    said = [f"The clock {rate_words(last.rate_s_per_day)}{by}."]
    middle, low, high = judgement.learnt.wander_s_per_day
    if count > 1:
        warmth = judgement.learnt.warmth
        at, besides = "", ""
        if warmth is not None and warmth.spread_k >= WORTH_SAYING_K:
            at, besides = f" and at {warmth.reference_c:.1f} C", " besides what the temperature does"
        differs = (
            f"about {middle:.1g} s a day (standard deviation, between {low:.1g} and {high:.2g})"
            if middle > WANDER_GRID[0]
            else f"{high:.2g} s a day at most (standard deviation)"
        )
        said.append(
            f"On the long run, by all {_counted(judgement)} together{at}, it "
            f"{rate_words(judgement.rate_s_per_day)}; from night to night it differs{besides} by {differs}."
        )
    elif judgement.rate_s_per_day.std_dev > WIDER * last.rate_s_per_day.std_dev:
        said.append(
            f"One night does not say how far nights differ; as such clocks go, on the long run it "
            f"{rate_words(judgement.rate_s_per_day)}."
        )
    return said


def _counted(judgement: Judgement) -> str:
    """How many readings and hand checks were used."""
    checks = sum(one.source == "hand check" for one in judgement.heard)
    readings = len(judgement.heard) - checks
    parts = [amount(readings, "reading")] if readings else []
    parts += [amount(checks, "hand check")] if checks else []
    return " and ".join(parts)


def task_words(judgement: Judgement, task: Task) -> str:
    """Say one task: in the task's own words, or from the adjustment; empty where there is nothing to say."""
    advice, regulator = judgement.correction, judgement.regulator
    words = task.sentence
    if task.kind == "change-weights":
        words = _weight_words(judgement)
    elif task.kind in ("move-regulator", "trial-step") and regulator is not None:
        way = "up" if advice.regulator_move > 0 else "down"
        words = f"Move the regulator {way} by {abs(advice.regulator_move):.3g} {regulator.unit}"
        travel = f"(its travel: {regulator.low:g} to {regulator.high:g})"
        if advice.regulator_setting is None:
            words += (
                f" from where it stands {travel}. Nobody has said where that is: see first whether there is room, and put "
                "its setting on record."
            )
        else:
            words += f", from {regulator.setting:.3g} to {advice.regulator_setting:.3g} {travel}."
        if task.kind == "trial-step":
            words += (
                " This is a trial step: what a unit of it does is not yet known, nor surely which way. Change nothing "
                "else, and read the clock again; then the next move can be worked out."
            )
    elif task.kind in ("leave-alone", "listen-again", "nothing-helps"):
        words = _left_alone(judgement)
    if task.place == "not yet" and task.kind in RATE_KINDS:
        words += " Wait with this: what comes first may change the rate, so read again before it."
    return words


def _left_alone(judgement: Judgement) -> str:
    advice, tolerance = judgement.correction, judgement.tolerance_s_per_day
    chance = f"{advice.chance_within:.0%}"
    if advice.kind == "leave":
        return f"Within {tolerance:g} s a day on the long run, {chance} sure: leave it alone."
    if advice.kind == "nothing-helps":
        return (
            "Leave weights and regulator as they are: no weight at hand and no step of the regulator brings it nearer "
            f"than it is (within {tolerance:g} s a day: {chance})."
        )
    if judgement.learnt.last_does_not_fit >= DOUBTED_READING:
        return (
            "Change nothing yet: the last reading does not fit what was heard and noted before it. Listen for another night, "
            "which tells whether that reading or a note is wrong, and look at the notes in its log: grams of "
            "all sides together, and when it was done."
        )
    if advice.chance_within >= SURE:
        return (
            f"Change nothing: it is most likely within {tolerance:g} s a day ({chance}), but its nights hardly say yet how "
            "far they differ. Listen for another night before you call it done."
        )
    wait = (
        f"Change nothing yet: it may be within {tolerance:g} s a day already ({chance} likely), and a change would be no "
        "surer than that."
        if advice.chance_within >= MAY_BE_WITHIN
        else f"Change nothing yet: which way it is off, and how far, is not known well enough for a change to help (within "
        f"{tolerance:g} s a day already: {chance})."
    )
    if advice.listening.basis == "timebase":
        return f"{wait} Another night would not settle it either: what limits it is the recorder, see below."
    if advice.nights is None:
        nights = f"Its nights differ too much for {tolerance:g} s a day to be known at all: look for what disturbs it."
    else:
        nights = f"About {advice.nights} night{'s' if advice.nights > 1 else ''} more would settle it."
    return f"{wait} Listen for another night before changing anything: it is worth more than another weight. {nights}"


def _arc_words(judgement: Judgement) -> list[str]:
    advice, present = judgement.correction, judgement.present
    if advice.arc_after_deg is None or advice.changes_nothing:
        return []
    arc, then = present.arc_deg.nominal_value, advice.arc_after_deg.nominal_value
    if abs(then - arc) < SAME_ARC_DEG:
        line = f"Such a change leaves the arc (amplitude end to end) at {then:.0f} deg"
    else:
        line = f"The arc (amplitude end to end) goes from {arc:.0f} to {then:.0f} deg"
    guard = advice.knock_after
    if guard is not None and guard.margin_deg is not None:
        line += (
            f"; each turn then ends {figure_words(guard.margin_deg, 'deg')}, short of the knock: half of what lies "
            f"between that arc and the {present.clock.knock_arc_deg:.0f} deg at which it knocks"
            + (", less the offset" if present.offset_deg is not None else "")
        )
        if guard.clearance_mm is not None:
            line += f" ({guard.clearance_mm.nominal_value:.2f} mm at the roller)"
    return [line + "."]


def _again(judgement: Judgement) -> list[str]:
    """When to look again."""
    advice = judgement.correction
    said = []
    if not advice.changes_nothing:
        said.append(
            "Let it settle overnight (its Q is not known: torsionbeat freeswing finds it)."
            if advice.settle_s is None
            else f"Let it settle for {duration_words(advice.settle_s)} before you believe a reading."
        )
    if advice.kind == "leave":
        said.append(
            "Look again in a week, by the minute hand (torsionbeat handcheck), and when the season changes."
        )
    else:
        said.append(advice.listening.sentence)
    return said


def kept_sentence(kept: Kept) -> str:
    """Say what was kept in the log."""
    closed = f"; {kept.trials} earlier adjustment(s) with what followed." if kept.trials else "."
    return f"Kept for {kept.clock}: {'; '.join(kept.works) or 'no change'}{closed}"


def judgement_document(judgement: Judgement) -> dict[str, Any]:
    """Give the judgement in JSON types."""
    advice, response = judgement.correction, judgement.learnt.response
    margins = [
        None if guard is None else figure_document(guard.margin_deg)
        for guard in (advice.knock_now, advice.knock_after)
    ]
    wander = judgement.learnt.wander_s_per_day
    document: dict[str, Any] = {
        "rate_s_per_day": figure_document(judgement.rate_s_per_day),
        "last_rate_s_per_day": figure_document(judgement.heard[-1].rate_s_per_day),
        "night_to_night_s_per_day": dict(zip(("median", "low", "high"), wander, strict=True)),
        "action": advice.kind,
        "chance_within": advice.chance_within,
        "nights_more": advice.nights,
        "weights": None if advice.weights is None else _weights_document(advice.weights),
        "exact_grams_a_side": figure_document(advice.grams_a_side),
        "regulator_move": advice.regulator_move,
        "regulator_setting": advice.regulator_setting,
        "expected_rate_s_per_day": figure_document(advice.expected_rate_s_per_day),
        "expected_interval_s_per_day": dict(
            zip(("median", "low", "high"), advice.expected_interval_s_per_day, strict=True)
        ),
        "arc_deg": figure_document(judgement.present.arc_deg),
        "arc_after_deg": figure_document(advice.arc_after_deg),
        "knock_margin_deg": margins[0],
        "knock_margin_after_deg": margins[1],
        "beat": None if advice.beat is None else _beat_document(advice.beat),
        "settle_s": advice.settle_s,
        "listen_s": advice.listening.duration_s,
        "listen_basis": advice.listening.basis,
        "s_per_day_per_gram": figure_document(response.s_per_day_per_gram),
        "s_per_day_per_unit": figure_document(response.s_per_day_per_unit),
        "rests_on": judgement.rests_on,
        "readings": judgement.learnt.trials,
        "tasks": [
            {"place": task.place, "kind": task.kind, "sentence": task.sentence, "brings": task.brings}
            for task in judgement.tasks
        ],
        "remarks": list(judgement.remarks),
        "remark_codes": remark_codes(judgement.remarks),
        "cautions": list(advice.cautions),
    }
    if judgement.room is not None:
        document["temperature"] = {
            "s_per_day_per_k": figure_document(judgement.room.s_per_day_per_k) or NOT_ENOUGH,
            "s_per_day_per_hpa": figure_document(judgement.room.s_per_day_per_hpa),
            "low_c": judgement.room.low_c,
            "high_c": judgement.room.high_c,
            "remarks": list(judgement.room.remarks),
        }
    return document


def _weights_document(weights: WeightChange) -> dict[str, Any]:
    return {
        "a_side_g": weights.a_side_g,
        "total_g": weights.total_g,
        "sides": weights.sides,
        "pieces_a_side": [
            {"mass_g": piece.mass_g, "thickness_mm": piece.thickness_mm, "count": count}
            for piece, count in weights.pieces
        ],
        "disc_thickness_mm": weights.thickness_mm,
    }


def _beat_document(beat: BeatAdvice) -> dict[str, Any]:
    return {
        "offset_deg": figure_document(beat.offset_deg),
        "turn_deg": figure_document(beat.turn_deg),
        "fork_towards": beat.fork_towards,
        "suspension_towards": beat.suspension_towards,
        "needed": beat.needed,
    }


def _weight_words(judgement: Judgement) -> str:
    advice = judgement.correction
    weights = advice.weights
    assert weights is not None
    do = "Put" if weights.total_g > 0 else "Take"
    off = "on" if weights.total_g > 0 else "off"
    said = (
        f"{do} {abs(weights.a_side_g):.4g} g {off} each of the {weights.sides} sides "
        f"({abs(weights.total_g):.4g} g in all, equal so that it stays in poise)"
    )
    if weights.pieces:
        said += ": " + ", ".join(
            f"{count} of "
            + (
                f"{piece.thickness_mm:g} mm ({piece.mass_g:.3g} g)"
                if piece.thickness_mm
                else f"{piece.mass_g:g} g"
            )
            for piece, count in weights.pieces
        )
    elif weights.thickness_mm is not None:
        said += f", a disc {weights.thickness_mm:.2f} mm thick"
    if advice.grams_interval_a_side is not None:
        _, *ends = advice.grams_interval_a_side
        low, high = sorted(abs(end) for end in ends)
        if ends[0] * ends[1] < 0:
            low = 0.0
        digits = decimals((high - low) / 2)
        said += f". Exactly right may be anything from {low:.{digits}f} to {high:.{digits}f} g a side"
    return said + "."


def _rests_on(judgement: Judgement) -> list[str]:
    """Say which response of the clock the advice assumes, for the parts it changes."""
    advice, learnt, source = judgement.correction, judgement.learnt, judgement.rests_on
    readings = f"{learnt.trials} readings of this clock"
    said = []
    if advice.weights is not None:
        middle, low, high = learnt.loss_interval_s_per_day_per_gram
        digits = decimals((high - low) / 2)
        rests = f"{source}, and {readings}" if learnt.trials > 1 else f"from {source}"
        said.append(
            f"This supposes that a gram more (all sides together) loses {middle:.{digits}f} s a day, between "
            f"{low:.{digits}f} and {high:.{digits}f}: {rests}."
        )
    if advice.regulator_move and advice.kind != "trial-step":
        gains = "This supposes that a unit of the regulator gains"
        right = 1 - learnt.prior.unit_chance_wrong
        untried = abs(learnt.effect_chances().get("guess", 0.0) - right) < SAME_CHANCE
        if learnt.prior.per_unit is not None and untried:
            given = plus_minus(learnt.prior.s_per_day_per_unit)
            said.append(
                f"{gains} {given} s a day, as was given of it, taken to be right {10 * right:.0f} times in 10."
            )
        else:
            unit = plus_minus(learnt.response.s_per_day_per_unit)
            said.append(f"{gains} {unit} s a day: what was given of it, and {readings}.")
    return said
