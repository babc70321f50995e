"""Options that several commands share, in groups: see ``torsionbeat.cli.groups``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.history import LogOption
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.bench.source import Microphone, Playback

__all__ = ["ClockOptions", "OverwriteOption", "Period", "ReferenceOptions", "SoundOptions"]

REFERENCE_TOLERANCE_PPM = 5.0
"""A good quartz clock at room temperature: half a second a day (common practice, no source)."""

Period = Annotated[
    float | None, typer.Option(help="Nominal full period, out and back (s); left out, it is found.")
]


OverwriteOption = Annotated[
    bool, typer.Option("--overwrite", help="Replace files that torsionbeat did not write itself.")
]


@dataclass(frozen=True, slots=True)
class ClockOptions:
    """Which clock it is, and what is known of it."""

    clock: Annotated[
        str | None,
        typer.Option(help="Clock of the bench log: what is known of it; its reading is kept there."),
    ] = None
    period: Period = None
    lift: Annotated[float | None, typer.Option(help="Lift, contact to drop (deg); the arc needs it.")] = None
    lift_tolerance: Annotated[float | None, typer.Option(help="How far off the lift may be (deg).")] = None
    train: Annotated[
        str | None,
        typer.Option(
            metavar="TEETH",
            help="Tooth counts from the escape wheel up, each wheel over the pinion it drives: 15,60/8,72/10.",
        ),
    ] = None
    log: LogOption = None

    def known(self) -> KnownClock:
        """Give what is known of the clock.

        Raises
        ------
        InputError
            A log was named for no clock.
        """
        from torsionbeat.bench.known import KnownClock
        from torsionbeat.theory.train import Train

        if self.clock is None and self.log is not None:
            raise InputError("--log belongs to --clock; say for which clock the reading is to be kept")
        train = None if self.train is None else Train.from_text(self.train)
        return KnownClock(self.clock, self.period, self.lift, self.lift_tolerance, self.log, train)


@dataclass(frozen=True, slots=True)
class ReferenceOptions:
    """A reference clock that can be heard too."""

    reference_interval: Annotated[
        float | None,
        typer.Option(
            help="A quartz clock or time-signal pips can be heard too, at this interval (s), mostly 1: they "
            "measure the recorder's crystal."
        ),
    ] = None
    reference_tolerance_ppm: Annotated[
        float | None,
        typer.Option(help="How true those are: half-width (ppm); left out, 5 ppm, 0.43 s a day."),
    ] = None

    def tolerance_ppm(self) -> float:
        """Give the half-width of the interval's error."""
        return (
            REFERENCE_TOLERANCE_PPM if self.reference_tolerance_ppm is None else self.reference_tolerance_ppm
        )


@dataclass(frozen=True, slots=True)
class SoundOptions:
    """Where live sound comes from."""

    device: Annotated[
        str | None, typer.Option(help="Microphone: number or part of the name, as devices lists them.")
    ] = None
    channels: Annotated[int, typer.Option(min=1, max=8, help="Channels to take; the clearest is heard.")] = 1
    sample_rate: Annotated[int, typer.Option(help="Sample rate (Hz).")] = 48_000
    from_: Annotated[
        Path | None,
        typer.Option(
            "--from", metavar="FILE", help="Play this recording instead of a microphone, to rehearse."
        ),
    ] = None
    pace: Annotated[
        float, typer.Option(help="With --from: times real time; 0: as fast as it can be heard.")
    ] = 1.0

    def sound(self, least_channels: int = 1) -> Microphone | Playback:
        """Give the microphone that is meant, or the recording to be played instead.

        Raises
        ------
        InputError
            A value is out of range.
        """
        from torsionbeat.bench.source import Microphone, Playback

        if self.from_ is not None:
            return Playback(self.from_, self.pace or None)
        return Microphone(self.device, float(self.sample_rate), max(self.channels, least_channels))
