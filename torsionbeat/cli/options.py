"""Options that several commands share, and the decorator that gives a command its groups of options."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer
from typer.core import TyperCommand

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.bench.known import KnownClock
    from torsionbeat.bench.source import Microphone, Playback

__all__ = [
    "ClockOptions",
    "JsonOption",
    "KeepAnyway",
    "LogOption",
    "OverwriteOption",
    "Period",
    "ReferenceOptions",
    "SoundOptions",
    "TakesTexts",
    "takes_groups",
]

REFERENCE_TOLERANCE_PPM = 5.0
"""A good quartz clock at room temperature: half a second a day (common practice, no source)."""


Period = Annotated[
    float | None, typer.Option(help="Nominal full period, out and back (s); left out, it is found.")
]


OverwriteOption = Annotated[
    bool, typer.Option("--overwrite", help="Replace files that torsionbeat did not write itself.")
]


PlotOption = Annotated[Path | None, typer.Option(help="Draw it to this file (.png, .svg or .pdf).")]


OverwritePlot = Annotated[bool, typer.Option("--overwrite", help="Replace a picture that is there.")]


@dataclass(frozen=True, slots=True)
class ClockOptions:
    """The clock's name and its known data."""

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
        """Give the known data of the clock.

        Raises
        ------
        InputError
            A log was named without a clock.
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
        """Give the half-width of the interval's error, ppm."""
        return (
            REFERENCE_TOLERANCE_PPM if self.reference_tolerance_ppm is None else self.reference_tolerance_ppm
        )


@dataclass(frozen=True, slots=True)
class SoundOptions:
    """Source of live sound."""

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
        """Give the chosen microphone, or the recording to play instead.

        Raises
        ------
        InputError
            A value is out of range.
        """
        from torsionbeat.bench.source import Microphone, Playback

        if self.from_ is not None:
            return Playback(self.from_, self.pace or None)
        return Microphone(self.device, float(self.sample_rate), max(self.channels, least_channels))


def takes_groups(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the fields of its dataclass parameters as options, in their order.

    A parameter whose annotation is a dataclass is replaced by that dataclass's fields, each annotated as an option.
    At the call, the dataclass is assembled from the fields.
    """
    hints = get_type_hints(command, include_extras=True)
    groups: dict[str, Any] = {}
    parameters: list[Parameter] = []
    for name, parameter in signature(command).parameters.items():
        kind = hints[name]
        if not (isinstance(kind, type) and is_dataclass(kind)):
            parameters.append(parameter.replace(annotation=kind, kind=Parameter.KEYWORD_ONLY))
            continue
        groups[name] = kind
        options = get_type_hints(kind, include_extras=True)
        for field in fields(kind):
            default = Parameter.empty if field.default is MISSING else field.default
            parameters.append(
                Parameter(field.name, Parameter.KEYWORD_ONLY, default=default, annotation=options[field.name])
            )

    @wraps(command)
    def called(**given: Any) -> None:
        together = {
            name: kind(**{field.name: given.pop(field.name) for field in fields(kind)})
            for name, kind in groups.items()
        }
        command(**together, **given)

    called.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in parameters}
    return called


LogOption = Annotated[
    str | None,
    typer.Option(
        "--log",
        metavar="PATH",
        help="Bench log to use: a file, or postgresql+psycopg://... "
        "Left out: TORSIONBEAT_LOG, else the user data folder.",
    ),
]


JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, and nothing else, on standard output.")]


KeepAnyway = Annotated[
    bool,
    typer.Option("--keep-anyway", help="With --clock: keep the reading whatever is odd about it."),
]


MARK = "\0"
"""Prefix of a text while options and arguments are separated: no command line can contain it."""


TEXT = re.compile(r"-(\S*\s|\.?\d)")
"""A minus sign followed by a number, or by text with a blank in it: none of our options looks like this."""


class TakesTexts(TyperCommand):
    """A command whose arguments are texts, such as ``"-0.5 turn at the regulator"``."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Separate texts from options, then parse."""
        marked, before = [], ""
        for one in args:
            is_text = TEXT.match(one) is not None and not before.startswith("-") and not one.startswith("--")
            marked.append(MARK + one if is_text else one)
            before = one if not is_text else ""
        rest = super().parse_args(ctx, marked)
        ctx.params = {name: _bare(value) for name, value in ctx.params.items()}
        return rest


def _bare(value: Any) -> Any:
    if isinstance(value, str):
        return value.removeprefix(MARK)
    return type(value)(map(_bare, value)) if isinstance(value, list | tuple) else value
