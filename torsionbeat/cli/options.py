"""Options that several commands share, in groups: frozen dataclasses that typer sees as single options.

A command whose parameter has the type of such a dataclass takes each of its fields as an option; ``grouped`` puts
them into its signature and hands the command the filled dataclass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from torsionbeat.cli.history import LogOption
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.known import KnownClock
    from torsionbeat.jobs.source import Microphone, Playback

__all__ = ["ClockOptions", "Period", "ReferenceOptions", "SoundOptions", "grouped"]

REFERENCE_TOLERANCE_PPM = 5.0
"""A good quartz clock at room temperature: half a second a day (common practice, no source)."""

Period = Annotated[
    float | None, typer.Option(help="Nominal full period, out and back (s); left out, it is found.")
]


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of its groups in place of the parameters that are groups."""
    hints = get_type_hints(command, include_extras=True)
    groups: dict[str, Any] = {name: hint for name, hint in hints.items() if is_dataclass(hint)}
    parameters = []
    for name, own in signature(command).parameters.items():
        if name in groups:
            inner = get_type_hints(groups[name], include_extras=True)
            parameters += [
                Parameter(
                    field.name,
                    Parameter.KEYWORD_ONLY,
                    default=Parameter.empty if field.default is MISSING else field.default,
                    annotation=inner[field.name],
                )
                for field in fields(groups[name])
            ]
        else:
            parameters.append(own.replace(annotation=hints[name], kind=Parameter.KEYWORD_ONLY))

    @wraps(command)
    def called(**given: Any) -> None:
        filled = {
            name: group(**{field.name: given.pop(field.name) for field in fields(group)})
            for name, group in groups.items()
        }
        command(**given, **filled)

    called.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in parameters}
    return called


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
    log: LogOption = None

    def known(self) -> KnownClock:
        """Give what is known of the clock.

        Raises
        ------
        InputError
            A log was named for no clock.
        """
        from torsionbeat.jobs.known import KnownClock

        if self.clock is None and self.log is not None:
            raise InputError("--log belongs to --clock; say for which clock the reading is to be kept")
        return KnownClock(self.clock, self.period, self.lift, self.lift_tolerance, self.log)


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
        """Give the half-width of the interval's error.

        Raises
        ------
        InputError
            A tolerance was given for no interval.
        """
        if self.reference_interval is None and self.reference_tolerance_ppm is not None:
            raise InputError("--reference-tolerance-ppm belongs to --reference-interval; give that too")
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
        from torsionbeat.jobs.source import Microphone, Playback

        if self.from_ is not None:
            return Playback(self.from_, self.pace or None)
        return Microphone(self.device, float(self.sample_rate), max(self.channels, least_channels))
