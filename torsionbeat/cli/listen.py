"""``torsionbeat listen``, ``inbeat`` and ``devices``: listening with a microphone at the movement."""

from __future__ import annotations

import contextlib
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.options import (
    ClockOptions,
    JsonOption,
    KeepAnyway,
    ReferenceOptions,
    SoundOptions,
    takes_groups,
)
from torsionbeat.errors import DeviceError, InputError, NothingHeardError, TorsionbeatError
from torsionbeat.terminal.outputs import refuse_harm
from torsionbeat.terminal.telling import print_json, reading_line, say, tell
from torsionbeat.terminal.watching import CheckTeller, Ending, Watcher, ended_by_signals, follow, show_night
from torsionbeat.typed import times
from torsionbeat.typed.times import length_s, night_span, until_s

if TYPE_CHECKING:
    from torsionbeat.jobs.listen import ListenRequest

__all__ = ["Ending", "devices_command", "ended_by_signals", "inbeat_command", "listen_command"]


AGAIN_S = 600.0
"""Pause after a failed night before the next try: time to plug a microphone in again."""


@dataclass(frozen=True, slots=True)
class NightOptions:
    """How long to listen and what to keep."""

    length: Annotated[
        str | None, typer.Option("--for", metavar="LENGTH", help="How long, e.g. 9h, 90min, 1h30m.")
    ] = None
    until: Annotated[str | None, typer.Option(metavar="HOUR", help="Until when, e.g. 07:00.")] = None
    every_night: Annotated[
        str | None, typer.Option(metavar="SPAN", help="Every night at these hours, e.g. 22:00-07:00.")
    ] = None
    check: Annotated[
        bool, typer.Option("--check", help="Two minutes that tell whether the microphone is well placed.")
    ] = False
    follow: Annotated[
        bool, typer.Option("--follow", help="Show the night that is running, of --clock or at all.")
    ] = False
    keep: Annotated[
        str,
        typer.Option(
            help="sound: all of it, 100 to 300 MB an hour; beats: only around the beats; figures: no sound."
        ),
    ] = "sound"
    folder: Annotated[
        Path | None,
        typer.Option(help="Folder to keep the recording in; every night: folder for the nights' folders."),
    ] = None
    status: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the state there, one JSON line a minute.")
    ] = None
    keep_anyway: KeepAnyway = False
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No display: only the reading at the end, for cron.")
    ] = False

    def duration_s(self) -> float | None:
        """Give the time to listen, in seconds.

        Raises
        ------
        InputError
            Options that contradict each other, or cannot be read.
        """

        if sum(option is not None for option in (self.length, self.until, self.every_night)) > 1:
            raise InputError("give one of --for, --until and --every-night")
        if self.check and (self.until is not None or self.every_night is not None):
            raise InputError(
                "--check takes two minutes, or what --for says; leave --until and --every-night out"
            )
        if self.every_night is not None:
            night_span(self.every_night)
        if self.length is not None:
            return length_s(self.length)
        return None if self.until is None else until_s(self.until, datetime.now().astimezone())


@takes_groups
def listen_command(
    clock: ClockOptions,
    sound: SoundOptions,
    night: NightOptions,
    reference: ReferenceOptions,
    print_unit: Annotated[
        bool, typer.Option("--print-unit", help="Print a systemd user unit for these options, and end.")
    ] = False,
) -> None:
    """Listen to a clock through a microphone, show how it goes, and read the night in the morning.

    Ends after --for or at --until, by Ctrl-C or by a kill: the night is kept and read all the same. What was
    kept is read again with analyse FOLDER, even after a power cut.

    Exit status: 0 heard, 2 an option cannot be used, 3 no clock heard, 4 microphone or disk failed (the
    reading of what was heard is printed), 5 the bench log failed.
    """
    if night.status is not None:
        refuse_harm([("--status", night.status)], (), clock.log)
    if print_unit:
        from torsionbeat.terminal.unit import systemd_unit

        _ = night.duration_s(), clock.known(), sound.sound()  # impossible values are refused in a unit too
        typer.echo(systemd_unit())
    elif night.follow:
        follow(clock.clock)
    elif night.check:
        _check(clock, sound, night)
    elif night.every_night is not None:
        _every_night(_request(clock, sound, night, reference), night)
    else:
        _one_night(_request(clock, sound, night, reference), night)


def _request(
    clock: ClockOptions, sound: SoundOptions, night: NightOptions, reference: ReferenceOptions
) -> ListenRequest:
    from torsionbeat.jobs.listen import ListenRequest

    return ListenRequest(
        clock.known(),
        sound.sound(),
        night.duration_s(),
        night.keep,
        night.folder,
        reference_interval_s=reference.reference_interval,
        reference_tolerance_ppm=reference.tolerance_ppm(),
        keep_anyway=night.keep_anyway,
    )


def _check(clock: ClockOptions, sound: SoundOptions, night: NightOptions) -> None:
    """Check the microphone and report the result."""
    from torsionbeat.jobs.microphone import CHECK_S, CheckMicrophoneRequest, check_microphone

    request = CheckMicrophoneRequest(sound.sound(2), clock.known(), night.duration_s() or CHECK_S)
    with ended_by_signals() as ending:
        found = check_microphone(request, on_state=None if night.quiet else CheckTeller(), cancel=ending)
    said = [one for one in found.remarks if getattr(one, "code", "") != "device-settings"]
    say(*found.placing.sentences, *said)
    if found.placing.best is None:
        raise NothingHeardError("no tick is heard where the microphone is now")


def _one_night(request: ListenRequest, night: NightOptions, ending: Ending | None = None) -> None:
    """Listen, show the progress, and print the reading; failures are reported after it."""
    from torsionbeat.jobs.listen import listen
    from torsionbeat.terminal.live import LiveScreen

    with contextlib.ExitStack() as stack:
        flag = stack.enter_context(ended_by_signals(ending))
        screen = LiveScreen("Opening the microphone")
        if not night.quiet:
            stack.enter_context(screen)
        watcher = Watcher(screen, night.quiet, night.status)
        try:
            result = listen(request, on_state=watcher, on_begin=watcher.begin, cancel=flag)
        except KeyboardInterrupt:  # the second Ctrl-C ends everything at once
            if watcher.night is not None:
                tell(f"ended before the night was read; read it with: {reading_line(watcher.night)}")
            raise
    if watcher.unwritten is not None and not night.quiet:
        tell(watcher.unwritten)
    show_night(result, request, quiet=night.quiet)


def _every_night(request: ListenRequest, night: NightOptions) -> None:
    """One night after the other until stopped; a failed night is reported and affects no other."""
    span = times.night_span(night.every_night or "")
    done = datetime.now().astimezone()
    with ended_by_signals() as over:
        while True:
            begin, end = times.next_night(span, max(datetime.now().astimezone(), done))
            if not night.quiet:
                tell(f"waiting for {begin:%A %H:%M}; Ctrl-C ends")
            while not over.is_set() and (wait_s := _seconds_to(begin)) > 0:
                over.wait(
                    min(wait_s, 30.0)
                )  # in steps: after the computer's sleep the wait must not continue past the hour
            if over.is_set():
                return
            tonight = replace(
                request, duration_s=max(_seconds_to(end), 10.0), folder=None, parent=request.folder or Path()
            )
            try:
                _one_night(tonight, night, over)
                done = end  # a recorder with a fast crystal finishes a little before the hour
            except TorsionbeatError as error:
                tell(str(error))
                over.wait(min(max(_seconds_to(end), 0.0), AGAIN_S))


def _seconds_to(moment: datetime) -> float:
    return (moment - datetime.now().astimezone()).total_seconds()


@takes_groups
def inbeat_command(
    clock: ClockOptions,
    sound: SoundOptions,
    arc: Annotated[
        float | None,
        typer.Option(
            help="Arc (amplitude end to end) as counted by eye (deg), where only the drop is heard."
        ),
    ] = None,
    share_above_fork: Annotated[
        float,
        typer.Option(help="Fork on the strip: its free length above the fork over all of it; else 1."),
    ] = 1.0,
    length: Annotated[
        str | None,
        typer.Option("--for", metavar="LENGTH", help="How long, e.g. 20min; left out, till Ctrl-C."),
    ] = None,
) -> None:
    """Set a clock in beat: after each swing the offset, how sure it is, and the way to turn.

    Right again two swings after you have turned and let go. Side a and side b are the two ways the balance
    goes: the screen says at which it just went by. Nothing is kept.

    Exit status: 0 ended as wished, 2 an option cannot be used, 3 no clock heard, 4 the microphone failed.
    """
    from torsionbeat.jobs.set_beat import SetBeatRequest, set_beat
    from torsionbeat.terminal.beatview import BeatScreen

    duration_s = None if length is None else length_s(length)
    request = SetBeatRequest(sound.sound(), clock.known(), arc, share_above_fork, duration_s)
    with BeatScreen() as screen, ended_by_signals() as ending:
        set_beat(request, on_state=screen.show, cancel=ending)


def devices_command(json: JsonOption = False) -> None:
    """List the microphones; give a number or part of a name to listen --device."""
    from torsionbeat.jobs.microphone import devices

    found = devices()
    if json:
        print_json([asdict(device) for device in found])
    elif not found:
        raise DeviceError("no microphone was found; plug one in and check that the sound system runs")
    else:
        from torsionbeat.display.terminal import device_table, eighty_columns

        eighty_columns().print(device_table(found))
