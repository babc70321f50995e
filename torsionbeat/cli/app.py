"""The commands by name. Only the requested one is loaded; the list of commands loads none."""

from __future__ import annotations

import difflib
from importlib import import_module
from typing import Any

from torsionbeat.errors import InputError
from torsionbeat.terminal.command_list import COMMANDS, WIDTH, help_text
from torsionbeat.version import __version__

__all__ = ["MODULES", "app"]


MODULES = {
    "inbeat": "listen",
    "devices": "listen",
    "digest": "beat_sounds",
    "portrait": "beat_sounds",
    "spring": "by_hand",
    "freeswing": "by_hand",
    "handcheck": "by_hand",
    "arc": "lift",
    "report": "compare",
}
"""Modules of commands that share one; each other command has a module of its own name."""


def app(arguments: list[str], **how: Any) -> Any:
    """Run a command line.

    Parameters
    ----------
    arguments : list of str
        The command and its arguments; nothing, or an option, for the help and the version.
    **how
        Arguments for the command itself.

    Raises
    ------
    InputError
        There is no such command.
    """
    first = arguments[0] if arguments else "--help"
    if first in ("--help", "-h"):
        print(help_text())
        return 0
    if first == "--version":
        print(f"torsionbeat {__version__}")
        return 0
    names = [name for group in COMMANDS.values() for name in group]
    if first not in names:
        what = "option" if first.startswith("-") else "command"
        near = difflib.get_close_matches(first[:40], names, 1)
        instead = f", did you mean {near[0]}?" if near else ","
        raise InputError(f"No such {what} {first[:40]!r}{instead} see torsionbeat --help")
    return _loaded(first)(arguments, **how)


def _loaded(name: str) -> Any:
    """Give the requested command as a program of its own."""
    import typer

    from torsionbeat.cli.ranges import checked

    program = typer.Typer(
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,  # the plain layout: the rich one takes most of a command's start time
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDTH},
    )

    @program.callback()
    def _about() -> None:
        """Keep the command a word of its own."""

    module = import_module(f"torsionbeat.cli.{MODULES.get(name, name)}")
    if hasattr(module, "app"):
        for one in module.app.registered_commands:
            if one.callback is not None and not hasattr(one.callback, "is_checked"):
                one.callback = checked(f"{name} {one.name}", one.callback)
        program.add_typer(module.app, name=name)
    else:
        kind = getattr(module, f"{name.upper()}_CLASS", None)
        program.command(name, cls=kind)(checked(name, getattr(module, f"{name}_command")))
    return program
