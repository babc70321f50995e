"""The judgement of a clock as sentences and as JSON: the one place in which both are made."""

from __future__ import annotations

from typing import Any

from torsionbeat.display.words import decimals, figure_words, plus_minus, rate_words
from torsionbeat.jobs.advise import Judgement
from torsionbeat.jobs.keep_adjustment import Kept
from torsionbeat.regulation.correction import LOCK
from torsionbeat.regulation.temperature import NOT_ENOUGH
from torsionbeat.regulation.waiting import duration_words

__all__ = ["judgement_document", "judgement_sentences", "kept_sentence"]


def judgement_sentences(judgement: Judgement) -> list[str]:
    """Say the judgement, what to do first."""
    advice, present = judgement.correction, judgement.present
    steps = []
    if advice.beat is not None and advice.beat.needed:
        steps.append(advice.beat.sentence)
    if advice.weights is not None:
        steps.append(_weight_words(judgement))
    if advice.regulator_move and judgement.regulator is not None:
        regulator = judgement.regulator
        way = "up" if advice.regulator_move > 0 else "down"
        steps.append(
            f"Move the regulator {way} by {abs(advice.regulator_move):.3g} {regulator.unit}, from "
            f"{regulator.setting:.3g} to {advice.regulator_setting:.3g} (its travel: {regulator.low:g} to "
            f"{regulator.high:g})."
        )
    said = [f"The clock {rate_words(judgement.rate_s_per_day)}."]
    if steps and LOCK in advice.cautions:
        said.append(LOCK)
    said += [step if len(steps) == 1 else f"{number}. {step}" for number, step in enumerate(steps, start=1)]
    if not advice.changes_nothing:
        said.append(f"Then expect: it {rate_words(advice.expected_rate_s_per_day)}.")
        said.append(_rests_on(judgement))
    if advice.beat is not None and not advice.beat.needed:
        said.append(advice.beat.sentence)
    if advice.arc_after_deg is not None and not advice.changes_nothing:
        arc, then = present.arc_deg.nominal_value, advice.arc_after_deg.nominal_value
        stays = "stays" if abs(then - arc) < 0.5 else f"goes from {arc:.0f}"
        line = f"The arc (amplitude end to end) {stays} {'at' if stays == 'stays' else 'to'} {then:.0f} deg"
        guard = advice.knock_after
        if guard is not None and guard.margin_deg is not None:
            line += f"; before the knock stay {figure_words(guard.margin_deg, 'deg')}"
            if guard.clearance_mm is not None:
                line += f" ({guard.clearance_mm.nominal_value:.2f} mm at the roller)"
        said.append(line + ".")
    if not advice.changes_nothing:
        said.append(
            "Let it settle overnight (its Q is not known: torsionbeat freeswing finds it)."
            if advice.settle_s is None
            else f"Let it settle for {duration_words(advice.settle_s)} before you believe a reading."
        )
    said.append(advice.listening.sentence)
    said += judgement.remarks
    if judgement.room is not None:
        said += [judgement.room.sentence, *judgement.room.remarks]
    return [*said, *(one for one in advice.cautions if one not in said)]


def kept_sentence(kept: Kept) -> str:
    """Say what was kept in the log."""
    closed = f"; {kept.trials} earlier adjustment(s) with what followed." if kept.trials else "."
    return f"Kept for {kept.clock}: {'; '.join(kept.works) or 'no change'}{closed}"


def judgement_document(judgement: Judgement) -> dict[str, Any]:
    """Give the judgement as JSON's own kinds."""
    advice, response = judgement.correction, judgement.learnt.response
    weights = advice.weights
    margins = [
        None if guard is None else _figure(guard.margin_deg)
        for guard in (advice.knock_now, advice.knock_after)
    ]
    document: dict[str, Any] = {
        "rate_s_per_day": _figure(judgement.rate_s_per_day),
        "weights": None
        if weights is None
        else {
            "a_side_g": weights.a_side_g,
            "total_g": weights.total_g,
            "sides": weights.sides,
            "pieces_a_side": [
                {"mass_g": piece.mass_g, "thickness_mm": piece.thickness_mm, "count": count}
                for piece, count in weights.pieces
            ],
            "disc_thickness_mm": weights.thickness_mm,
        },
        "exact_grams_a_side": _figure(advice.grams_a_side),
        "regulator_move": advice.regulator_move,
        "regulator_setting": advice.regulator_setting,
        "expected_rate_s_per_day": _figure(advice.expected_rate_s_per_day),
        "arc_deg": _figure(judgement.present.arc_deg),
        "arc_after_deg": _figure(advice.arc_after_deg),
        "knock_margin_deg": margins[0],
        "knock_margin_after_deg": margins[1],
        "beat": None
        if advice.beat is None
        else {
            "offset_deg": _figure(advice.beat.offset_deg),
            "turn_deg": _figure(advice.beat.turn_deg),
            "fork_towards": advice.beat.fork_towards,
            "suspension_towards": advice.beat.suspension_towards,
            "needed": advice.beat.needed,
        },
        "settle_s": advice.settle_s,
        "listen_s": advice.listening.duration_s,
        "listen_basis": advice.listening.basis,
        "s_per_day_per_gram": _figure(response.s_per_day_per_gram),
        "s_per_day_per_unit": _figure(response.s_per_day_per_unit),
        "rests_on": judgement.rests_on,
        "readings": judgement.learnt.trials,
        "tasks": [
            {"place": task.place, "kind": task.kind, "sentence": task.sentence, "brings": task.brings}
            for task in judgement.tasks
        ],
        "remarks": list(judgement.remarks),
        "cautions": list(advice.cautions),
    }
    if judgement.room is not None:
        document["temperature"] = {
            "s_per_day_per_k": _figure(judgement.room.s_per_day_per_k) or NOT_ENOUGH,
            "s_per_day_per_hpa": _figure(judgement.room.s_per_day_per_hpa),
            "low_c": judgement.room.low_c,
            "high_c": judgement.room.high_c,
            "remarks": list(judgement.room.remarks),
        }
    return document


def _figure(value: Any) -> dict[str, float] | None:
    return None if value is None else {"value": value.nominal_value, "standard_uncertainty": value.std_dev}


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
    exact = advice.grams_a_side
    if exact is not None:
        half = 1.96 * exact.std_dev
        low, high = sorted((abs(exact.nominal_value) - half, abs(exact.nominal_value) + half))
        digits = decimals(half)
        said += f". Exactly right may be anything from {max(low, 0):.{digits}f} to {high:.{digits}f} g a side"
    return said + "."


def _rests_on(judgement: Judgement) -> str:
    """Say what answer of the clock the advice supposes, for what it changes."""
    advice, learnt, source = judgement.correction, judgement.learnt, judgement.rests_on
    response, readings = learnt.response, f"{learnt.trials} readings of this clock"
    said = []
    if advice.weights is not None:
        gram = plus_minus(-response.s_per_day_per_gram)
        rests = f"{source}, and {readings}" if learnt.trials > 1 else f"from {source}"
        said.append(f"This supposes that a gram more (all sides together) loses {gram} s a day: {rests}.")
    if advice.regulator_move:
        unit = plus_minus(response.s_per_day_per_unit)
        rests = f"what was given of it, and {readings}" if learnt.trials > 1 else "from what was given of it"
        said.append(f"This supposes that a unit of the regulator gains {unit} s a day: {rests}.")
    return " ".join(said)
