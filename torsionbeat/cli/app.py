"""The commands under their names. Their modules import what is heavy only when they run."""

from __future__ import annotations

from importlib import import_module
from typing import Annotated

import typer

import torsionbeat
from torsionbeat.display.glossary import CAUTIONS

__all__ = ["COMMANDS", "app"]

COMMANDS = {
    "At the bench": ("page",),
    "Hear": ("analyse", "listen", "inbeat", "digest", "portrait", "devices", "simulate"),
    "Bring to time": ("correct", "spring", "freeswing", "arc"),
    "The bench log": ("clock", "note", "handcheck", "compare", "report"),
}
"""The commands, in the order in which the help lists them; each lies in the module of its name."""

app = typer.Typer(
    name="torsionbeat",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    epilog="**Cautions.** " + " ".join(CAUTIONS),
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"torsionbeat {torsionbeat.__version__}")
        raise typer.Exit


@app.callback()
def _about(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Listen to a torsion-pendulum clock; know its rate, beat and arc, and the next adjustment.

    Begin with: torsionbeat analyse RECORDING
    """


for _panel, _names in COMMANDS.items():
    for _name in _names:
        _module = import_module(f"torsionbeat.cli.{_name}")
        if hasattr(_module, "app"):
            app.add_typer(_module.app, name=_name, rich_help_panel=_panel)
        else:
            _kind = getattr(_module, "COMMAND_CLASS", None)
            app.command(_name, cls=_kind, rich_help_panel=_panel)(getattr(_module, f"{_name}_command"))
