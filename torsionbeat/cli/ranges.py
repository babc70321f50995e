"""Checks options before a command runs: numbers out of range, and options that have no effect with the others.

``checked`` does both before anything is read; the ranges are those of `torsionbeat.typed.option_ranges`.
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
from torsionbeat.typed.option_ranges import RANGES

__all__ = ["GIVEN_UP", "NEEDS", "checked"]

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
"""Options without effect unless one of the listed others is given, by command."""

VALUES = {float: "NUMBER", int: "NUMBER", Path: "PATH", str: "TEXT"}
"""Names in the help for the values of options and arguments."""

GIVEN_UP: dict[str, dict[str, tuple[str, ...]]] = {
    "listen": {
        "device": ("from_",),
        "sample_rate": ("from_",),
        "channels": ("from_",),
        "status": ("check", "follow"),
    },
    "inbeat": {"device": ("from_",), "sample_rate": ("from_",), "channels": ("from_",)},
}
"""Options without effect if one of the listed others is given, by command."""


def checked(name: str, command: Callable[..., Any]) -> Callable[..., Any]:
    """Wrap a command so that it refuses numbers out of range and options without effect.

    Parameters
    ----------
    name : str
        Name of the command.
    command : callable
        The command; it accepts its options by name.

    Raises
    ------
    InputError
        Raised by the returned command.
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
        for key, others in GIVEN_UP.get(name, {}).items():
            for other in others:
                if key in given and other in given:
                    raise InputError(
                        f"{_option(key)} does nothing with {_option(other)}; leave one of them out"
                    )
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
    """Give the signature with values named number, text or path in the help instead of by Python's types."""
    own = signature(
        command, eval_str=True
    )  # otherwise annotations given as strings are looked up in this module
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
