"""Shows a clock of the bench log: its record, its history, and the next task."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from torsionbeat.display.terminal import eighty_columns
from torsionbeat.terminal.record import clock_sentences, history_table, reading_words, record_table
from torsionbeat.terminal.telling import print_json, say

if TYPE_CHECKING:
    from torsionbeat.jobs.clock_history import ClockFacts, ClockHistory

__all__ = ["answer", "show_history", "story_picture"]


def answer(clock: ClockFacts, log: str | None, json: bool, *first: str) -> None:
    """Show the record of a clock, or its whole history as JSON.

    Parameters
    ----------
    clock : ClockFacts
    log : str or None
        The bench log; None: the default one.
    json : bool
        Print the history as JSON, and nothing else.
    *first : str
        Sentences before the record.
    """
    from torsionbeat.jobs.clock_history import history_document

    if json:
        print_json(history_document(clock.name, log))
        return
    say(*first, " ".join(clock_sentences(clock)))
    table = record_table(clock)
    if table is not None:
        eighty_columns().print(table)


def show_history(history: ClockHistory, log: str | None) -> None:
    """Show the last reading, the history, and the judgement."""
    from torsionbeat.display.judgement import judgement_sentences
    from torsionbeat.jobs.advise import judged

    readings = history.of_kind("reading")
    say(reading_words(readings[-1]) if readings else "It has not been heard yet.", *history.remarks)
    table = history_table(history)
    if table is not None:
        eighty_columns().print(table)
    judgement, why = judged(history.clock.name, log) if readings else (None, None)
    if why is not None:
        say(f"No advice yet: {why}.")
    if judgement is not None:
        say("By all that is in the log:", *judgement_sentences(judgement))


def story_picture(name: str, log: str | None) -> Any:
    """Draw a clock's story."""
    from torsionbeat.display.clockplots import story_figure
    from torsionbeat.jobs.report import ReportRequest, report

    return story_figure(report(ReportRequest(name, log)))
