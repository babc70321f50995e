"""What the figures point to at the bench: findings, each with its evidence.

Input: the nights of a clock in order of time (the last one is judged by itself, all of them since the last
work together) and its free swings. Output: findings. Each needs a figure that chance gives once in a
thousand (`torsionbeat.history.finding.SURE`) and that is large enough to matter at the bench. How often each
fault is named, and how rarely a healthy clock raises one, is measured by tests/benchmarks/findings.py.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from torsionbeat.history.arc_findings import Decay, course_signs, decay_signs, history_signs, level_signs
from torsionbeat.history.beat_findings import follow_signs, side_signs, slip_signs
from torsionbeat.history.daily_findings import day_signs
from torsionbeat.history.finding import Finding
from torsionbeat.history.nights import Night, counted_once
from torsionbeat.history.side_matching import alike
from torsionbeat.history.wheel_findings import wheel_signs
from torsionbeat.reading.figures import Reading

__all__ = ["SIGNS", "Decay", "Finding", "find"]

SIGNS = (
    "arc low",
    "arc high",
    "knock near",
    "settling",
    "drive steps",
    "one side louder",
    "one side longer",
    "beat slips",
    "rate follows arc",
    "rate follows temperature",
    "arc wanders",
    "arc falls",
    "something rubs",
    "bad tooth",
    "wheel out of true",
    "flutter",
)
"""All signs that are looked for."""


def find(
    nights: Sequence[Night] | Reading,
    *,
    works: Sequence[datetime] = (),
    decays: Sequence[Decay] = (),
) -> tuple[Finding, ...]:
    """Find what a clock's figures point to.

    Parameters
    ----------
    nights : sequence of Night, or one Reading
        In order of time.
    works : sequence of datetime
        When the clock was worked on: figures from before the last work are not compared with those after it.
    decays : sequence of Decay
        Free swings in the clock's present state.

    Returns
    -------
    tuple of Finding
        In the order of `SIGNS`; empty for a healthy clock.
    """
    rows = (
        [Night(nights)] if isinstance(nights, Reading) else alike(counted_once(nights), -1) if nights else []
    )
    found = sorted(_signs(rows, works, decays), key=lambda finding: SIGNS.index(finding.sign))
    return tuple({finding.sign: finding for finding in found}.values())


def _signs(nights: list[Night], works: Sequence[datetime], decays: Sequence[Decay]) -> Iterator[Finding]:
    for decay in decays:
        yield from decay_signs(decay)
    if not nights:
        return
    last = nights[-1]
    since = max((work for work in works if last.taken_at is None or work <= last.taken_at), default=None)
    present = [
        night for night in nights if since is None or (night.taken_at is not None and night.taken_at >= since)
    ]
    yield from level_signs(last.reading)
    yield from course_signs(last, works)
    yield from side_signs(last.reading)
    yield from wheel_signs(last.reading)
    yield from slip_signs(present or [last])
    yield from follow_signs(present or [last])
    yield from history_signs(present)
    yield from day_signs(present or [last])
