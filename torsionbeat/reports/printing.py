"""Prints a page to PDF with the engine of an installed browser, without a window.

Browsers print what they show, so the PDF looks like the page. WeasyPrint and the like are not needed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from torsionbeat.errors import DeviceError, InputError

__all__ = ["browser_path", "pdf_of"]

NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "microsoft-edge-stable",
    "msedge",
    "brave-browser",
    "vivaldi",
)
"""Commands of browsers that print with ``--print-to-pdf``."""

ELSEWHERE = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "/Applications/Brave Browser.app/Contents/MacOS/Brave Browser",
)

ON_WINDOWS = (
    r"Google\Chrome\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
    r"Chromium\Application\chrome.exe",
    r"BraveSoftware\Brave-Browser\Application\brave.exe",
)

LONGEST_S = 120.0
"""A report prints in a second or two; a browser that takes this long is stuck."""

INSTEAD = "open the report in a browser and print it there to PDF"


def browser_path() -> Path | None:
    """Give an installed browser that can print, or None; ``TORSIONBEAT_BROWSER`` names one at another place."""
    return next(_browsers(), None)


def pdf_of(html: str) -> bytes:
    """Print a page to PDF.

    Raises
    ------
    InputError
        No browser that can print is installed.
    DeviceError
        The browser failed.
    """
    browser = browser_path()
    if browser is None:
        raise InputError(
            "a PDF is printed by a browser, and neither Chromium, Chrome, Edge nor Brave was found here; install one, "
            f"name it in TORSIONBEAT_BROWSER, or {INSTEAD}"
        )
    with tempfile.TemporaryDirectory(prefix="torsionbeat-", ignore_cleanup_errors=True) as folder:
        page, printed = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8")
        command = [
            str(browser),
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-extensions",
            "--disable-background-networking",
            "--disable-dev-shm-usage",
            f"--user-data-dir={Path(folder) / 'profile'}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={printed}",
            page.as_uri(),
        ]
        if sys.platform.startswith("linux") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # Chromium refuses to run as root with it
        try:
            run = subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise DeviceError(f"the browser {browser} did not print ({error}); {INSTEAD}") from error
        if not printed.is_file():
            said = run.stderr.decode("utf-8", "replace").strip().splitlines()
            raise DeviceError(
                f"the browser {browser} did not print ({said[-1] if said else f'status {run.returncode}'}); {INSTEAD}"
            )
        return printed.read_bytes()


def _browsers() -> Iterator[Path]:
    named = os.environ.get("TORSIONBEAT_BROWSER")
    if named:
        found = shutil.which(named)
        if found is None:
            raise InputError(
                f"TORSIONBEAT_BROWSER is {named!r}, and there is no such program; name one, or leave it out"
            )
        yield Path(found)
    for name in NAMES:
        found = shutil.which(name)
        if found is not None:
            yield Path(found)
    for place in map(Path, ELSEWHERE):
        if place.is_file():
            yield place
    for variable in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"):
        root = os.environ.get(variable)
        for rest in ON_WINDOWS if root else ():
            place = Path(str(root)) / rest
            if place.is_file():
                yield place
