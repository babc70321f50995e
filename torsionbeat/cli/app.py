"""The commands under their names; only the one that is asked for is loaded, and none for the list of them."""

from __future__ import annotations

import difflib
import textwrap
from importlib import import_module
from typing import Any

from torsionbeat.display.glossary import CAUTIONS
from torsionbeat.errors import InputError
from torsionbeat.version import __version__

__all__ = ["COMMANDS", "MODULES", "app", "help_text"]

COMMANDS = {
    "At the bench": {
        "page": "Serve the bench page: all of this, in a browser.",
    },
    "Hear": {
        "analyse": "Hear the clock in a recording: period, rate, beat error, arc.",
        "listen": "Listen through a microphone, for a night or every night.",
        "inbeat": "Set a clock in beat: the offset, and the way to turn.",
        "digest": "Write a recording's beats one after the other, to listen to.",
        "portrait": "Draw the mean sound of a beat on each side, and its tones.",
        "devices": "List the microphones.",
        "simulate": "Make a recording of an invented clock, with its truth.",
    },
    "Bring to time": {
        "advise": "Judge a clock: how it goes, what comes first, when to look again.",
        "correct": "Find the next adjustment: beat, weights and regulator.",
        "spring": "Say what a suspension strip does, and which one brings to time.",
        "freeswing": "Find Q, what damps the balance, and how long it settles.",
        "arc": "Find the arc where only the drop is heard, by a turn of the beat.",
        "lift": "Find the lift from the arc, counted by eye.",
    },
    "The bench log": {
        "clock": "Add, show, list, change, export and import clocks.",
        "note": "Keep a note, or a piece of work done.",
        "handcheck": "Find the rate from the minute hand and a time signal.",
        "compare": "Compare a clock before and after.",
        "report": "Write a report on a clock, for its owner and for the file.",
    },
}
"""What each command is for, in the order in which the help lists them."""

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
"""Modules of the commands that share one; the others lie in that of their name."""

WIDTH = 80
"""Columns of a terminal as it opens."""


def app(arguments: list[str], **how: Any) -> Any:
    """Run a command line.

    Parameters
    ----------
    arguments : list of str
        The command and what follows it; nothing, or an option, for the help and the version.
    **how
        For the command itself.

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


def help_text() -> str:
    """Give the list of commands and the cautions, for a terminal of 80 columns."""
    lines = [
        "Usage: torsionbeat COMMAND ...",
        "",
        "Listen to a torsion-pendulum clock; know its rate, beat and arc, and the next",
        "adjustment. Begin with: torsionbeat analyse RECORDING",
    ]
    for title, group in COMMANDS.items():
        lines += ["", f"{title}:"]
        for name, summary in group.items():
            lines += textwrap.wrap(summary, WIDTH, initial_indent=f"  {name:<11}", subsequent_indent=" " * 13)
    lines += ["", "torsionbeat COMMAND --help says more of one; --version says the version.", ""]
    return "\n".join(
        [*lines, *textwrap.wrap("Cautions. " + " ".join(CAUTIONS), WIDTH, break_on_hyphens=False)]
    )


def _loaded(name: str) -> Any:
    """The one command that is asked for, as a program of its own."""
    import typer

    from torsionbeat.cli.ranges import checked

    program = typer.Typer(
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,  # the plain layout: the other takes most of the time that a command takes to start
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
