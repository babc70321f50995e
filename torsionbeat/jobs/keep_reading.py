"""Keep a reading for a clock: checks the clock, uses the recording's own date, and keeps each night once.

Input: a clock's name, a reading and its recording. Output: the kept reading, or, if nothing was kept, what is odd about
it. A new reading of a recording replaces the earlier reading and takes its date.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from torsionbeat.bench.nights import forget_night
from torsionbeat.bench.recordings import BY_FILE, Birth, birth_of
from torsionbeat.bench.sides import in_own_letters
from torsionbeat.benchlog import BenchLog, ReadingRecord, open_log
from torsionbeat.errors import InputError
from torsionbeat.hearing.heard import VoiceProfile
from torsionbeat.history.same_clock import marks_of_document, what_is_odd
from torsionbeat.jobs.clock_history import Happened, happened_of
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Reading
from torsionbeat.sound.remarks import Remark

__all__ = ["BY_JOURNAL", "BY_WORD", "ReadingKept", "ReadingRequest", "keep_reading"]

BY_WORD, BY_JOURNAL = "your word", "the journal"
"""Source of a recording's date: stated by the user, or noted during the recording."""


@dataclass(frozen=True, slots=True)
class ReadingRequest:
    """A reading to keep.

    Parameters
    ----------
    clock : str
        The clock's name in the bench log.
    reading : Reading or dict
        The reading, or its document (schema 1).
    recording : Path or None
        Its file or folder; None where no sound was kept.
    began : datetime or None
        When the recording began. Default: as kept before, else from the recording itself.
    temperature_c : float or None
        Temperature around the clock, if noted.
    keep_anyway : bool
        Keep it even if it is odd.
    voices : tuple of VoiceProfile
        Mean sounds of contact and drop, by which its sides are recognised; empty if not available.
    log : str or None
    write_id : str or None
        A reading sent again with the same identifier is kept once.
    dated_by : str
        Source of ``began``.
    """

    clock: str
    reading: Reading | Mapping[str, Any]
    recording: Path | None = None
    began: datetime | None = None
    temperature_c: float | None = None
    keep_anyway: bool = False
    voices: tuple[VoiceProfile, ...] = ()
    log: str | None = None
    write_id: str | None = None
    dated_by: str = BY_WORD

    @property
    def document(self) -> dict[str, Any]:
        """The reading's document."""
        return reading_document(self.reading) if isinstance(self.reading, Reading) else dict(self.reading)


@dataclass(frozen=True, slots=True)
class ReadingKept:
    """The outcome of keeping a reading.

    ``entry`` is None where it was not kept; ``odd`` gives the reason, or what was odd and kept anyway. ``dated_by`` is
    the source of its date, ``replaces`` the number of the replaced reading.
    """

    clock: str
    entry: Happened | None
    odd: tuple[Remark, ...] = ()
    dated_by: str = ""
    replaces: int | None = None
    remarks: tuple[Remark, ...] = ()
    where: str = ""

    @property
    def refusal(self) -> InputError | None:
        """The reason why it was not kept and what to do, as the error of a command; None where it was kept."""
        if self.entry is not None:
            return None
        return InputError(
            f"this reading was not kept for {self.clock}: {' and '.join(self.odd)}. If another clock was heard, or work "
            "was not noted, set that right; if all is as it should be, keep it with --keep-anyway"
        )


def keep_reading(request: ReadingRequest, *, progress: Any = None, cancel: Any = None) -> ReadingKept:
    """Keep a reading, unless it contradicts what is known of the clock.

    Parameters
    ----------
    request : ReadingRequest
        The request.
    progress : object
        Called with the share done, 0 to 1; a job this short never calls it.
    cancel : object
        Asked whether to stop; a job this short runs to its end.

    Raises
    ------
    InputError
        There is no such clock, or the input is not a reading.
    BenchLogError
        The log failed.
    """
    document = request.document
    with open_log(request.log, must_exist=True) as log:
        clock = log.clock(request.clock)
        others = log.readings(clock.name, documents=False)
        birth = _birth(request, document)
        before = next((one for one in reversed(others) if _is_same(one, birth, request.recording)), None)
        began, dated_by = _dated(request, birth, before)
        others = [one for one in others if one is not before]
        odd = _odd(log, clock.name, clock.nominal_period_s, document, began, others)
        if odd and not request.keep_anyway:
            return ReadingKept(clock.name, None, odd, where=log.where)
        lettered = in_own_letters(log, clock.name, request.reading, began, request.voices)
        row = log.add_reading(
            clock.name,
            lettered.document,
            request.recording,
            birth.sha256 or None,
            taken_at=began,
            supersedes_id=_named(before),
            reason="" if _named(before) is None else "the same recording, read again",
            recording_id=birth.identity,
            dated_by=dated_by,
            temperature_c=request.temperature_c,
            sides=lettered.sides,
            write_id=request.write_id,
        )
        if request.recording is not None and request.recording.is_dir():
            forget_night(request.recording)
        lettered.settle(log, clock.name)
        remarks = (*_redated(before, row), *_overlaps(row, others))
        return ReadingKept(clock.name, happened_of(row), odd, dated_by, row.supersedes_id, remarks, log.where)


def _birth(request: ReadingRequest, document: Mapping[str, Any]) -> Birth:
    if request.recording is None:
        return Birth("", "", None, "")
    duration_s = float((document.get("recording") or {}).get("duration_s") or 0.0)
    return birth_of(request.recording, duration_s)


def _is_same(row: ReadingRecord, birth: Birth, recording: Path | None) -> bool:
    """Whether a row is of this recording; an old row without an identity is compared by folder and time."""
    if row.recording_id or recording is None:
        return bool(birth.identity) and row.recording_id == birth.identity
    same_hour = birth.began is not None and abs(row.taken_at - birth.began) < timedelta(minutes=2)
    return recording.is_dir() and row.recording_path == str(recording.absolute()) and same_hour


def _named(before: ReadingRecord | None) -> int | None:
    """Number of the reading to replace, where no identity lets the log find it."""
    return None if before is None or before.recording_id else before.id


def _dated(
    request: ReadingRequest, birth: Birth, before: ReadingRecord | None
) -> tuple[datetime | None, str]:
    """Start of the recording, from the surest source; never silently the present time."""
    if request.began is not None:
        return request.began, request.dated_by
    if before is not None:
        return before.taken_at, before.dated_by or "the reading kept of it before"
    return birth.began, birth.dated_by


def _odd(
    log: BenchLog,
    clock: str,
    nominal_period_s: float | None,
    document: Mapping[str, Any],
    began: datetime | None,
    others: Sequence[ReadingRecord],
) -> tuple[Remark, ...]:
    near = None
    if others and began is not None:
        near = min(others, key=lambda one: (one.taken_at > began, abs(one.taken_at - began)))
    elif others:
        near = others[-1]
    works: set[str] = set()
    if near is not None and began is not None:
        first, last = sorted((near.taken_at, began))
        works = {work.kind for work in log.works(clock) if first <= work.done_at <= last}
    earlier = None if near is None else marks_of_document(log.reading_document(clock, near.id))
    return what_is_odd(marks_of_document(document), nominal_period_s, earlier, works)


def _redated(before: ReadingRecord | None, row: ReadingRecord) -> list[Remark]:
    if before is None or abs(before.taken_at - row.taken_at) < timedelta(minutes=1):
        return []
    return [
        Remark(
            "reading-redated",
            f"It was kept as recorded on {before.taken_at.astimezone():%Y-%m-%d %H:%M} before, and is now dated "
            f"{row.taken_at.astimezone():%Y-%m-%d %H:%M}.",
        )
    ]


def _overlaps(row: ReadingRecord, others: Sequence[ReadingRecord]) -> list[Remark]:
    end = row.taken_at + timedelta(seconds=row.duration_s or 0.0)
    at_once = [
        one
        for one in others
        if one.taken_at < end and row.taken_at < one.taken_at + timedelta(seconds=one.duration_s or 0.0)
    ]
    if not at_once:
        return []
    doubt = " By the file's date: if that is wrong, give --began." if row.dated_by == BY_FILE else ""
    numbers = ", ".join(str(one.id) for one in at_once)
    return [
        Remark(
            "overlaps-reading",
            f"It was recorded while reading {numbers} was: the same stretch counts once, however often it is read.{doubt}",
        )
    ]
