"""Keep an adjustment: the advised work is logged as done, with its promise, and past promises are closed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from uncertainties import ufloat

from torsionbeat.benchlog import BenchLog, open_log
from torsionbeat.errors import InputError
from torsionbeat.jobs.advise import Judgement

__all__ = ["Kept", "close_trials", "keep_adjustment"]

LEAST_UNCERTAINTY_S_PER_DAY = 1e-9
"""Uncertainty of a promise noted without one: practically exact, because the log does not accept zero."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The kept works: the clock, each work in words, and the number of earlier promises closed by a reading."""

    clock: str
    works: tuple[str, ...]
    trials: int


def keep_adjustment(judgement: Judgement, log: str | None, *, done_at: datetime | None = None) -> Kept:
    """Keep the adjustment of a judgement as done.

    Parameters
    ----------
    judgement : Judgement
        Judgement of a clock in the bench log.
    log : str or None
        The bench log; None: the default log.
    done_at : datetime, optional
        When it was done. Default: now.

    Raises
    ------
    InputError
        The judgement is not of a clock in the log, or the work would be earlier than the reading it is based on.
    BenchLogError
        The log did not accept it.
    """
    clock = judgement.clock
    if clock is None:
        raise InputError("this judgement is of no clock of the bench log; name the clock to keep it for")
    last = judgement.heard[-1]
    if done_at is not None and last.source != "given" and done_at.timestamp() < last.from_s:
        raise InputError(
            f"the adjustment cannot have been done before {last.label}, on which it rests; check --when"
        )
    with open_log(log, must_exist=True) as opened:
        trials = close_trials(opened, clock)
        works = _keep(opened, clock, judgement, done_at)
    return Kept(clock, tuple(works), trials)


def _keep(log: BenchLog, clock: str, judgement: Judgement, done_at: datetime | None) -> list[str]:
    advice, regulator = judgement.correction, judgement.regulator
    expected = advice.expected_rate_s_per_day
    promise = {
        "expected_rate_s_per_day": expected.nominal_value,
        "u_expected_rate_s_per_day": expected.std_dev,
    }
    said = []
    if advice.weights is not None:
        total = advice.weights.total_g
        what = (
            f"{total:+.3g} g in all, {advice.weights.a_side_g:+.3g} g on each of {advice.weights.sides} sides"
        )
        details = {"added_g": total, "doubt_g": advice.weights.doubt_g} | promise
        log.add_work(clock, "weights", what, details, done_at=done_at)
        said.append(f"weights {what}")
    if advice.regulator_move and regulator is not None:
        what = f"moved by {advice.regulator_move:+.3g}"
        details = {"moved": advice.regulator_move, "doubt": regulator.doubt} | promise
        if advice.regulator_setting is None:
            what += f" {regulator.unit}"
        else:
            what += f", to {advice.regulator_setting:.3g} {regulator.unit}"
            details["setting"] = advice.regulator_setting
        log.add_work(clock, "regulator", what, details, done_at=done_at)
        said.append(f"regulator {what}")
    return said


def close_trials(log: BenchLog, clock: str) -> int:
    """Keep a trial for each advised adjustment with a later reading; return the number of new trials."""
    readings = [one for one in log.readings(clock, documents=False) if one.rate_s_per_day is not None]
    known = {trial.work_id for trial in log.trials(clock)}
    count = 0
    for work in log.works(clock):
        promised = work.details.get("expected_rate_s_per_day")
        after = [one for one in readings if one.taken_at >= work.done_at]
        before = [one for one in readings if one.taken_at < work.done_at]
        if promised is None or work.id in known or not after:
            continue
        u_promised = max(work.details.get("u_expected_rate_s_per_day", 0.0), LEAST_UNCERTAINTY_S_PER_DAY)
        log.add_trial(
            clock,
            work.id,
            after[0].id,
            reading_before_id=before[-1].id if before else None,
            expected_rate_s_per_day=ufloat(promised, u_promised),
        )
        count += 1
    return count
