"""Compare a clock before and after: recordings, readings kept as JSON, folders of them, or days of the bench log.

Input: two sides, each files or days. Output: what changed beyond doubt. Recordings are heard first.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from uncertainties import ufloat

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.sides import kept_night
from torsionbeat.bench.source import Flag
from torsionbeat.benchlog import BenchLog, open_log
from torsionbeat.errors import InputError, NothingHeardError
from torsionbeat.history.comparison import Comparison
from torsionbeat.history.comparison import compare as compared
from torsionbeat.history.nights import Group, Night, on_both_sides, reading_from_document
from torsionbeat.jobs.hear import HearRequest, hear
from torsionbeat.reading.analysis import Listening
from torsionbeat.reading.figures import Reading
from torsionbeat.sound.kept import is_kept
from torsionbeat.sound.recording import open_recording
from torsionbeat.sound.remarks import Remark
from torsionbeat.sound.timebase import STATED_UNCERTAINTY_PPM

__all__ = ["CompareRequest", "Days", "compare", "groups_of", "read_document"]

HOW = "give a recording, a .json that analyse wrote, a folder of them, or with --clock a date or DATE..DATE"

LARGEST_JSON_BYTES = 500_000_000
"""A reading of a month has some ten million bytes; a larger file is not a reading."""


@dataclass(frozen=True, slots=True)
class Days:
    """Days of the bench log: two moments, the first included and the second excluded."""

    start: datetime
    end: datetime

    def __str__(self) -> str:
        return f"{self.start:%Y-%m-%d %H:%M} to {self.end:%Y-%m-%d %H:%M}"


@dataclass(frozen=True, slots=True)
class CompareRequest:
    """The two sides to compare.

    Parameters
    ----------
    before, after : Path or Days
        A recording, a reading kept as JSON, a folder of either; or days of the clock's log.
    clock : KnownClock
        Days can be given if it has a name.
    sample_clock_ppm : float or None
        How fast the crystal of the recorder runs, for all recordings.
    same_recorder, same_place, swap_sides
        As for `torsionbeat.history.comparison.compare`.
    temperatures_c : (float or None, float or None)
        Mean temperature before and after.
    """

    before: Path | Days
    after: Path | Days
    clock: KnownClock = KnownClock()
    sample_clock_ppm: float | None = None
    same_recorder: bool = False
    same_place: bool = False
    swap_sides: bool | None = None
    temperatures_c: tuple[float | None, float | None] = (None, None)

    def __post_init__(self) -> None:
        if self.clock.name is None and any(isinstance(side, Days) for side in (self.before, self.after)):
            raise InputError(
                "dates were given without --clock; say which clock of the bench log they belong to"
            )
        for temperature_c in self.temperatures_c:
            if temperature_c is not None and not -40 <= temperature_c <= 60:
                raise InputError(f"a mean temperature is {temperature_c:g} C; it must lie between -40 and 60")


def compare(
    request: CompareRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> Comparison:
    """Compare a clock before and after.

    Parameters
    ----------
    request : CompareRequest
    progress : callable, optional
        Called with the share of each side's recordings that is analysed, 0 to 1.
    cancel : Flag, optional
        Ends the analysis.

    Raises
    ------
    InputError
        A side holds nothing or an unusable file, or there is no such clock.
    NothingHeardError
        A recording holds no clock.
    BenchLogError
        The log cannot be read.
    CancelledError
        ``cancel`` was set.
    """
    before, after = groups_of(request, progress=progress, cancel=cancel)
    shared = on_both_sides(before, after)
    both = {id(night) for pair in shared for night in pair}
    left = [
        replace(group, nights=tuple(night for night in group.nights if id(night) not in both))
        for group in (before, after)
        if any(id(night) not in both for night in group.nights)
    ]
    if len(left) == 2:
        before, after = left
    found = compared(
        before,
        after,
        same_recorder=request.same_recorder,
        same_place=request.same_place,
        swap_sides=request.swap_sides,
    )
    if not shared:
        return found
    names = _names(shared)
    if len(left) == 2:
        said = f"Left out, because it stands before and after: {names}. No work lies between a recording and itself."
        return replace(found, remarks=(Remark("recording-on-both-sides", said), *found.remarks))
    said = f"Before and after are one and the same recording: {names}. Nothing can be told from it; give one of each state."
    rows = tuple(replace(row, change=None, note="one recording on both sides") for row in found.rows)
    return replace(found, rows=rows, remarks=(Remark("one-recording-twice", said), *found.remarks))


def _names(shared: Sequence[tuple[Night, Night]]) -> str:
    """Name recordings that stand on both sides, by both names where they differ."""
    names = [tuple(dict.fromkeys(night.reading.recording.name for night in pair)) for pair in shared]
    return ", ".join(" = ".join(both) for both in dict.fromkeys(names))


def groups_of(
    request: CompareRequest,
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> tuple[Group, Group]:
    """Analyse the recordings of both sides of a comparison; for arguments and errors see `compare`.

    Parameters
    ----------
    request : CompareRequest
        The request.
    progress : callable, optional
        Called with the share done, 0 to 1.
    cancel : Flag, optional
        Checked whether to stop.
    """
    request.clock.clock()  # an unknown name is an error before any analysis
    groups: list[Group] = []
    earlier: datetime | None = None
    for side, temperature_c in zip((request.before, request.after), request.temperatures_c, strict=True):
        if isinstance(side, Days):
            groups.append(_days_group(request.clock, side, earlier))
            earlier = side.end
        else:
            groups.append(_files_group(side, request, progress, cancel))
        if temperature_c is not None:
            nights = tuple(replace(night, temperature_c=temperature_c) for night in groups[-1].nights)
            groups[-1] = replace(groups[-1], nights=nights)
    return groups[0], groups[1]


def read_document(path: Path, stream: TextIO | None = None) -> dict[str, Any]:
    """Read a reading's JSON document from a file, or from an open stream instead.

    Raises
    ------
    InputError
        It cannot be read, is too large, or is not a document.
    """
    try:
        if stream is None and path.stat().st_size > LARGEST_JSON_BYTES:
            raise InputError(f"{path} has {path.stat().st_size} bytes; a reading has less than 500 MB")
        document = json.loads(path.read_text(encoding="utf-8") if stream is None else stream.read())
    except (OSError, ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"{path} cannot be read as a reading ({error}); give what analyse --json wrote"
        ) from error
    if not isinstance(document, dict):
        raise InputError(f"{path} is no reading; give what torsionbeat analyse --json wrote")
    return document


def _files_group(
    path: Path, request: CompareRequest, progress: Callable[[float], None] | None, cancel: Flag | None
) -> Group:
    """Read every recording or kept reading at a path; what of a folder is neither is left out, and told."""
    if not path.exists():
        raise InputError(f"there is no file or folder {path}; {HOW}")
    paths = [path]
    if path.is_dir() and not is_kept(path):
        paths = sorted(one for one in path.iterdir() if not one.name.startswith("."))
        if not paths:
            raise InputError(f"the folder {path} holds no file; {HOW}")
    sounds = [one for one in paths if one.suffix.lower() != ".json"]
    heard = dict(zip(sounds, _heard_nights(sounds, request, progress, cancel), strict=True))
    found = {one: heard[one] if one in heard else _kept_in_file(one) for one in paths}
    nights = [night for night in found.values() if isinstance(night, Night)]
    left_out = {one: error for one, error in found.items() if not isinstance(error, Night)}
    if not nights:
        raise next(iter(left_out.values()))
    remarks = (_left_out(path.name, left_out),) if left_out else ()
    return Group(tuple(nights), label=path.name if len(paths) > 1 else "", remarks=remarks)


def _left_out(folder: str, errors: Mapping[Path, Exception]) -> Remark:
    silent = [one.name for one, error in errors.items() if isinstance(error, NothingHeardError)]
    others = [one.name for one, error in errors.items() if not isinstance(error, NothingHeardError)]
    said = [f"{', '.join(others)} (neither a recording nor a reading that can be read)"] if others else []
    said += [f"{', '.join(silent)} (no clock is heard)"] if silent else []
    return Remark("files-left-out", f"Left out of the folder {folder}: {'; '.join(said)}.")


def _heard_nights(
    paths: Sequence[Path],
    request: CompareRequest,
    progress: Callable[[float], None] | None,
    cancel: Flag | None,
) -> list[Night | InputError | NothingHeardError]:
    """Analyse recordings; for one that gives no reading, the error that says why."""
    if not paths:
        return []
    ppm = request.sample_clock_ppm
    listening = Listening(
        sample_clock_ppm=ppm, sample_clock_tolerance_ppm=0.0 if ppm is None else STATED_UNCERTAINTY_PPM
    )
    result = hear(HearRequest(tuple(paths), request.clock, listening), progress=progress, cancel=cancel)
    nights: list[Night | InputError | NothingHeardError] = []
    for path, outcome in zip(paths, result.outcomes, strict=True):
        if outcome.analysis is None:
            error = outcome.error or InputError(f"{path} could not be read")
            if not isinstance(error, (InputError, NothingHeardError)):
                raise error  # of the computer, not of the file
            nights.append(error)
            continue
        analysis = outcome.analysis
        nights.append(Night(analysis.reading, taken_at=_begun(path), voices=analysis.heard.voices))
    return nights


def _begun(path: Path) -> datetime | None:
    """Start of a recording kept by `listen`; a sound file does not state it."""
    with open_recording(path) as recording:
        begun_ns = recording.begun_utc_ns
    return None if begun_ns is None else datetime.fromtimestamp(begun_ns / 1e9, UTC)


def _kept_in_file(path: Path) -> Night | InputError:
    try:
        reading = reading_from_document(read_document(path))
    except InputError as error:
        return InputError(f"{path}: {error}" if str(path) not in str(error) else str(error))
    return Night(reading if reading.recording.name else _named(reading, path))


def _named(reading: Reading, path: Path) -> Reading:
    return replace(reading, recording=replace(reading.recording, name=path.name))


def _days_group(clock: KnownClock, days: Days, earlier: datetime | None) -> Group:
    """Read a clock's readings of some days from the log, and the last free swing up to then.

    ``earlier``: a free swing done before this moment belongs to an earlier state of the clock.
    """
    assert clock.name is not None
    with open_log(clock.log, must_exist=True) as log:
        record, readings = log.clock(clock.name), log.readings(clock.name)
        nights = tuple(kept_night(record, row) for row in readings if days.start <= row.taken_at < days.end)
        if not nights:
            taken = sorted({f"{row.taken_at.astimezone():%Y-%m-%d}" for row in readings})
            raise InputError(
                f"no reading of {clock.name!r} was taken on {_said(days)}; the log has "
                + (f"readings of {', '.join(taken[-12:])}" if taken else "none of it yet")
            )
        q = _last_q(log, clock.name, days, earlier)
        return Group(nights, _said(days), q, tuple(log.left_out))


def _last_q(log: BenchLog, clock: str, days: Days, earlier: datetime | None) -> object:
    found = None
    for swing in log.freeswings(clock):
        if (
            swing.q
            and swing.u_q
            and swing.done_at < days.end
            and (earlier is None or swing.done_at >= earlier)
        ):
            found = ufloat(swing.q, swing.u_q)
    return found


def _said(days: Days) -> str:
    """Whole days as typed, other spans as moments."""
    from datetime import timedelta

    first, last = days.start.astimezone(), (days.end - timedelta(hours=12)).astimezone()
    if days.start.astimezone().hour or days.end.astimezone().hour:
        return str(days)
    return f"{first:%Y-%m-%d}" if first.date() == last.date() else f"{first:%Y-%m-%d}..{last:%Y-%m-%d}"
