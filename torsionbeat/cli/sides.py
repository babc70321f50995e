"""What a command may be given to compare or report on: recordings, readings kept as JSON, folders, dates."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.benchlog import BenchLog, ReadingRecord
    from torsionbeat.history.nights import Group, Night
    from torsionbeat.reading.figures import Clock, Reading

__all__ = ["dates_group", "files_group", "kept_night", "whole_days"]

DATES = re.compile(r"(\d{4}-\d{2}-\d{2})(?:\.\.(\d{4}-\d{2}-\d{2}))?")

HOW = "give a recording, a .json that analyse wrote, a folder of them, or with --clock a date or DATE..DATE"

LARGEST_JSON_BYTES = 500_000_000


def files_group(
    place: str,
    clock: Clock,
    *,
    sample_clock_ppm: float | None = None,
    temperature_c: float | None = None,
) -> Group:
    """Read every recording or kept reading at a place.

    Raises
    ------
    InputError
        There is nothing, or a file that cannot be used.
    """
    from torsionbeat.history.nights import Group
    from torsionbeat.sound.kept import is_kept

    path = Path(place)
    if not path.exists():
        raise InputError(f"there is no file or folder {path}; {HOW}")
    paths = [path]
    if path.is_dir() and not is_kept(path):
        paths = sorted(one for one in path.iterdir() if not one.name.startswith("."))
        if not paths:
            raise InputError(f"the folder {path} holds no file; {HOW}")
    sounds = [one for one in paths if one.suffix.lower() != ".json"]
    heard = dict(zip(sounds, _heard_nights(sounds, clock, sample_clock_ppm) if sounds else (), strict=True))
    nights = [heard[one] if one in heard else _kept_in_file(one) for one in paths]
    return Group(
        tuple(replace(night, temperature_c=temperature_c) for night in nights),
        label=path.name if len(paths) > 1 else "",
    )


def whole_days(text: str) -> tuple[datetime, datetime] | None:
    """Read ``2026-03-01`` or ``2026-03-01..2026-03-07`` as the moments between which those days lie.

    Examples
    --------
    >>> start, end = whole_days("2026-03-01..2026-03-02")
    >>> (end - start).days, whole_days("before.flac")
    (2, None)
    """
    match = DATES.fullmatch(text.strip())
    if match is None:
        return None
    try:
        first, last = (datetime.fromisoformat(day) for day in (match[1], match[2] or match[1]))
    except ValueError as error:
        raise InputError(f"the date {text!r} is not in the calendar; write it as 2026-03-01") from error
    if last < first:
        raise InputError(f"the dates {text!r} run backwards; give the earlier one first")
    start, end = (
        datetime.combine(day.date(), time()).astimezone() for day in (first, last + timedelta(days=1))
    )
    return start, end


def dates_group(
    log: BenchLog, clock: str, text: str, *, after: datetime | None = None, temperature_c: float | None = None
) -> Group:
    """Take the readings that a clock's log holds of some days, and the last free swing up to then.

    ``after``: a free swing done before this moment belongs to an earlier state of the clock.

    Raises
    ------
    InputError
        The text is no date, or no reading was taken then.
    """
    from uncertainties import ufloat

    from torsionbeat.history.nights import Group

    days = whole_days(text)
    if days is None:
        raise InputError(f"{text!r} is neither a file nor a date; {HOW}")
    start, end = days
    readings = log.readings(clock)
    nights = tuple(
        replace(kept_night(record), temperature_c=temperature_c)
        for record in readings
        if start <= record.taken_at < end
    )
    if not nights:
        taken = sorted({f"{record.taken_at.astimezone():%Y-%m-%d}" for record in readings})
        raise InputError(
            f"no reading of {clock!r} was taken on {text}; the log has "
            + (f"readings of {', '.join(taken[-12:])}" if taken else "none of it yet")
        )
    swings = [
        swing
        for swing in log.freeswings(clock)
        if swing.q is not None and swing.done_at < end and (after is None or swing.done_at >= after)
    ]
    q = None
    if swings and swings[-1].q is not None and swings[-1].u_q:
        q = ufloat(swings[-1].q, swings[-1].u_q)
    return Group(nights, label=text, free_swing_q=q)


def kept_night(record: ReadingRecord) -> Night:
    """Give the night that a row of the log keeps."""
    from torsionbeat.history.nights import Night, reading_from_document

    return Night(reading_from_document(record.document), taken_at=record.taken_at)


def _kept_in_file(path: Path) -> Night:
    from torsionbeat.history.nights import Night, reading_from_document

    try:
        if path.stat().st_size > LARGEST_JSON_BYTES:
            raise InputError(f"{path} has {path.stat().st_size} bytes; a reading has less than 500 MB")
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path} cannot be read as a reading ({error}); {HOW}") from error
    if not isinstance(document, dict):
        raise InputError(f"{path} is no reading; {HOW}")
    try:
        reading = reading_from_document(document)
    except InputError as error:
        raise InputError(f"{path}: {error}") from error
    return Night(reading if reading.recording.name else _named(reading, path))


def _named(reading: Reading, path: Path) -> Reading:
    return replace(reading, recording=replace(reading.recording, name=path.name))


def _heard_nights(paths: Sequence[Path], clock: Clock, sample_clock_ppm: float | None) -> list[Night]:
    """Hear recordings, side by side where there are several; the first that fails ends it with its name."""
    from torsionbeat.history.nights import Night
    from torsionbeat.reading.analysis import Listening
    from torsionbeat.reading.batch import analyse_many, outcome_of
    from torsionbeat.sound.timebase import STATED_UNCERTAINTY_PPM

    listening = Listening(
        sample_clock_ppm=sample_clock_ppm,
        sample_clock_tolerance_ppm=0.0 if sample_clock_ppm is None else STATED_UNCERTAINTY_PPM,
    )
    names = [str(path) for path in paths]
    outcomes = (
        [outcome_of(names[0], clock, listening)] if len(names) == 1 else analyse_many(names, clock, listening)
    )
    nights = []
    for path, outcome in zip(paths, outcomes, strict=True):
        if outcome.analysis is None:
            raise outcome.error or InputError(f"{path} could not be read")
        nights.append(
            Night(outcome.analysis.reading, taken_at=_begun(path), voices=outcome.analysis.heard.voices)
        )
    return nights


def _begun(path: Path) -> datetime | None:
    """When a recording that listen kept began; a sound file does not tell."""
    from torsionbeat.sound.recording import open_recording

    with open_recording(path) as recording:
        begun_ns = recording.begun_utc_ns
    return None if begun_ns is None else datetime.fromtimestamp(begun_ns / 1e9, UTC)
