"""``torsionbeat clock undo``, ``restore`` and ``amend``: entries of the bench log are corrected, never deleted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.cli.note import Details
from torsionbeat.cli.options import JsonOption, LogOption
from torsionbeat.typed.amounts import details_of
from torsionbeat.typed.sources import entry_of
from torsionbeat.typed.times import moment

if TYPE_CHECKING:
    pass

__all__ = ["amend_command", "restore_command", "undo_command"]

Clock = Annotated[str, typer.Argument(help="The clock's name in the bench log.")]
What = Annotated[
    list[str],
    typer.Argument(
        metavar="ENTRY",
        help="What clock show calls it: note 3, work 2, reading 5, hand check 1, free swing 1; or clock, the clock itself.",
    ),
]
Because = Annotated[str, typer.Option("--because", help="Why: it is kept beside it.")]

WHEN_OF = {
    "note": "written_at",
    "work": "done_at",
    "reading": "taken_at",
    "hand check": "checked_at",
    "free swing": "done_at",
}
"""Name of the moment of each kind of entry."""


def undo_command(
    clock: Clock, entry: What, because: Because = "", log: LogOption = None, json: JsonOption = False
) -> None:
    """Take an entry back: it stays in the log, struck through, and counts nowhere any more."""
    from torsionbeat.jobs.keep import TurnRequest, undo_entry
    from torsionbeat.terminal.entries_shown import called, show_entry

    name = entry_of(entry)
    kept = undo_entry(TurnRequest(clock, name, because, log))
    show_entry(kept, json, f"Taken back: {called(name, clock)}. It stays in the log and counts nowhere.")


def restore_command(
    clock: Clock, entry: What, because: Because = "", log: LogOption = None, json: JsonOption = False
) -> None:
    """Bring back an entry that was taken back."""
    from torsionbeat.jobs.keep import TurnRequest, restore_entry
    from torsionbeat.terminal.entries_shown import called, show_entry

    name = entry_of(entry)
    kept = restore_entry(TurnRequest(clock, name, because, log))
    show_entry(kept, json, f"Brought back: {called(name, clock)}.")


def amend_command(
    clock: Clock,
    entry: What,
    text: Annotated[
        str | None, typer.Option(help="The words of a note, or what was done of a work, anew.")
    ] = None,
    work: Annotated[str | None, typer.Option(help="The kind of a work.")] = None,
    detail: Details = None,
    when: Annotated[str | None, typer.Option(help="When it was, as 2026-03-01 20:00.")] = None,
    temperature: Annotated[
        float | None, typer.Option(help="Temperature about the clock at a reading (degrees Celsius).")
    ] = None,
    because: Because = "",
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Put an entry right: its words, its moment, the details of a work. What stood there before stays in the log.

    A detail is merged into those there are; --detail NAME= takes one out.
    """
    from torsionbeat.jobs.keep import AmendRequest, amend_entry
    from torsionbeat.terminal.entries_shown import called, show_entry

    name = entry_of(entry)
    changes: dict[str, Any] = {
        "text" if name.kind == "note" else "what": text,
        "kind": work,
        "details": details_of(detail) if detail else None,
        WHEN_OF.get(name.kind, "at"): None if when is None else moment(when, "--when"),
        "temperature_c": temperature,
    }
    given = {key: value for key, value in changes.items() if value is not None}
    kept = amend_entry(AmendRequest(clock, name, given, because, log))
    show_entry(kept, json, f"Put right: {called(name, clock)}. What stood there before stays in the log.")
