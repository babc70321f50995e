"""``torsionbeat page``: the bench page, in a browser of this computer or of a phone at the bench."""

from __future__ import annotations

from typing import Annotated

import typer

from torsionbeat.cli.options import LogOption
from torsionbeat.errors import InputError

__all__ = ["page_command"]

DEFAULT_PORT = 8318
"""The same as in ``torsionbeat.page.server`` (a test compares them), so that help needs no web framework."""


def page_command(
    port: Annotated[int, typer.Option(help="Port to serve on; 0: any that is free.")] = DEFAULT_PORT,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open the browser.")] = False,
    lan: Annotated[
        bool,
        typer.Option("--lan", help="Let phones and tablets in this network in, each with a one-time code."),
    ] = False,
    log: LogOption = None,
) -> None:
    """Serve the bench page: listen, set in beat, read recordings, keep clocks, all in a browser.

    It is for this computer alone unless --lan is given. Ctrl-C ends it; what is being listened to then is kept to its
    last sample and read.

    Exit status: 0 ended as wished, 2 an option cannot be used, 5 the bench log failed.
    """
    try:
        from torsionbeat.page.server import PageRequest, serve
        from torsionbeat.page_handlers.app import make_app
    except ImportError as error:
        raise InputError(
            f"the page needs its extra, and {error.name} is not installed: pip install 'torsionbeat[page]'"
        ) from None

    serve(
        PageRequest(port, not no_browser, lan, log),
        make_app,
        address=typer.echo,
        tell=lambda said: typer.echo(said, err=True),
    )
