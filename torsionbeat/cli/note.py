"""``torsionbeat note``: free notes and works done."""

from __future__ import annotations

from typing import Annotated

import typer

from torsionbeat.cli.options import JsonOption, LogOption, TakesTexts
from torsionbeat.errors import InputError
from torsionbeat.terminal.telling import day, say_or_print
from torsionbeat.typed.amounts import details_of
from torsionbeat.typed.times import moment

__all__ = ["NOTE_CLASS", "Details", "note_command"]

NOTE_CLASS = TakesTexts

Details = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME=VALUE", help="A detail of the work, e.g. added_g=6.8; may be repeated."),
]


def note_command(
    clock: Annotated[str, typer.Argument(help="The clock's name in the bench log.")],
    text: Annotated[str, typer.Argument(help="What you saw or did.")],
    work: Annotated[
        str | None,
        typer.Option(
            help="Keep it as work done: spring, weights, regulator, cleaning, beat, level or other."
        ),
    ] = None,
    detail: Details = None,
    when: Annotated[str | None, typer.Option(help="When, as 2026-03-01 20:00; left out, now.")] = None,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Keep a note on a clock, or a piece of work done on it."""
    from torsionbeat.jobs.keep import NoteRequest, WorkRequest, keep_note, keep_work
    from torsionbeat.terminal.entries_shown import kept_document

    at = None if when is None else moment(when, "--when")
    if work is None and detail:
        raise InputError("--detail was given without --work; say which kind of work it belongs to")
    if work is None:
        kept = keep_note(NoteRequest(clock, text, at, log))
        said = f"Noted on {clock}, {day(kept.entry.at)}: {kept.entry.what}"
    else:
        kept = keep_work(WorkRequest(clock, work, text, details_of(detail or []), at, log))
        said = f"Work kept on {clock}, {day(kept.entry.at)}, {work}: {kept.entry.what}"
    say_or_print(json, kept_document(kept, clock), said, *kept.remarks)
