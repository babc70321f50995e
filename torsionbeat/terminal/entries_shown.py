"""Shows an entry of the bench log after it was kept, taken back, brought back or corrected."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from torsionbeat.terminal.record import entry_document, entry_words, where_it_stands
from torsionbeat.terminal.telling import print_json, say

if TYPE_CHECKING:
    from torsionbeat.jobs.keep import ClockKept, EntryKept, EntryName

__all__ = ["called", "kept_document", "show_entry"]


def called(name: EntryName, clock: str) -> str:
    """Name an entry of a clock, such as ``note 3 of Lamp``."""
    return f"the clock {clock}" if name.kind == "clock" else f"{name.kind} {name.number} of {clock}"


def show_entry(kept: EntryKept | ClockKept, json: bool, said: str) -> None:
    """Show an entry after a change.

    Parameters
    ----------
    kept : EntryKept or ClockKept
    json : bool
        Print it as JSON, and nothing else.
    said : str
        What was done.
    """
    from torsionbeat.jobs.keep import EntryKept

    if not isinstance(kept, EntryKept):
        print_json(
            {"clock": kept.clock.name, "retracted_because": kept.clock.retracted_because}
        ) if json else say(said)
    elif json:
        print_json({"clock": kept.clock.name} | entry_document(kept.entry))
    else:
        moved = where_it_stands(kept.clock) if kept.entry.kind == "work" else ""
        say(said, entry_words(kept.entry), *([moved] if moved else []))


def kept_document(kept: EntryKept, clock: str) -> dict[str, Any]:
    """Give a note or a work that was kept, in JSON types."""
    entry, remarks = kept.entry, list(kept.remarks)
    assert entry.at is not None  # an entry that was just kept has its moment
    at = entry.at.isoformat()
    if entry.kind == "note":
        return {"clock": clock, "id": entry.number, "written_at": at, "text": entry.what}
    told = {"clock": clock, "id": entry.number, "done_at": at, "kind": entry.work, "what": entry.what}
    return told | {"details": dict(entry.details), "remarks": remarks}
