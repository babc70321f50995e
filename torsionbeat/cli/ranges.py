"""What the numbers of options may be, one range for each, whether the option is used or not; and which options need others.

``checked`` puts both before a command: what cannot be, and what would do nothing with the others given, is told before
anything is read.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from functools import wraps
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import Annotated, Any

from torsionbeat.errors import InputError
from torsionbeat.terminal.telling import tell_broken_off

__all__ = ["NEEDS", "RANGES", "checked"]

ARC = (1, 1440, "deg (end to end)")
"""Four turns end to end: no strip of a clock is twisted further."""
PPM = (-20_000, 20_000, "ppm")
"""Two percent: a crystal farther off is another sample rate."""
SETTING = (-10_000, 10_000, "units of the regulator")
"""Turns, divisions or millimetres: no regulator counts more."""
ROOM = (-40, 60, "degrees Celsius")
"""Rooms with people in them, and sheds."""
PERIOD = (0.1, 600, "s (full period, out and back)")
"""From a watch balance to a clock ten times as slow as any of these kinds."""

RANGES: dict[str, tuple[float, float, str]] = {
    "arc": (0, 1440, "deg (end to end)"),
    "arc_high": ARC,
    "arc_low": ARC,
    "at_arc": ARC,
    "beats": (1, 1e6, "beats"),
    "bits": (16, 24, "bits"),
    "channel": (1, 64, ""),
    "channels": (1, 8, "channels"),
    "cold": ROOM,
    "crystal_ppm": PPM,
    "density": (500, 25_000, "kg/m3"),
    "disc_bore": (0, 500, "mm"),
    "disc_diameter": (0.1, 500, "mm"),
    "drive_lost_at": (0, 100_000, "minutes"),
    "drop_peak": (1e-6, 10, "of full scale"),
    "fork_share": (0.01, 1, "of the strip's length"),
    "hanging_mass": (0.1, 20_000, "g"),
    "hours": (0.001, 744, "h"),
    "inertia": (1, 1e9, "g mm2"),
    "jitter": (0, 1000, "ms"),
    "knock_arc": ARC,
    "length": (1, 2000, "mm"),
    "lift": (0.01, 180, "deg"),
    "lift_tolerance": (0, 90, "deg"),
    "load": (0.1, 20_000, "g"),
    "longer": (-2000, 2000, "mm"),
    "longest_period": (0.3, 600, "s"),
    "mark": (-720, 720, "deg"),
    "minutes": (0.01, 44_640, "minutes"),
    "offset": (-180, 180, "deg"),
    "pace": (0, 1000, "times real time"),
    "period": PERIOD,
    "port": (0, 65_535, ""),
    "q": (0.1, 1e7, ""),
    "rate": (-20_000, 20_000, "s/day"),
    "rate_within": (1e-6, 3600, "s/day"),
    "reference_interval": (0.2, 10, "s"),
    "reference_tolerance_ppm": (0, 1000, "ppm"),
    "regulator_doubt": (0, 86_400, "s/day per unit"),
    "regulator_effect": (-86_400, 86_400, "s/day per unit"),
    "regulator_high": SETTING,
    "regulator_low": SETTING,
    "regulator_setting": SETTING,
    "regulator_step": (1e-6, 10_000, "units of the regulator"),
    "roller_radius": (0.05, 100, "mm"),
    "sample_clock_ppm": PPM,
    "sample_clock_tolerance_ppm": (0, 1000, "ppm"),
    "sample_rate": (8_000, 384_000, "Hz"),
    "seed": (0, 2**63, ""),
    "share_above_fork": (0.01, 1, "of the strip's length"),
    "shortest_period": (0.3, 600, "s"),
    "sides": (1, 24, "places"),
    "slower": (1, 8, "times"),
    "spacing": (0.1, 180, "deg"),
    "start_arc": ARC,
    "strip_length": (1, 2000, "mm"),
    "strip_thickness": (5, 2000, "micrometres"),
    "strip_width": (0.05, 50, "mm"),
    "temperature": (-50, 80, "degrees Celsius"),
    "temperature_after": ROOM,
    "temperature_before": ROOM,
    "thickness_within": (0, 1000, "micrometres"),
    "to": (1e-3, 3600, "s/day"),
    "turned": (0.01, 90, "deg"),
    "until": ARC,
    "wander": (0, 100, "percent"),
    "warm": ROOM,
    "weighed": (1e-6, 100, "g"),
    "weight_radius": (0.1, 500, "mm"),
    "weight_tolerance": (0, 100, "percent"),
    "weight_total": (0, 5000, "g"),
    "wider": (-50, 50, "mm"),
    "width": (0.05, 50, "mm"),
    "within": (1e-6, 600, ""),
}
"""Least, most and unit, by the name of the option. They keep out what cannot be, not what is unusual; those of a clock's
record are the log's own (``torsionbeat.benchlog.ranges``)."""

NEEDS: dict[str, dict[str, tuple[str, ...]]] = {
    "analyse": {
        "lift_tolerance": ("lift", "clock"),
        "sample_clock_tolerance_ppm": ("sample_clock_ppm",),
        "reference_tolerance_ppm": ("reference_interval",),
        "overwrite": ("json", "events", "plot"),
        "began": ("clock",),
        "temperature": ("clock",),
        "keep_anyway": ("clock",),
    },
    "listen": {
        "pace": ("from_",),
        "lift_tolerance": ("lift", "clock"),
        "reference_tolerance_ppm": ("reference_interval",),
        "keep_anyway": ("clock",),
    },
    "inbeat": {"pace": ("from_",), "lift_tolerance": ("lift", "clock")},
    "compare": {"overwrite": ("plot", "portrait"), "lift_tolerance": ("lift", "clock")},
    "arc": {"lift_tolerance": ("lift", "clock")},
    "freeswing": {"lift": ("events",), "mark": ("events",), "spacing": ("readings",)},
    "correct": {
        "rate_within": ("rate",),
        "arc": ("rate",),
        "temperature": ("rate", "reading"),
        "disc_bore": ("disc_diameter",),
        "metal": ("disc_diameter",),
        "density": ("disc_diameter",),
    },
}
"""Options that do nothing unless one of the others is given, by command."""

VALUES = {float: "NUMBER", int: "NUMBER", Path: "PATH", str: "TEXT"}
"""What the help calls the values of options and arguments."""

GIVEN_UP = {
    "listen": {"device": "from_", "sample_rate": "from_", "channels": "from_"},
    "inbeat": {"device": "from_", "sample_rate": "from_", "channels": "from_"},
}
"""Options that do nothing where another is given."""


def checked(name: str, command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command that refuses numbers out of range, and options that would do nothing.

    Parameters
    ----------
    name : str
        The command's.
    command : callable
        Takes its options by name.

    Raises
    ------
    InputError
        By the command that is given back.
    """
    defaults = {
        one.name: None if one.default is Parameter.empty else one.default
        for one in signature(command).parameters.values()
    }

    @wraps(command)
    def called(**values: Any) -> Any:
        given = {
            key for key, value in values.items() if value not in (None, [], ()) and value != defaults[key]
        }
        for key, value in values.items():
            if key in RANGES and isinstance(value, int | float) and not isinstance(value, bool):
                _within(key, value)
        for key, others in NEEDS.get(name, {}).items():
            if key in given and not given & set(others):
                needed = " or ".join(map(_option, others))
                raise InputError(
                    f"{_option(key)} does nothing without {needed}; give that too, or leave it out"
                )
        for key, other in GIVEN_UP.get(name, {}).items():
            if key in given and other in given:
                raise InputError(f"{_option(key)} does nothing with {_option(other)}; leave one of them out")
        clock = values.get("clock") or (values.get("name") if name.startswith("clock ") else None)
        if isinstance(clock, str):
            tell_broken_off(clock)
        return command(**values)

    named = _with_values_named(command)
    called.is_checked = True  # type: ignore[attr-defined]
    called.__signature__ = named  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in named.parameters.values()}
    return called


def _with_values_named(command: Callable[..., Any]) -> Signature:
    """The signature, with what an option takes called a number, a text or a path in the help, not by Python's types."""
    own = signature(command, eval_str=True)  # else the texts of options would be looked for in this module
    parameters = []
    for one in own.parameters.values():
        hint = one.annotation
        for told in getattr(hint, "__metadata__", ()):
            kinds = {hint.__origin__, *getattr(hint.__origin__, "__args__", ())}
            word = next((word for kind, word in VALUES.items() if kind in kinds), None)
            if type(told).__name__ == "ArgumentInfo":
                word = one.name.upper()
            if word is not None and getattr(told, "metavar", "") is None:
                told = copy(told)
                told.metavar = word
                hint = Annotated[hint.__origin__, told]
        parameters.append(one.replace(annotation=hint))
    return own.replace(parameters=parameters)


def _within(key: str, value: float) -> None:
    low, high, unit = RANGES[key]
    if not low <= value <= high:
        said = f"{_option(key)} is {value:g}; it must lie between {low:g} and {high:g} {unit}".rstrip()
        raise InputError(said)


def _option(key: str) -> str:
    return "READING" if key == "readings" else "--" + key.rstrip("_").replace("_", "-")
