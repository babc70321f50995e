"""``torsionbeat simulate``: a recording of an invented clock in an invented room, with its truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.errors import InputError
from torsionbeat.terminal.outputs import refuse_harm

if TYPE_CHECKING:
    from torsionbeat.twin import Rendering, Room, TwinClock

__all__ = ["simulate_command"]

PERIODS_S = {"60s": 60.0, "20s": 20.0, "15s": 15.0, "12s": 12.0}
ROOMS = {
    "quiet": "a quiet room",
    "workshop": "a workshop where people talk and things fall",
    "noisy": "a noisy workshop",
    "buried": "a loud workshop that buries the contacts",
    "quartz": "a room with a quartz clock",
    "pendulum": "a room with a pendulum clock",
    "alarm": "a room with a small alarm clock",
    "rain": "a room under rain",
    "fire": "a room with a crackling fire",
    "drip": "a room with a dripping tap",
    "talk": "a room full of talk",
}
SIGMAS = {"quiet": (20_000, 4_000), "workshop": (2_000, 300), "noisy": (10, 4), "buried": (4, 1.5)}


def simulate_command(
    out: Annotated[Path, typer.Argument(help="Sound to write: NAME.flac, .wav or .ogg.")],
    kind: Annotated[
        str, typer.Option(help="60s: contact and drop are heard; 20s, 15s, 12s: 400-day kinds, drop only.")
    ] = "60s",
    period: Annotated[
        float | None, typer.Option(help="Nominal period in seconds; left out, the kind's.")
    ] = None,
    rate: Annotated[
        float, typer.Option(help="What the clock gains at its steady arc, s/day; below 0 it loses.")
    ] = 0.0,
    lift: Annotated[float, typer.Option(help="Lift from contact to drop, deg.")] = 20.0,
    arc: Annotated[float | None, typer.Option(help="Steady arc (amplitude end to end), deg.")] = None,
    offset: Annotated[float, typer.Option(help="Middle of the lift against rest, deg.")] = 0.0,
    q: Annotated[float, typer.Option("--q", help="Quality factor of the swing.")] = 300.0,
    start_arc: Annotated[
        float | None, typer.Option(help="Arc at which the balance is let go, deg; left out, the steady arc.")
    ] = None,
    wander: Annotated[float, typer.Option(help="Wander of the drive, percent.")] = 1.0,
    drop_peak: Annotated[
        float, typer.Option(help="Loudness of the drop: its peak, 1 is full scale; the noise goes with it.")
    ] = 0.08,
    jitter: Annotated[float, typer.Option(help="Scatter of each sound's beginning, ms.")] = 0.5,
    drive_lost_at: Annotated[float | None, typer.Option(help="Minute at which the drive is lost.")] = None,
    minutes: Annotated[float | None, typer.Option(help="Length in minutes; left out, 20.")] = None,
    hours: Annotated[float | None, typer.Option(help="Length in hours, instead of --minutes.")] = None,
    room: Annotated[str, typer.Option(help=f"Room: {', '.join(ROOMS)}.")] = "workshop",
    no_clock: Annotated[bool, typer.Option("--no-clock", help="Leave the clock out.")] = False,
    sample_rate: Annotated[int, typer.Option(help="Sample rate, Hz.")] = 48_000,
    bits: Annotated[int, typer.Option(help="16 or 24 bits.")] = 16,
    stereo: Annotated[bool, typer.Option("--stereo", help="Two channels, the clock louder in one.")] = False,
    crystal_ppm: Annotated[float, typer.Option(help="The recorder's crystal runs fast by this, ppm.")] = 0.0,
    seed: Annotated[int, typer.Option(help="The same seed gives the same recording.")] = 0,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file of that name.")] = False,
) -> None:
    """Make a recording of an invented clock, with the truth of every beat beside it.

    For practice, teaching and tests: OUT.truth.json holds the figures and every beat, OUT.truth.csv every
    sound.
    """
    from torsionbeat.twin import Recorder, simulate

    if kind not in PERIODS_S:
        raise InputError(f"there is no kind {kind!r}: choose from {', '.join(PERIODS_S)}.")
    if room not in ROOMS:
        raise InputError(f"there is no room {room!r}: choose from {', '.join(ROOMS)}.")
    if minutes is not None and hours is not None:
        raise InputError("give the length as --minutes or as --hours, not as both.")
    if seed < 0:
        raise InputError(f"seed {seed} is negative: give 0 or more.")
    made = [out, out.with_suffix(".truth.json"), out.with_suffix(".truth.csv")]
    for path in made:
        if path.exists() and not overwrite:
            raise InputError(f"{path} exists and was left alone: choose another name or add --overwrite.")
    refuse_harm([("OUT", path) for path in made], overwrite=True)
    duration_s = hours * 3600 if hours is not None else (20.0 if minutes is None else minutes) * 60
    nominal_s = PERIODS_S[kind] if period is None else period
    clock = _clock(
        kind, nominal_s, rate, lift, arc, offset, q, start_arc, wander, jitter, drop_peak, drive_lost_at, seed
    )
    clock, noise = _clock_in_room(clock, room)
    recorder = Recorder(sample_rate, crystal_ppm, channels=2 if stereo else 1, bits=bits)
    rendering = simulate(None if no_clock else clock, noise, recorder, duration_s, seed)
    _write(rendering, out)
    typer.echo(_told(rendering, out, nominal_s, ROOMS[room]))


def _clock(
    kind: str,
    nominal_s: float,
    rate: float,
    lift: float,
    arc: float | None,
    offset: float,
    q: float,
    start_arc: float | None,
    wander: float,
    jitter: float,
    drop_peak: float,
    drive_lost_at: float | None,
    seed: int,
) -> TwinClock:
    from torsionbeat.twin import Balance, Drive, DriveChange, Escapement, TwinClock, VoiceSet

    if not abs(rate) <= 20_000:
        raise InputError(f"a rate of {rate:g} s/day is outside -20000 to 20000: more than that is no clock.")
    sixty = kind == "60s"
    ringing = VoiceSet("long_ring", "dull_plate", "dry_knack", "soft_pin")
    clock = TwinClock(
        balance=Balance(nominal_s, q=q, cubic_per_rad2=1.5e-5),
        escapement=Escapement(lift_deg=lift, offset_deg=offset, unlocking_deg=lift / 10),
        drive=Drive(arc_deg=arc if arc is not None else (440.0 if sixty else 300.0), wander_percent=wander),
        voices=replace(ringing if seed % 2 else VoiceSet(), drop_peak=drop_peak),
        sounds=("contact", "drop") if sixty else ("drop",),
        jitter_ms=jitter,
        start_arc_deg=start_arc,
        start_s=-0.1 * nominal_s,
        changes=() if drive_lost_at is None else (DriveChange(60 * drive_lost_at, 0.0),),
    )
    return clock.with_period(nominal_s / (1 + rate / 86_400))


def _clock_in_room(clock: TwinClock, name: str) -> tuple[TwinClock, Room]:
    """The room by its name, and the clock as loud as it is heard there."""
    from torsionbeat.twin import Bangs, Drips, Fire, OtherClock, Room, Talk, at_sigmas

    busy = Room(talk=Talk(), bangs=Bangs())
    rooms = {
        "quiet": Room(),
        "quartz": replace(busy, others=(OtherClock(rate_ppm=4.0),)),
        "pendulum": replace(busy, others=(OtherClock(0.9, -3.0, 25.0, "wood_knock", "dull_plate", 150.0),)),
        "alarm": replace(busy, others=(OtherClock(0.2, -10.0, 2.0, "thin_pin", "dry_knack", -230.0),)),
        "rain": Room(rain_rms=0.01),
        "fire": replace(busy, fire=Fire()),
        "drip": replace(busy, drips=Drips()),
        "talk": Room(talk=Talk(per_hour=700), bangs=Bangs(per_hour=60)),
    }
    drop, contact = SIGMAS.get(name, (500, 80))
    return at_sigmas(
        clock,
        rooms.get(name, busy),
        drop_sigma=drop,
        contact_sigma=contact if "contact" in clock.sounds else None,
    )


def _write(rendering: Rendering, out: Path) -> None:
    from torsionbeat.terminal.progress import Bar

    with Bar(f"Making {out.name}") as bar:
        rendering.write(out, on_progress=bar.share)


def _told(rendering: Rendering, out: Path, nominal_s: float, room: str) -> str:
    """What was made, in plain words, figures first."""
    from torsionbeat.theory.rate import rate_s_per_day

    recorder, truth = rendering.recorder, rendering.truth
    length = rendering.duration_s / 60
    lasts = f"{length / 60:.4g} hours" if length >= 120 else f"{length:.4g} minutes"
    file = f"{recorder.sample_rate_hz / 1000:g} kHz, {recorder.bits} bit, seed {rendering.seed}"
    figures = truth.figures()
    period_s = figures["period_s"]
    if rendering.clock is None:
        first = f"No clock is in this recording: {lasts} of {room}."
    elif period_s is None:
        first = f"{len(truth.beats)} beats of a {nominal_s:g} s clock, too few for a rate: {lasts} of {room}."
    else:
        rate = float(rate_s_per_day(period_s, nominal_s))
        first = (
            f"The clock {'gains' if rate >= 0 else 'loses'} {abs(rate):.2f} s a day "
            f"against its nominal period of {nominal_s:g} s.\n"
            f"Period {period_s:.6f} s, arc (amplitude end to end) {figures['arc_deg']:.1f} deg.\n"
            f"Offset {figures['offset_deg']:.2f} deg, beat error {figures['beat_error_ms']:.1f} ms.\n"
            f"{len(truth.beats)} beats in {lasts} of {room}."
        )
    return f"{first}\nSound  {out} ({file})\nTruth  {out.with_suffix('.truth.json')} and .csv"
