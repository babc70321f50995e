"""The list of commands, as ``torsionbeat --help`` prints it."""

from __future__ import annotations

import textwrap

from torsionbeat.display.glossary import CAUTIONS

__all__ = ["COMMANDS", "WIDTH", "help_text"]


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
"""Purpose of each command, in the order of the help."""


WIDTH = 80
"""Columns of a terminal by default."""


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
