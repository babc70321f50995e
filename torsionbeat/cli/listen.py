"""``torsionbeat listen``: a microphone at the movement, for minutes, for a night, or for every night."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.history import LogOption
from torsionbeat.cli.known import ReferenceInterval, ReferenceTolerance, reference_tolerance
from torsionbeat.cli.telling import tell
from torsionbeat.errors import InputError, TorsionbeatError

if TYPE_CHECKING:
    from datetime import datetime

    from torsionbeat.cli.onenight import NightPlan
    from torsionbeat.sound.capture import LiveSource

__all__ = ["listen_command"]

CHECK_S = 120.0

Device = Annotated[
    str | None, typer.Option(help="Microphone: number or part of the name, as devices lists them.")
]
Period = Annotated[float | None, typer.Option(help="Nominal full period, out and back (s).")]
Lift = Annotated[float | None, typer.Option(help="Lift, contact to drop (deg); the arc needs it.")]


def listen_command(
    clock: Annotated[
        str | None,
        typer.Option(help="Clock of the bench log: what is known of it; its reading is kept there."),
    ] = None,
    length: Annotated[
        str | None, typer.Option("--for", metavar="LENGTH", help="How long, e.g. 9h, 90min, 1h30m.")
    ] = None,
    until: Annotated[str | None, typer.Option(metavar="HOUR", help="Until when, e.g. 07:00.")] = None,
    every_night: Annotated[
        str | None, typer.Option(metavar="SPAN", help="Every night at these hours, e.g. 22:00-07:00.")
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Two minutes that tell whether the microphone is well placed.")
    ] = False,
    period: Period = None,
    lift: Lift = None,
    lift_tolerance: Annotated[float | None, typer.Option(help="How far off the lift may be (deg).")] = None,
    device: Device = None,
    channels: Annotated[int, typer.Option(min=1, max=8, help="Channels to take; the clearest is heard.")] = 1,
    sample_rate: Annotated[int, typer.Option(help="Sample rate (Hz).")] = 48_000,
    keep: Annotated[
        str,
        typer.Option(
            help="sound: all of it, 100 to 300 MB an hour; beats: only around the beats; figures: no sound."
        ),
    ] = "sound",
    folder: Annotated[
        Path | None,
        typer.Option(help="Folder to keep the recording in; every night: folder for the nights' folders."),
    ] = None,
    reference_interval: ReferenceInterval = None,
    reference_tolerance_ppm: ReferenceTolerance = None,
    status: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the state there, one JSON line a minute.")
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="No display: only the reading at the end, for cron.")
    ] = False,
    print_unit: Annotated[
        bool, typer.Option("--print-unit", help="Print a systemd user unit for these options, and end.")
    ] = False,
    log: LogOption = None,
) -> None:
    """Listen to a clock through a microphone, show how it goes, and read the night in the morning.

    Ends after --for or at --until, by Ctrl-C or by a kill: the night is kept and read all the same. What was
    kept is read again with analyse FOLDER, even after a power cut.

    Exit status: 0 heard, 2 an option cannot be used, 3 no clock heard, 4 microphone or disk failed (the
    reading of what was heard is printed), 5 the bench log failed.
    """
    if print_unit:
        typer.echo(_unit())
        return
    from torsionbeat.cli.onenight import night_plan

    plan = replace(
        night_plan(clock, log, period, lift, lift_tolerance),
        keep=keep,
        folder=folder,
        device=device,
        channels=channels,
        sample_rate_hz=float(sample_rate),
        planned_s=_planned(length, until, every_night, check),
        status=status,
        quiet=quiet,
        reference_interval_s=reference_interval,
        reference_tolerance_ppm=reference_tolerance(reference_interval, reference_tolerance_ppm),
    )
    if check:
        from torsionbeat.cli.placing import check_placing

        check_placing(plan)
    elif every_night is not None:
        _every_night(plan, every_night)
    else:
        _listen_once(plan)


def _planned(length: str | None, until: str | None, every_night: str | None, check: bool) -> float | None:
    from datetime import datetime

    from torsionbeat.cli.hours import length_s, night_span, until_s

    if sum(option is not None for option in (length, until, every_night)) > 1:
        raise InputError("give one of --for, --until and --every-night")
    if check and (until is not None or every_night is not None):
        raise InputError("--check takes two minutes, or what --for says; leave --until and --every-night out")
    if every_night is not None:
        night_span(every_night)
    if length is not None:
        return length_s(length)
    if until is not None:
        return until_s(until, datetime.now().astimezone())
    return CHECK_S if check else None


def open_source(plan: NightPlan) -> LiveSource:
    """Open the microphone that a plan names, with a queue of about a minute for a slow moment."""
    from torsionbeat.sound.capture import LiveSource

    blocks = int(90 * plan.sample_rate_hz / 2048)
    return LiveSource(
        plan.device, sample_rate_hz=plan.sample_rate_hz, channels=plan.channels, queue_blocks=blocks
    )


def _listen_once(plan: NightPlan) -> None:
    from torsionbeat.cli.onenight import one_night

    with open_source(plan) as source:
        one_night(plan, source)


def _every_night(plan: NightPlan, span: str) -> None:
    """One night after the other until stopped; a night that fails is told and costs only itself."""
    import threading
    from datetime import datetime

    from torsionbeat.cli.hours import next_night, night_span
    from torsionbeat.cli.onenight import ended_by_signals, folder_name, one_night

    hours = night_span(span)
    over = threading.Event()
    parent = plan.folder or Path()
    done = datetime.now().astimezone()
    while not over.is_set():
        begin, end = next_night(hours, max(datetime.now().astimezone(), done))
        with ended_by_signals(over.set):
            if not plan.quiet:
                tell(f"waiting for {begin:%A %H:%M}; Ctrl-C ends")
            while not over.is_set() and (wait_s := _seconds_to(begin)) > 0:
                over.wait(min(wait_s, 30.0))  # in steps: a computer that slept must not oversleep
        if over.is_set():
            return
        tonight = replace(
            plan,
            planned_s=max(_seconds_to(end), 10.0),
            folder=parent / folder_name(plan.clock.name, datetime.now().astimezone()),
        )
        try:
            with open_source(tonight) as source:
                one_night(tonight, source, on_signal=over.set)
            done = end  # a recorder whose crystal runs fast is through a little before the hour
        except TorsionbeatError as error:
            tell(str(error))
            if not over.is_set():
                _until_over(over, end)


def _until_over(over: object, end: datetime) -> None:
    """After a night that failed, try again in ten minutes, unless it is over by then."""
    from torsionbeat.cli.onenight import ended_by_signals

    with ended_by_signals(over.set):  # type: ignore[attr-defined]
        over.wait(min(max(_seconds_to(end), 0.0), 600.0))  # type: ignore[attr-defined]


def _seconds_to(moment: datetime) -> float:
    from datetime import datetime

    return (moment - datetime.now().astimezone()).total_seconds()


def _unit() -> str:
    """A systemd user unit that runs these very options."""
    import shlex
    import shutil
    import sys

    program = shutil.which("torsionbeat") or "torsionbeat"
    options = [option for option in sys.argv[1:] if option not in ("--print-unit", "listen")]
    if "--quiet" not in options:
        options.append("--quiet")
    return f"""\
# Save as ~/.config/systemd/user/torsionbeat.service, then:
#   systemctl --user daemon-reload
#   systemctl --user enable --now torsionbeat
#   loginctl enable-linger      # so that it runs when nobody is logged in
# What it says in the morning: journalctl --user -u torsionbeat
[Unit]
Description=Listen to the clock on the bench
After=sound.target

[Service]
ExecStart={shlex.join([program, "listen", *options])}
WorkingDirectory=%h
KillSignal=SIGTERM
TimeoutStopSec=120
Restart=on-failure
RestartSec=60

[Install]
WantedBy=default.target"""
