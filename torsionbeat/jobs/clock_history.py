"""A clock's record and its whole history, as frozen values.

Input: a clock's name. Output: `ClockHistory`: its record and one `Happened` for each note, work, reading, hand check
and free swing, in order of time. Retracted and replaced entries are included and marked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any, NamedTuple

from torsionbeat.benchlog import (
    FreeSwingRecord,
    HandCheckRecord,
    NoteRecord,
    ReadingRecord,
    WorkRecord,
    open_log,
)
from torsionbeat.benchlog.corrections import kind_of
from torsionbeat.benchlog.ranges import CLOCK_FIELDS
from torsionbeat.benchlog.standing import overtaken
from torsionbeat.benchlog.tables import FIGURES, ClockRecord, Entry, uncertain
from torsionbeat.reading.figures import UFloat
from torsionbeat.sound.remarks import Remark

__all__ = [
    "ClockFacts",
    "ClockHistory",
    "ClockList",
    "Happened",
    "HistoryRequest",
    "ListRequest",
    "ListedClock",
    "clock_history",
    "clocks_alone",
    "facts_of",
    "happened_of",
    "history_document",
    "list_clocks",
]


def _nothing() -> Mapping[str, Any]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """The record of a clock: ``fields`` by the names of ``CLOCK_FIELDS``, None or "" where not known.

    ``number`` identifies the clock for the life of the log, also after a change of name.
    """

    name: str
    added_at: datetime
    fields: Mapping[str, Any]
    sides: Mapping[str, Any] | None = None
    retracted_because: str | None = None
    number: int = 0


@dataclass(frozen=True, slots=True)
class Happened:
    """One entry of a clock's history.

    Parameters
    ----------
    kind : str
        note, work, reading, hand check, free swing or trial.
    number : int
        Identifies the entry together with its kind.
    at : datetime or None
        Time of the event; a trial has none.
    what : str
        The text of a note, the work done, the path of a recording, or the law of a free swing.
    work : str
        The kind of a work, else "".
    details : mapping
        Details of a work; for a reading the sources of its date and timebase, beats heard and expected, duration,
        temperature; for a hand check its span.
    figures : mapping
        Measured figures by their names (``rate_s_per_day``, ``arc_deg``, ``q`` ...); only those that were measured.
    remarks : tuple of str
    retracted_because : str or None
        Why it was retracted; None where it was not.
    overtaken_by : int or None
        The reading that replaces it.
    """

    kind: str
    number: int
    at: datetime | None
    what: str
    work: str = ""
    details: Mapping[str, Any] = field(default_factory=_nothing)
    figures: Mapping[str, UFloat] = field(default_factory=_nothing)
    remarks: tuple[str, ...] = ()
    retracted_because: str | None = None
    overtaken_by: int | None = None

    @property
    def stands(self) -> bool:
        """Whether it counts: neither retracted nor replaced."""
        return self.retracted_because is None and self.overtaken_by is None


@dataclass(frozen=True, slots=True)
class HistoryRequest:
    """A clock of the bench log; ``all_entries`` adds retracted and replaced entries."""

    clock: str
    all_entries: bool = True
    log: str | None = None


@dataclass(frozen=True, slots=True)
class ListRequest:
    """The clocks of a bench log."""

    log: str | None = None


@dataclass(frozen=True, slots=True)
class ClockHistory:
    """A clock of the log ``where``: its record and history, in order of time; ``remarks`` name what is left out."""

    clock: ClockFacts
    entries: tuple[Happened, ...]
    where: str
    remarks: tuple[Remark, ...] = ()

    def of_kind(self, kind: str) -> tuple[Happened, ...]:
        """Give the entries of one kind that count."""
        return tuple(one for one in self.entries if one.kind == kind and one.stands)


@dataclass(frozen=True, slots=True)
class ListedClock:
    """A clock, the number of its readings that count, and the last of them."""

    clock: ClockFacts
    readings: int
    last: Happened | None


class ClockList(NamedTuple):
    """All clocks of the log ``where`` in order of their names; ``remarks`` name what is left out."""

    clocks: tuple[ListedClock, ...]
    remarks: tuple[Remark, ...]
    where: str


def clock_history(request: HistoryRequest, *, progress: Any = None, cancel: Any = None) -> ClockHistory:
    """Read a clock's record and history from the log.

    Parameters
    ----------
    request : HistoryRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such clock, or no such log.
    BenchLogError
        The log cannot be read.
    """
    with open_log(request.log, must_exist=True) as log:
        name, every = request.clock, request.all_entries
        readings = log.readings(name, superseded=True, retracted=True, documents=False)
        gone = overtaken(readings)
        rows: list[Entry] = [*log.works(name, retracted=every), *log.notes(name, retracted=every)]
        rows += [row for row in readings if every or (row.id not in gone and row.retracted_at is None)]
        rows += [*log.handchecks(name, retracted=every), *log.freeswings(name, retracted=every)]
        entries = [
            happened_of(row, gone.get(row.id) if isinstance(row, ReadingRecord) else None) for row in rows
        ]
        entries.sort(key=lambda one: (one.at, one.kind, one.number))
        return ClockHistory(facts_of(log.clock(name)), tuple(entries), log.where, tuple(log.left_out))


def list_clocks(request: ListRequest, *, progress: Any = None, cancel: Any = None) -> ClockList:
    """Give all clocks of a log.

    Parameters
    ----------
    request : ListRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    BenchLogError
        The log cannot be read.
    """
    with open_log(request.log, must_exist=True) as log:
        lasts = log.last_readings()
        listed = []
        for record in log.clocks():
            if lasts is None:  # a row cannot be read: the query of each clock leaves it out and names it
                every = log.readings(record.name, documents=False)
                count, last = len(every), every[-1] if every else None
            else:
                count, last = lasts.get(record.id, (0, None))
            listed.append(ListedClock(facts_of(record), count, None if last is None else happened_of(last)))
        return ClockList(tuple(listed), tuple(log.left_out), log.where)


def clocks_alone(log: str | None = None) -> tuple[ClockFacts, ...]:
    """Give the records of all clocks of a log, without their readings: a small part of the work of `list_clocks`.

    Raises
    ------
    BenchLogError
        The log cannot be read.
    """
    with open_log(log, must_exist=True) as opened:
        return tuple(map(facts_of, opened.clocks()))


def history_document(clock: str, log: str | None = None) -> dict[str, Any]:
    """Give a clock's whole history as the document that an export writes.

    Raises
    ------
    InputError
        There is no such clock, or no such log.
    BenchLogError
        The log cannot be read.
    """
    with open_log(log, must_exist=True) as opened:
        return opened.export_clock(clock)


def facts_of(record: ClockRecord) -> ClockFacts:
    """Give a clock's record as frozen values."""
    fields = MappingProxyType({name: getattr(record, name) for name in CLOCK_FIELDS})
    because = None if record.retracted_at is None else record.retracted_because
    return ClockFacts(record.name, record.added_at, fields, record.sides, because, record.id)


def happened_of(row: Entry, overtaken_by: int | None = None) -> Happened:
    """Give a row of the history as frozen values."""
    because = None if row.retracted_at is None else row.retracted_because
    common: dict[str, Any] = {"retracted_because": because, "overtaken_by": overtaken_by}
    kind, number = kind_of(row), row.id
    if isinstance(row, NoteRecord):
        return Happened(kind, number, row.written_at, row.text, **common)
    if isinstance(row, WorkRecord):
        return Happened(
            kind, number, row.done_at, row.what, row.kind, MappingProxyType(row.details), **common
        )
    if isinstance(row, ReadingRecord):
        return _reading(row, common)
    if isinstance(row, HandCheckRecord):
        figures = _figures(rate_s_per_day=(row.rate_s_per_day, row.u_rate_s_per_day))
        details = MappingProxyType({"span_h": row.span_h, "sightings": tuple(row.sightings)})
        remarks = tuple(row.remarks.splitlines())
        return Happened(kind, number, row.checked_at, "", "", details, figures, remarks, **common)
    if isinstance(row, FreeSwingRecord):
        figures = _figures(q=(row.q, row.u_q))
        details = MappingProxyType({"settling_time_s": row.settling_time_s})
        return Happened(kind, number, row.done_at, row.law, "", details, figures, **common)
    return Happened(kind, number, None, "", **common)


def _reading(row: ReadingRecord, common: dict[str, Any]) -> Happened:
    details = {
        "timebase_source": row.timebase_source,
        "dated_by": row.dated_by,
        "recording_id": row.recording_id,
        "duration_s": row.duration_s,
        "beats_expected": row.beats_expected,
        "beats_heard": row.beats_heard,
        "temperature_c": row.temperature_c,
        "sides": row.sides,
        "reason": row.reason,
    }
    figures = _figures(**{name: (getattr(row, name), getattr(row, f"u_{name}")) for name in FIGURES})
    return Happened(
        "reading",
        row.id,
        row.taken_at,
        row.recording_path,
        details=MappingProxyType(details),
        figures=figures,
        **common,
    )


def _figures(**pairs: tuple[float | None, float | None]) -> Mapping[str, UFloat]:
    known = {name: uncertain(*pair) for name, pair in pairs.items()}
    return MappingProxyType({name: figure for name, figure in known.items() if figure is not None})
