"""What ``torsionbeat correct`` starts from: what was typed, weights at hand, the trials in the log."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.benchlog import BenchLog, ReadingRecord, WorkRecord
    from torsionbeat.regulation.correction import Correction
    from torsionbeat.regulation.response import Regulator
    from torsionbeat.regulation.stock import Disc, Stock
    from torsionbeat.regulation.trials import Trial

WEIGHT = re.compile(r"(?P<size>\d+(?:\.\d+)?) ?(?P<unit>g|mm)?(?: ?x ?(?P<count>\d+))?")
RATE = re.compile(r"(?P<value>[+-]?\d+(?:\.\d+)?) ?(?P<unit>s|min)?(?:/day)?")

UNKNOWN_STEP_G = 50.0
"""Standard uncertainty of a change of weights that was kept without its grams."""

UNKNOWN_STEP_S_PER_DAY = 3600.0
"""The same for a move of the regulator."""

PPM_S_PER_DAY = 0.0864

OTHER_WORK_S_PER_DAY = 5.0
"""What cleaning, beat or level may change the rate by besides (common practice, no source)."""

LARGEST_JSON_BYTES = 500_000_000


def rate_of(text: str) -> float:
    """Read a rate such as ``+720``, ``-3.5 s`` or ``+12min``, in seconds per day.

    Examples
    --------
    >>> rate_of("+12min"), rate_of("-3.5")
    (720.0, -3.5)
    """
    match = RATE.fullmatch(text.strip())
    if match is None:
        raise InputError(f"the rate {text!r} cannot be read; write seconds a day, + gains: +720, or +12min")
    return float(match["value"]) * (60 if match["unit"] == "min" else 1)


def earlier_of(text: str | None) -> tuple[float, float] | None:
    """Read a change of weights remembered: ``3:-900`` or ``3:-15min``, grams a side and change of rate."""
    if text is None:
        return None
    grams, _, rate = text.partition(":")
    try:
        return float(grams), rate_of(rate)
    except (ValueError, InputError) as error:
        raise InputError(
            f"the earlier change {text!r} cannot be read; write grams a side and what the rate changed "
            "by, as 3:-15min"
        ) from error


def stock_of(
    weights: str | None,
    *,
    sides: int,
    tolerance_percent: float,
    scale_g: float | None,
    disc: Disc | None,
) -> Stock:
    """Read sizes such as ``0.5,1,1.5`` (g), ``0.2mm,0.5mm`` (discs) or ``1x4`` (four of 1 g)."""
    from torsionbeat.regulation.stock import Piece, Stock

    pieces = []
    for text in [] if weights is None else weights.split(","):
        match = WEIGHT.fullmatch(text.strip())
        if match is None:
            raise InputError(
                f"the weight {text.strip()!r} cannot be read; write grams (0.5), thickness (0.3mm) or "
                "number (0.5x4)"
            )
        size, count = float(match["size"]), None if match["count"] is None else int(match["count"])
        if match["unit"] == "mm":
            if disc is None:
                raise InputError(
                    f"a weight of {size:g} mm needs the disc's measures; give --disc-diameter, and "
                    "--disc-bore and --metal if they are not 0 and brass"
                )
            pieces.append(Piece(disc.mass_g(size), size, count))
        else:
            pieces.append(Piece(size, None, count))
    return Stock(tuple(pieces), sides, tolerance_percent, scale_g, disc)


def document_of(path: Path) -> dict[str, Any]:
    """Read a reading's JSON from a file, or from standard input (``-``)."""
    try:
        if str(path) == "-":
            document = json.load(sys.stdin)
        else:
            if path.stat().st_size > LARGEST_JSON_BYTES:
                raise InputError(f"{path} has {path.stat().st_size} bytes; a reading has less than 500 MB")
            document = json.loads(path.read_text(encoding="utf-8"))
    except InputError:
        raise
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} cannot be read as a reading ({error}); give what analyse --json wrote"
        ) from error
    if not isinstance(document, dict):
        raise InputError(f"{path} is no reading; give what torsionbeat analyse --json wrote")
    return document


@dataclass(slots=True)
class Trials:
    """A clock's trials out of its log: ``rows`` in order of time, the ``readings`` they come from, and
    ``pending``, the works done since the last of them.
    """

    rows: list[Trial]
    readings: list[ReadingRecord]
    pending: list[WorkRecord]
    mass_g: float = 0.0
    setting: float | None = None
    spring: int = 0

    def add(self, works: Sequence[WorkRecord], rate: Any, timebase: str, crystal: float, label: str) -> None:
        """Add what was done and the rate that was read after it."""
        from torsionbeat.regulation.trials import Trial

        step = _step(works, self.setting)
        self.mass_g += step.added_g
        self.setting, self.spring = step.setting, self.spring + step.springs
        self.rows.append(
            Trial(
                rate,
                self.mass_g,
                self.setting or 0.0,
                self.spring,
                mass_doubt_g=step.mass_doubt_g,
                setting_doubt=step.setting_doubt,
                handling_s_per_day=step.handling_s_per_day,
                timebase=timebase if crystal else "",
                timebase_s_per_day=min(crystal, rate.std_dev),
                label=label,
            )
        )


def trials_of(log: BenchLog, clock: str) -> Trials:
    """Turn a clock's works and readings into trials; readings without a rate are passed over."""
    readings = [one for one in log.readings(clock, documents=False) if one.rate_s_per_day is not None]
    pending = log.works(clock)
    found = Trials([], readings, pending)
    for reading in readings:
        since = [work for work in pending if work.done_at <= reading.taken_at]
        pending = pending[len(since) :]
        crystal = (reading.u_timebase_offset_ppm or 0.0) * PPM_S_PER_DAY
        label = f"the reading of {reading.taken_at.astimezone():%Y-%m-%d %H:%M}"
        found.add(since, reading.figure("rate_s_per_day"), reading.timebase_source, crystal, label)
    found.pending = pending
    return found


@dataclass(slots=True)
class Step:
    """What was done between two readings, summed up."""

    setting: float | None
    added_g: float = 0.0
    mass_doubt_g: float = 0.0
    setting_doubt: float = 0.0
    springs: int = 0
    handling_s_per_day: float = 0.2


def _step(works: Sequence[WorkRecord], setting: float | None) -> Step:
    step = Step(setting)
    for work in works:
        details = {key: float(value) for key, value in work.details.items() if isinstance(value, int | float)}
        if work.kind == "spring":
            step.springs += 1
        elif work.kind == "weights":
            added = details.get("added_g", 0.0)
            doubt = details.get("doubt_g", 0.02 * abs(added) if "added_g" in details else UNKNOWN_STEP_G)
            step.added_g += added
            step.mass_doubt_g = (step.mass_doubt_g**2 + doubt**2) ** 0.5
        elif work.kind == "regulator":
            _move(step, details)
        else:
            step.handling_s_per_day = max(step.handling_s_per_day, OTHER_WORK_S_PER_DAY)
    return step


def _move(step: Step, details: dict[str, float]) -> None:
    step.setting_doubt = details.get("doubt", 0.02)
    if "moved" in details:
        step.setting = details.get("setting", (step.setting or 0.0) + details["moved"])
    elif "setting" in details and step.setting is not None:
        step.setting = details["setting"]
    else:  # from where to where is not known: nothing can be learnt from it
        step.setting = details.get("setting", step.setting)
        step.handling_s_per_day = UNKNOWN_STEP_S_PER_DAY


def keep_advice(log: BenchLog, clock: str, advice: Correction, regulator: Regulator | None) -> list[str]:
    """Keep the recommended adjustment as work done, and set the record; gives what was kept in words."""
    expected = advice.expected_rate_s_per_day
    promise = {
        "expected_rate_s_per_day": expected.nominal_value,
        "u_expected_rate_s_per_day": expected.std_dev,
    }
    said = []
    record = log.clock(clock)
    change: dict[str, float] = {}
    if advice.weights is not None:
        total = advice.weights.total_g
        what = (
            f"{total:+.3g} g in all, {advice.weights.a_side_g:+.3g} g on each of {advice.weights.sides} sides"
        )
        log.add_work(clock, "weights", what, {"added_g": total, "doubt_g": advice.weights.doubt_g} | promise)
        if record.weight_total_g is not None:
            change["weight_total_g"] = max(record.weight_total_g + total, 0.0)
        said.append(f"weights {what}")
    if advice.regulator_move and regulator is not None and advice.regulator_setting is not None:
        what = f"moved by {advice.regulator_move:+.3g} to {advice.regulator_setting:.3g} {regulator.unit}"
        log.add_work(
            clock,
            "regulator",
            what,
            {"moved": advice.regulator_move, "setting": advice.regulator_setting, "doubt": regulator.doubt}
            | promise,
        )
        change["regulator_setting"] = advice.regulator_setting
        said.append(f"regulator {what}")
    if change:
        log.change_clock(clock, **change)
    return said


def close_trials(log: BenchLog, clock: str, readings: Sequence[ReadingRecord]) -> int:
    """Keep a trial for each recommended adjustment that a reading has followed; gives how many were new."""
    from uncertainties import ufloat

    known = {trial.work_id for trial in log.trials(clock)}
    count = 0
    for work in log.works(clock):
        promised = work.details.get("expected_rate_s_per_day")
        after = [one for one in readings if one.taken_at >= work.done_at]
        before = [one for one in readings if one.taken_at < work.done_at]
        if promised is None or work.id in known or not after:
            continue
        log.add_trial(
            clock,
            work.id,
            after[0].id,
            reading_before_id=before[-1].id if before else None,
            expected_rate_s_per_day=ufloat(
                promised, max(work.details.get("u_expected_rate_s_per_day", 0.0), 1e-9)
            ),
        )
        count += 1
    return count


def moment_s(text: str | None) -> float | None:
    """Give a moment as seconds since 1970."""
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text.strip()).astimezone().timestamp()
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(f"--began is {text!r}; write it as 2026-03-01 20:00") from error
