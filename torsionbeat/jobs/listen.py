"""Listen for a night: microphone, kept sound, live figures, and finally the reading in its folder and in the log.

Input: a clock, a microphone, a length. Output: states during the night and a reading at its end. A night ends by its
length, by ``cancel``, or on request of another program of this user. A broken-off night is finished from the data that
it kept.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from torsionbeat.bench.known import KnownClock
from torsionbeat.bench.nights import (
    READING_NAME,
    Night,
    announced,
    forget_night,
    night_state,
    running_nights,
    tell_state,
)
from torsionbeat.bench.sides import KnownSides, known_sides
from torsionbeat.bench.source import Flag, LiveSound, Microphone, Playback, opened, stopped_by
from torsionbeat.errors import BenchLogError, DeviceError, InputError, NothingHeardError, TorsionbeatError
from torsionbeat.history.nights import Night as ReadNight
from torsionbeat.jobs.hear import HearRequest, hear
from torsionbeat.live.session import LiveResult, LiveState, listen_live
from torsionbeat.reading.analysis import Listening
from torsionbeat.reading.document import reading_document
from torsionbeat.reading.figures import Reading
from torsionbeat.sound import keeper as keeping
from torsionbeat.sound.kept import is_kept
from torsionbeat.sound.recording import open_recording
from torsionbeat.tracks.reference import ReferenceEar
from torsionbeat.whole_files import written_whole

__all__ = [
    "ListenRequest",
    "ListenResult",
    "finish_night",
    "folder_name",
    "follow_night",
    "listen",
    "write_reading",
]

FOLLOW_EVERY_S = 0.5
"""A night reports its state about once a second."""

LONGEST_S = 31 * 86400.0
"""Longer than any rate needs, and too short to fill a disk unnoticed."""


@dataclass(frozen=True, slots=True)
class ListenRequest:
    """One night of listening.

    Parameters
    ----------
    clock : KnownClock
        With a name, the reading is kept in the bench log.
    sound : Microphone or Playback
    duration_s : float or None
        10 s to 31 days; None: until stopped.
    keep : str
        ``sound``: all of it; ``beats``: only around the beats; ``figures``: no sound.
    folder : Path or None
        Folder created for the night; None: a new one in ``parent``, named after clock and hour.
    parent : Path
        Where new folders are created.
    reference_interval_s : float or None
        Interval of a quartz clock or time-signal pips that are also heard; they measure the crystal.
    reference_tolerance_ppm : float
        Accuracy of the reference, half-width.
    keep_anyway : bool
        Keep the reading in the log even if it is odd.
    """

    clock: KnownClock = KnownClock()
    sound: Microphone | Playback = Microphone()
    duration_s: float | None = None
    keep: str = "sound"
    folder: Path | None = None
    parent: Path = Path()
    reference_interval_s: float | None = None
    reference_tolerance_ppm: float = 5.0
    keep_anyway: bool = False

    def __post_init__(self) -> None:
        if self.duration_s is not None and not 10 <= self.duration_s <= LONGEST_S:
            raise InputError(
                f"the night is to last {self.duration_s:g} s; listen for at least 10 s and at most 31 days"
            )
        if self.keep not in keeping.KEEPS:
            raise InputError(f"what to keep is {self.keep!r}; use sound, beats or figures")
        Listening(
            reference_interval_s=self.reference_interval_s,
            reference_tolerance_ppm=self.reference_tolerance_ppm,
        )


@dataclass(frozen=True, slots=True)
class ListenResult:
    """The result of a night.

    Attributes
    ----------
    reading : Reading
    folder : Path
        Where sound, journal and reading are kept.
    began : datetime
    heard_s : float
        Length, including lost stretches.
    kept_for : str or None
        Name of the clock for which the bench log keeps the reading.
    failures : tuple of TorsionbeatError
        Failures during the night: disk, microphone, log. The reading still covers what was heard.
    """

    reading: Reading
    folder: Path
    began: datetime
    heard_s: float
    kept_for: str | None = None
    failures: tuple[TorsionbeatError, ...] = ()


def listen(
    request: ListenRequest,
    *,
    on_state: Callable[[LiveState], None] | None = None,
    on_begin: Callable[[Night], None] | None = None,
    cancel: Flag | None = None,
    source: LiveSound | None = None,
) -> ListenResult:
    """Listen until the time is over or the night is stopped; keep, measure, and enter in the log.

    Parameters
    ----------
    request : ListenRequest
    on_state : callable, optional
        Called with the state about once a second and at every new figure; blocks wait for it to return.
    on_begin : callable, optional
        Called with the night once it is listed as running.
    cancel : Flag, optional
        Ends the night, which is then read up to this point.
    source : LiveSound, optional
        An open source to listen to instead of ``request.sound``.

    Raises
    ------
    NothingHeardError
        No clock was heard; the kept data stay.
    InputError
        No such clock, a night of it is already running, or the folder holds a recording.
    DeviceError
        The microphone cannot be opened, or the disk has no room.
    BenchLogError
        The log cannot be read.
    """
    clock = request.clock.clock()
    with opened(request.sound, source) as live:
        began = datetime.now(UTC)
        folder = request.folder or request.parent / folder_name(clock.name, began)
        with contextlib.ExitStack() as stack:
            keeper = stack.enter_context(
                keeping.Keeper(
                    folder,
                    live.sample_rate_hz,
                    live.channels,
                    keeps=request.keep,
                    planned_s=request.duration_s,
                    synchronised=live.synchronised,
                    recorder=getattr(live, "recorder", ""),
                )
            )
            night, stop_file = stack.enter_context(
                announced(folder, request.clock, live.name, began, request.duration_s, request.keep)
            )
            teller = _Teller(night, on_state, _sides_of(request.clock))
            if on_begin is not None:
                on_begin(night)
            stack.enter_context(stopped_by(live, cancel, stop_file))
            reference = None
            if request.reference_interval_s is not None:
                reference = ReferenceEar(
                    live.sample_rate_hz, request.reference_interval_s, request.reference_tolerance_ppm
                )
            result = listen_live(
                live,
                clock,
                keeper=keeper,
                planned_s=request.duration_s,
                reference=reference,
                on_state=teller,
            )
            keeper.close()
            return _kept(request, result, folder, began)


def folder_name(clock: str, began: datetime) -> str:
    """Name of a recording folder: the clock's name, made valid for a file, and the hour."""
    kept = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in clock).strip("-") or "night"
    return f"{kept}-{began.astimezone():%Y-%m-%d-%H%M%S}"


def write_reading(folder: Path, reading: Reading) -> Path:
    """Keep a reading in its folder, completely or not at all.

    Parameters
    ----------
    folder : Path
    reading : Reading

    Raises
    ------
    OSError
        The disk rejected it; the old file stays.
    """
    path = folder / READING_NAME
    with written_whole(path, private=True, secure=True) as part, part.open("w", encoding="utf-8") as file:
        json.dump(reading_document(reading), file, allow_nan=False)
    return path


def finish_night(
    folder: Path,
    clock: KnownClock = KnownClock(),
    *,
    progress: Callable[[float], None] | None = None,
    cancel: Flag | None = None,
) -> ListenResult:
    """Read a broken-off night from the data that it kept, and enter it in the log.

    Parameters
    ----------
    folder : Path
        The night's folder.
    clock : KnownClock
        With a name, the reading is kept in the bench log; ``Night.known`` gives the clock of the night.
    progress : callable, optional
        Called with the share done, 0 to 1.
    cancel : Flag, optional
        Ends the reading.

    Raises
    ------
    InputError
        No night was kept there.
    NothingHeardError
        It holds no measurable clock.
    CancelledError
        ``cancel`` was set.
    """
    if not is_kept(folder):
        raise InputError(f"{folder} holds no night; give the folder in which listen kept one")
    analysis = hear(HearRequest((folder,), clock), progress=progress, cancel=cancel).analysis
    found = ReadNight(analysis.reading, voices=analysis.heard.voices)
    with open_recording(folder) as recording:
        begun_ns = recording.begun_utc_ns
    began = datetime.now(UTC) if begun_ns is None else datetime.fromtimestamp(begun_ns / 1e9, UTC)
    request = ListenRequest(replace(clock), folder=folder)
    result = _entered(request, found, folder, began, found.reading.recording.duration_s, [])
    if not result.failures:
        forget_night(folder)
    return result


def follow_night(night: Night, *, on_state: Callable[[LiveState], None], cancel: Flag | None = None) -> None:
    """Follow a running night of any program until it ends or ``cancel`` is set, without changing it.

    Parameters
    ----------
    night : Night
        A night from `torsionbeat.bench.nights.running_nights`.
    on_state : callable
        Called with each new state, about once a second.
    cancel : Flag, optional
        Ends the following.
    """
    told = None
    while (cancel is None or not cancel.is_set()) and night in running_nights():
        state = night_state(night)
        if state is not None and state.heard_s != told:
            told = state.heard_s
            on_state(state)
        time.sleep(FOLLOW_EVERY_S)


class _Teller:
    """Receives each state: passes it to other programs and the caller, and keeps each new reading in the folder.

    It reports the clock's own side letters, as the beat setting and the kept reading do.
    """

    def __init__(
        self, night: Night, on_state: Callable[[LiveState], None] | None, sides: KnownSides | None
    ) -> None:
        self._night, self._on_state, self._sides = night, on_state, sides
        self._asked_at_s: float | None = None
        self._lettered: ReadNight | None = None

    def __call__(self, state: LiveState) -> None:
        if state.reading is None:
            self._lettered = None
        elif self._lettered is None or state.reading_at_s != self._asked_at_s:
            self._asked_at_s = state.reading_at_s
            self._lettered = ReadNight(state.reading, datetime.now(UTC), voices=state.voices)
            if self._sides is not None:
                self._lettered = self._sides.own(self._lettered)[0]
            with contextlib.suppress(OSError):  # a full disk is reported by the keeper
                write_reading(self._night.folder, self._lettered.reading)
        if self._lettered is not None:
            state = replace(state, reading=self._lettered.reading, voices=self._lettered.voices)
        tell_state(self._night, state)
        if self._on_state is not None:
            self._on_state(state)


def _kept(request: ListenRequest, result: LiveResult, folder: Path, began: datetime) -> ListenResult:
    if result.reading is None:
        kept = f" What was heard is kept in {folder}." if result.kept else ""
        raise NothingHeardError(f"{result.why}{kept}")
    failures: list[TorsionbeatError] = [DeviceError(result.failure)] if result.failure else []
    night = _in_own_letters(request.clock, ReadNight(result.reading, began, voices=result.heard.voices))
    return _entered(request, night, folder, began, result.heard_s, failures)


def _in_own_letters(clock: KnownClock, night: ReadNight) -> ReadNight:
    """Convert a night to its clock's side letters, if the bench log can be read and knows them."""
    sides = _sides_of(clock)
    return night if sides is None else sides.own(night)[0]


def _sides_of(clock: KnownClock) -> KnownSides | None:
    """The clock's sides from the bench log; None where it cannot be read."""
    if clock.name is None:
        return None
    from torsionbeat.benchlog import open_log

    try:
        with open_log(clock.log, must_exist=True) as log:
            return known_sides(log, clock.name)
    except (BenchLogError, InputError):  # the error is reported later, when the reading is kept there
        return None


def _entered(
    request: ListenRequest,
    night: ReadNight,
    folder: Path,
    began: datetime,
    heard_s: float,
    failures: list[TorsionbeatError],
) -> ListenResult:
    """Keep the reading in the folder and in the log; failures are reported with it."""
    kept_for, reading = None, night.reading
    try:
        write_reading(folder, reading)
    except OSError as error:
        said = f"the reading could not be kept in {folder}: {error.strerror or error}"
        failures = [DeviceError(said), *failures]
    if request.clock.name is not None:
        try:
            kept_for = _log(request, night, folder, began)
        except (BenchLogError, InputError) as error:
            failures = [error, *failures]
    return ListenResult(reading, folder, began, heard_s, kept_for, tuple(failures))


def _log(request: ListenRequest, night: ReadNight, folder: Path, began: datetime) -> str:
    from torsionbeat.jobs.keep_reading import BY_JOURNAL, ReadingRequest, keep_reading

    assert request.clock.name is not None
    kept = keep_reading(
        ReadingRequest(
            request.clock.name,
            night.reading,
            folder,
            began,
            keep_anyway=request.keep_anyway,
            voices=night.voices,
            log=request.clock.log,
            dated_by=BY_JOURNAL,
        )
    )
    if kept.refusal is not None:
        raise kept.refusal
    return kept.clock
