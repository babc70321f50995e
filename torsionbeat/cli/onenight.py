"""One night of listening, from opening the microphone to the reading in the bench log.

What the command line adds to ``listen_live``: signals, the folder, the display, the status file, and in the
morning the reading: first kept (in the folder, in the bench log), then printed.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from torsionbeat.cli.known import known_clock
from torsionbeat.cli.telling import tell
from torsionbeat.errors import BenchLogError, InputError, NothingHeardError, TorsionbeatError

if TYPE_CHECKING:
    from torsionbeat.live.session import LiveResult, LiveState
    from torsionbeat.reading.figures import Clock, Reading
    from torsionbeat.sound.capture import LiveSource

__all__ = [
    "READING_NAME",
    "NightPlan",
    "ended_by_signals",
    "folder_name",
    "night_plan",
    "one_night",
    "write_reading",
]

READING_NAME = "reading.json"
STATUS_EVERY_S = 60.0
SLACK_S = 15.0
"""A night whose microphone stays away ends by the computer's clock, so much later than its last sound would."""


@dataclass(frozen=True, slots=True)
class NightPlan:
    """What one night is to be: options of the command line, read and checked."""

    clock: Clock
    logged_as: str | None = None
    log: str | None = None
    keep: str = "sound"
    folder: Path | None = None
    device: str | None = None
    channels: int = 1
    sample_rate_hz: float = 48_000.0
    planned_s: float | None = None
    status: Path | None = None
    quiet: bool = False
    reference_interval_s: float | None = None
    reference_tolerance_ppm: float = 5.0


def night_plan(
    name: str | None, log: str | None, period: float | None, lift: float | None, tolerance: float | None
) -> NightPlan:
    """Begin a plan with what is known of the clock: options first, then its record in the bench log."""
    record = None
    if name is not None:
        from torsionbeat.benchlog import open_log

        with open_log(log) as opened:
            record = opened.clock(name).as_clock()
    elif log is not None:
        raise InputError("--log belongs to --clock; say for which clock the reading is to be kept")
    known = known_clock(record, period, lift, tolerance)
    return NightPlan(known, logged_as=None if record is None else record.name, log=log)


@contextlib.contextmanager
def ended_by_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Ctrl-C, a kill or a closed terminal ends the listening, not the program; a second Ctrl-C ends it all."""

    def handle(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGINT:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        stop()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.signal(getattr(signal, name), handle) for name in names}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def one_night(plan: NightPlan, source: LiveSource, on_signal: Callable[[], None] | None = None) -> Reading:
    """Listen, keep, measure, and tell; ``on_signal`` is called when a signal ends it.

    Raises
    ------
    NothingHeardError
        No clock was heard; what was kept stays.
    DeviceError
        Microphone or disk failed on the way; the reading of what was heard is printed before.
    """
    from torsionbeat.display.live import LiveScreen
    from torsionbeat.hearing.reference import ReferenceEar
    from torsionbeat.live.session import listen_live
    from torsionbeat.sound.keeper import Keeper

    begun = datetime.now(UTC)

    def stop() -> None:
        source.stop()
        if on_signal is not None:
            on_signal()

    folder = plan.folder or Path(folder_name(plan.clock.name, begun))
    reference = None
    if plan.reference_interval_s is not None:
        reference = ReferenceEar(
            source.sample_rate_hz, plan.reference_interval_s, plan.reference_tolerance_ppm
        )
    with contextlib.ExitStack() as stack:
        keeper = stack.enter_context(
            Keeper(
                folder,
                source.sample_rate_hz,
                source.channels,
                keeps=plan.keep,
                planned_s=plan.planned_s,
                synchronised=source.synchronised,
            )
        )
        stack.enter_context(ended_by_signals(stop))
        stack.enter_context(_ended_by_time(plan.planned_s, source.stop))
        title = f"Listening to {plan.clock.name or 'the clock'} with {source.name}"
        screen = None if plan.quiet else stack.enter_context(LiveScreen(title))
        watcher = _Watcher(folder, plan.status, screen)
        result = listen_live(
            source,
            plan.clock,
            keeper=keeper,
            planned_s=plan.planned_s,
            reference=reference,
            on_state=watcher,
        )
    return _morning(plan, result, folder, begun)


def folder_name(clock: str, begun: datetime) -> str:
    """Name of a recording folder: the clock's, made fit for a file, and the hour."""
    kept = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in clock).strip("-") or "night"
    return f"{kept}-{begun.astimezone():%Y-%m-%d-%H%M%S}"


@contextlib.contextmanager
def _ended_by_time(planned_s: float | None, stop: Callable[[], None]) -> Iterator[None]:
    if planned_s is None:
        yield
        return
    timer = threading.Timer(planned_s + SLACK_S, stop)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


class _Watcher:
    """Is told the state: shows it, keeps each new reading in the folder, and writes the status once a minute."""

    def __init__(self, folder: Path, status: Path | None, screen: Any) -> None:
        self._folder, self._status, self._screen = folder, status, screen
        self._written_at_s: float | None = None
        self._status_at_s = -STATUS_EVERY_S

    def __call__(self, state: LiveState) -> None:
        if self._screen is not None:
            self._screen.show(state)
        if state.reading is not None and state.reading_at_s != self._written_at_s:
            self._written_at_s = state.reading_at_s
            with contextlib.suppress(OSError):  # a full disk is told by the keeper
                write_reading(self._folder, state.reading)
        if self._status is not None and state.heard_s >= self._status_at_s + STATUS_EVERY_S:
            self._status_at_s = state.heard_s
            from torsionbeat.display.live import status_document

            line = json.dumps(status_document(state, datetime.now().astimezone()), allow_nan=False)
            with contextlib.suppress(OSError), self._status.open("a", encoding="utf-8") as file:
                file.write(line + "\n")


def write_reading(folder: Path, reading: Reading) -> Path:
    """Keep a reading in its folder: whole or not at all."""
    from torsionbeat.reading.document import reading_document

    path, new = folder / READING_NAME, folder / f".{READING_NAME}.new"
    with new.open("w", encoding="utf-8") as file:
        json.dump(reading_document(reading), file, allow_nan=False)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
    return path


def _morning(plan: NightPlan, result: LiveResult, folder: Path, begun: datetime) -> Reading:
    """Keep the reading, then print it, then say what went wrong."""
    from torsionbeat.display.terminal import print_reading
    from torsionbeat.errors import DeviceError

    if result.reading is None:
        kept = f" What was heard is kept in {folder}." if plan.keep != "figures" else ""
        raise NothingHeardError(f"{result.why}{kept}")
    troubles: list[TorsionbeatError] = []
    try:
        write_reading(folder, result.reading)
    except OSError as error:
        troubles.append(DeviceError(f"the reading could not be kept in {folder}: {error.strerror or error}"))
    if plan.logged_as is not None:
        try:
            _log(plan, result.reading, folder, begun)
        except BenchLogError as error:
            troubles.append(error)
    if result.failure:
        troubles.append(DeviceError(result.failure))
    print_reading(result.reading)
    if not plan.quiet and plan.keep != "figures":
        tell(f"kept in {folder}; read it again with: torsionbeat analyse {folder}")
    if troubles:
        for trouble in troubles[:-1]:
            tell(str(trouble))
        raise troubles[-1]
    return result.reading


def _log(plan: NightPlan, reading: Reading, folder: Path, begun: datetime) -> None:
    from torsionbeat.benchlog import open_log
    from torsionbeat.reading.document import reading_document

    assert plan.logged_as is not None
    with open_log(plan.log) as opened:
        opened.add_reading(plan.logged_as, reading_document(reading), folder, taken_at=begun)
