"""A clock's history as lines: works, notes, readings, hand checks and free swings in order of time, newest first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from torsionbeat.display.words import COVERAGE, duration_words, rate_words
from torsionbeat.jobs.clock_history import ClockFacts, HistoryRequest, clock_history

if TYPE_CHECKING:
    from torsionbeat.jobs.clock_history import Happened
    from torsionbeat.reading.figures import UFloat

__all__ = ["Story", "StoryLine", "story_of"]

WORK_WORDS = {
    "spring": "Strip",
    "weights": "Weights",
    "regulator": "Regulator",
    "cleaning": "Cleaned",
    "beat": "Beat set",
    "level": "Levelled",
    "other": "Work",
}
LAWS = {
    "air": "damped by air",
    "dry": "damped by rubbing",
    "both": "damped by air and rubbing",
    "open": "what damps it is not told",
}


@dataclass(frozen=True, slots=True)
class StoryLine:
    """One line: moment, kind, words, and details in small type; ``outcome`` compares the result with the expectation.

    An entry that was taken back is ``struck``, with its reason in ``because``; ``anew`` prefills the form that corrects it.
    """

    when: datetime
    kind: str
    number: int
    text: str
    more: str = ""
    outcome: str = ""
    struck: bool = False
    because: str = ""
    anew: str = ""
    work: str = ""
    grams: float | None = None


@dataclass(frozen=True, slots=True)
class Story:
    """A clock, its lines, and its standing readings and works in order of time."""

    clock: ClockFacts
    lines: tuple[StoryLine, ...]
    readings: tuple[Happened, ...]
    works: tuple[Happened, ...]
    q: UFloat
    remarks: tuple[str, ...] = ()

    @property
    def last(self) -> Happened | None:
        """The last reading."""
        return self.readings[-1] if self.readings else None


def story_of(log: str | None, clock: str) -> Story:
    """Read a clock's history from the log.

    Raises
    ------
    InputError
        There is no such clock.
    BenchLogError
        The log cannot be read.
    """
    history = clock_history(HistoryRequest(clock, log=log))
    outcomes = _outcomes(history.of_kind("work"), history.of_kind("reading"))
    lines = [
        _line(one, outcomes.get(one.number, "") if one.kind == "reading" else "")
        for one in history.entries
        if one.at
    ]
    swings = [one.figures["q"] for one in history.of_kind("free swing") if "q" in one.figures]
    return Story(
        history.clock,
        tuple(reversed(lines)),
        history.of_kind("reading"),
        history.of_kind("work"),
        swings[-1] if swings else None,
        tuple(map(str, history.remarks)),
    )


def _outcomes(works: tuple[Happened, ...], readings: tuple[Happened, ...]) -> dict[int, str]:
    """The outcome of each expectation, by the number of the reading that followed it."""
    done = [(work.at, work) for work in works if work.at is not None]
    heard = [(one.at, one) for one in readings if one.at is not None and "rate_s_per_day" in one.figures]
    found = {}
    for (at, work), following in zip(done, (*done[1:], None), strict=False):
        expected = _expected(work)
        if expected is None or (following is not None and following[0] == at):
            continue  # of works done together, the last one holds the expectation for all
        after = next((row for row in heard if row[0] >= at), None)
        if after is None or (following is not None and following[0] <= after[0]):
            continue
        rate = after[1].figures["rate_s_per_day"]
        doubt = COVERAGE * float((rate - expected).std_dev)
        off = rate.nominal_value - expected.nominal_value
        came = (
            "as expected"
            if abs(off) <= doubt
            else f"not as expected, {abs(off):.2g} s a day {'faster' if off > 0 else 'slower'}"
        )
        found[after[1].number] = f"It came out {came}. Expected was that it {rate_words(expected)}."
    return found


def _expected(work: Happened) -> UFloat:
    from uncertainties import ufloat

    value = work.details.get("expected_rate_s_per_day")
    if not isinstance(value, int | float):
        return None
    return ufloat(value, max(float(work.details.get("u_expected_rate_s_per_day") or 0.0), 1e-6))


def _line(one: Happened, outcome: str) -> StoryLine:
    text, more = _WORDS[one.kind](one)
    struck = not one.stands
    because = one.retracted_because or (
        "" if one.overtaken_by is None else f"reading {one.overtaken_by} stands in its place"
    )
    added = one.details.get("added_g")
    assert one.at is not None
    return StoryLine(
        one.at, one.kind, one.number, text, more, outcome, struck, because, one.what, one.work,
        float(added) if isinstance(added, int | float) else None,
    )  # fmt: skip


def _work(work: Happened) -> tuple[str, str]:
    details, words = work.details, []
    if isinstance(details.get("added_g"), int | float):
        added = float(details["added_g"])
        words.append(f"{abs(added):.4g} g {'put on' if added >= 0 else 'taken off'}, all sides together")
    elif work.work == "weights":
        words.append("how much is not noted: put that right, else nothing can be learnt of it")
    if isinstance(details.get("moved"), int | float):
        words.append(f"moved by {float(details['moved']):+.3g}")
    if isinstance(details.get("setting"), int | float):
        words.append(f"now at {float(details['setting']):.4g}")
    expected = _expected(work)
    if expected is not None:
        words.append(f"expected: it {rate_words(expected)}")
    return f"{WORK_WORDS.get(work.work, 'Work')}: {work.what}", "; ".join(words)


def _note(note: Happened) -> tuple[str, str]:
    return note.what, ""


def _reading(reading: Happened) -> tuple[str, str]:
    rate, arc = reading.figures.get("rate_s_per_day"), reading.figures.get("arc_deg")
    length = reading.details.get("duration_s")
    said = f"Heard{'' if length is None else f' for {duration_words(length)}'}: "
    said += "no rate could be measured" if rate is None else rate_words(rate)
    return said, "" if arc is None else f"Arc {arc.nominal_value:.0f}\N{DEGREE SIGN}"


def _check(check: Happened) -> tuple[str, str]:
    length = duration_words(float(check.details["span_h"]) * 3600)
    return f"Hands seen over {length}: {rate_words(check.figures['rate_s_per_day'])}", ""


def _swing(swing: Happened) -> tuple[str, str]:
    parts = (
        f"Q {swing.figures['q'].nominal_value:.0f}" if "q" in swing.figures else "",
        LAWS.get(swing.what, swing.what),
    )
    return f"Free swing: {', '.join(part for part in parts if part)}", ""


def _other(one: Happened) -> tuple[str, str]:
    return one.what or one.kind, ""


_WORDS: dict[str, Any] = {
    "work": _work,
    "note": _note,
    "reading": _reading,
    "hand check": _check,
    "free swing": _swing,
    "trial": _other,
}
