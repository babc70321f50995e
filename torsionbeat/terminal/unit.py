"""A systemd user unit that listens with the options of this command line."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

__all__ = ["quoted", "systemd_unit"]

FLAG = "--print-unit"


def systemd_unit(arguments: Sequence[str] | None = None) -> str:
    """Give the unit.

    Parameters
    ----------
    arguments : sequence of str, optional
        The command line after the program's name, ``listen`` first; left out: this program's own.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = given[1:]
    options.remove(FLAG)  # only the first: an equal value of another option stays
    if "--quiet" not in options:
        options.append("--quiet")
    command = " ".join(map(quoted, [*_program(), "listen", *map(_without_password, options)]))
    return f"""\
# Save as ~/.config/systemd/user/torsionbeat.service, then:
#   systemctl --user daemon-reload
#   systemctl --user enable --now torsionbeat
#   loginctl enable-linger      # so that it runs when nobody is logged in
# What it says in the morning: journalctl --user -u torsionbeat
# The password of a database is not written here: keep it in ~/.pgpass
[Unit]
Description=Listen to the clock on the bench
After=sound.target

[Service]
ExecStart={command}
WorkingDirectory={os.getcwd().replace("%", "%%")}
KillSignal=SIGTERM
TimeoutStopSec=120
Restart=on-failure
RestartSec=60

[Install]
WantedBy=default.target"""


def quoted(word: str) -> str:
    """Write a word so that systemd reads it literally: no second directive, specifier or variable.

    Examples
    --------
    >>> print(quoted("Gate house"), quoted("9h"), quoted("100 % $HOME"))
    "Gate house" 9h "100 %% $$HOME"
    """
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    plain = "".join(
        sign if sign.isprintable() else f"\\x{byte:02x}" for sign in escaped for byte in _first(sign)
    )
    return plain if plain == word and plain and not set(plain) & set(" ';#") else f'"{plain}"'


def _first(sign: str) -> bytes:
    """One byte for a printable character, all its bytes for another."""
    return b" " if sign.isprintable() else sign.encode("utf-8", "surrogateescape")


def _program() -> list[str]:
    """The program by its full path: systemd does not search for it."""
    found = shutil.which("torsionbeat")
    return [str(Path(found).absolute())] if found else [sys.executable, "-m", "torsionbeat"]


def _without_password(option: str) -> str:
    head, equals, value = option.partition("=") if option.startswith("--log=") else ("", "", option)
    if "://" not in value:
        return option
    from sqlalchemy.engine import URL, make_url

    url = make_url(value)
    query = {key: one for key, one in url.query.items() if key != "password"}
    bare = URL.create(url.drivername, url.username, None, url.host, url.port, url.database, query)
    return head + equals + bare.render_as_string(hide_password=False)
