"""The order of work: running and safe, in beat, arc healthy and steady, and only then the rate.

Input: the present clock and the adjustment of its rate. Output: a sequence of `Task`; an earlier task holds back the later ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from torsionbeat.reading.arc_course import settling_of, turn_of
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.correction import Correction
from torsionbeat.regulation.present import Present
from torsionbeat.theory.robust import COVERAGE

__all__ = ["Place", "Task", "TaskKind", "tasks"]

Place = Literal["first", "second", "not yet"]

TaskKind = Literal[
    "hear-better",
    "find-drive",
    "stop-knock",
    "set-beat",
    "raise-arc",
    "lower-arc",
    "let-settle",
    "change-weights",
    "move-regulator",
    "trial-step",
    "listen-again",
    "leave-alone",
    "nothing-helps",
]

LEAST_HEARD = 0.5
"""Least share of beats heard for an adjustment: below it more beats are missed than heard."""

NIGHTS_THAT_TELL = 3  # two may differ by the room alone
NIGHTS_MOVE_SHARE = 0.05
"""Nights whose arcs all move one way, and the share of the arc by which they do so together, from which the arc is not
steady: a healthy drive wanders by a percent or two (common practice, no source)."""

IN_BEAT_PERIOD_SHARE = 0.0005
"""Negligible beat error over the period where no arc is known: an offset of a fifth of a degree at an arc of 270
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Task:
    """A task: its place in the order, its kind, what to do in words, and the expected result."""

    place: Place
    kind: TaskKind
    sentence: str
    brings: str = ""


def tasks(
    present: Present, correction: Correction, arcs_of_nights_deg: Sequence[UFloat] = ()
) -> tuple[Task, ...]:
    """List the tasks in order; any earlier task holds back an adjustment of the rate.

    Parameters
    ----------
    present : Present
        The clock's last reading.
    correction : Correction
        The adjustment of its rate.
    arcs_of_nights_deg : sequence of ufloat
        Arcs of its nights since other work than on weights and regulator, the last one last.
    """
    before = [*_running(present), *_beat(present, correction), *_arc(present, correction)]
    kinds = {kind for kind, _, _ in before}
    before += [one for one in _nights(arcs_of_nights_deg) if one[0] not in kinds]
    found = [
        Task("first" if not i else "second", kind, said, brings)
        for i, (kind, said, brings) in enumerate(before)
    ]
    place: Place = "first" if not before else "not yet"
    return (*found, *(Task(place, kind, "", "") for kind in rate_kinds(correction)))


def rate_kinds(correction: Correction) -> tuple[TaskKind, ...]:
    """The kinds of task in the adjustment of the rate."""
    if correction.kind == "adjust":
        kinds: list[TaskKind] = ["change-weights"] if correction.weights is not None else []
        return (*kinds, "move-regulator") if correction.regulator_move else tuple(kinds)
    other: dict[str, TaskKind] = {
        "leave": "leave-alone",
        "night": "listen-again",
        "trial-step": "trial-step",
        "nothing-helps": "nothing-helps",
    }
    return (other[correction.kind],)


_Found = tuple[TaskKind, str, str]


def _running(present: Present) -> list[_Found]:
    found: list[_Found] = []
    if present.heard_share is not None and present.heard_share < LEAST_HEARD:
        found.append(
            (
                "hear-better",
                f"Only {present.heard_share:.0%} of the beats were heard: move the microphone until it touches, and read "
                "again before anything is changed.",
                "a reading that can be trusted",
            )
        )
    if _drive_lost(present):
        found.append(
            (
                "find-drive",
                "The drive was lost during the recording: the arc falls from one moment on. Find out why (power, "
                "bellows, mainspring, a wheel that jams) before the rate is touched.",
                "a steady arc",
            )
        )
    return found


def _drive_lost(present: Present) -> bool:
    if present.arc_swing_deg is None or present.beat_time_s is None:
        return False
    turn = turn_of(present.beat_time_s, present.arc_swing_deg)
    return turn is not None and turn.slope_after_deg_per_hour < min(turn.slope_before_deg_per_hour, 0.0)


def _beat(present: Present, correction: Correction) -> list[_Found]:
    advice = correction.beat
    if advice is not None:
        return (
            [("set-beat", advice.sentence, "a longer, steadier arc; the rate may change")]
            if advice.needed
            else []
        )
    error, period = present.beat_error_ms, present.period_s
    if error is None or period is None:
        return []
    off = abs(error.nominal_value)
    if off <= COVERAGE * error.std_dev or off / 1e3 / period.nominal_value <= IN_BEAT_PERIOD_SHARE:
        return []
    return [
        (
            "set-beat",
            f"Out of beat by {off:.0f} ms (half the difference between the two swings). No arc was read, so the angle "
            "is not known: turn the fork or the suspension a little, listen with torsionbeat inbeat, and go on the "
            "way that makes the two swings equal.",
            "a longer, steadier arc; the rate may change",
        )
    ]


def _arc(present: Present, correction: Correction) -> list[_Found]:
    found: list[_Found] = []
    arc, clock = present.arc_deg, present.clock
    if arc is None:
        return found
    value = arc.nominal_value
    guard = correction.knock_now
    if guard is not None and guard.margin_deg is not None and guard.margin_deg.nominal_value <= 0:
        found.append(("stop-knock", "It knocks: stop it and lower the arc, or set the beat.", "no damage"))
    if clock.arc_low_deg is not None and value + COVERAGE * arc.std_dev < clock.arc_low_deg:
        found.append(
            (
                "raise-arc",
                f"The arc is {value:.0f} deg, below the {clock.arc_low_deg:g} deg that suit this clock: look for a weak "
                "drive, dirt or a balance that rubs.",
                "a rate that holds",
            )
        )
    if clock.arc_high_deg is not None and value - COVERAGE * arc.std_dev > clock.arc_high_deg:
        found.append(
            (
                "lower-arc",
                f"The arc is {value:.0f} deg, above the {clock.arc_high_deg:g} deg that suit this clock: lower the drive "
                "or look for what is wrong with it.",
                "no knock",
            )
        )
    settling = _settling(present)
    if settling and not _drive_lost(present):
        found.append(("let-settle", settling, "the rate of the settled clock"))
    return found


def _nights(arcs_deg: Sequence[UFloat]) -> list[_Found]:
    """An arc that moves one way from night to night: the rate moves with it."""
    last = list(arcs_deg)[-NIGHTS_THAT_TELL:]
    steps = [after.nominal_value - before.nominal_value for before, after in pairwise(last)]
    if len(last) < NIGHTS_THAT_TELL or not (min(steps) > 0 or max(steps) < 0):
        return []
    moved, doubt = sum(steps), math.hypot(last[0].std_dev, last[-1].std_dev)
    if abs(moved) <= max(COVERAGE * doubt, NIGHTS_MOVE_SHARE * last[0].nominal_value):
        return []
    told = (
        f"{', '.join(f'{one.nominal_value:.0f}' for one in last[:-1])} and {last[-1].nominal_value:.0f} deg"
    )
    if moved > 0:
        said = f"From night to night the arc still grows: {told}. Let the clock run until it stays, and read it again."
        return [("let-settle", said, "the rate of the settled clock")]
    said = (
        f"From night to night the arc falls: {told}. Find out why (a weak drive, dirt, a balance that rubs) before the "
        "rate is touched: it moves with the arc."
    )
    return [("raise-arc", said, "a rate that holds")]


def _settling(present: Present) -> str:
    if present.arc_swing_deg is None or present.beat_time_s is None:
        return ""
    state = settling_of(present.beat_time_s, present.arc_swing_deg)
    if state is None:
        return ""
    wait = f" for {state.wait_s / 3600:.1f} h more" if np.isfinite(state.wait_s) and state.wait_s > 0 else ""
    return (
        f"The arc has not settled: it stands at {state.arc_now_deg:.0f} deg and still moves. Let the clock run"
        f"{wait} and read it again."
    )
