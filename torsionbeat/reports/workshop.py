"""The author of the report: the workshop's letterhead from a settings file, and a photo for the page.

The settings file is TOML, by default ``workshop.toml`` in the user's configuration folder of torsionbeat. Every entry
is optional::

    name = "Hillside Clock Workshop"
    lines = ["4 Orchard Lane, Lower Fenwick", "clocks@hillside.example"]
    logo = "logo.png"
    paper = "A4"
    closing = "Wind nothing, and let the balance settle for a day after a move."

Pictures are embedded in the report, reduced to the size of the page, without the camera's metadata.
"""

from __future__ import annotations

import base64
import tomllib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

from torsionbeat.errors import InputError

__all__ = ["Paper", "Workshop", "load_workshop", "picture_data", "settings_path"]

Paper = Literal["A4", "Letter"]

SETTINGS_NAME = "workshop.toml"

MOST_PIXELS = 1200
"""Longer side of a photo on the page: 300 dots per inch at four inches."""

LARGEST_PHOTO_BYTES = 60_000_000
"""Larger than any camera's picture (common practice, no source)."""

LONGEST_TEXT = 400
"""Most characters in a line of the letterhead: more do not fit."""

KEYS = ("name", "lines", "logo", "paper", "closing")


@dataclass(frozen=True, slots=True)
class Workshop:
    """A letterhead: the workshop's name, lines under it, a logo as a data URI, the paper, and a closing sentence."""

    name: str = ""
    lines: tuple[str, ...] = ()
    logo: str = ""
    paper: Paper = "A4"
    closing: str = ""


def settings_path() -> Path:
    """Give the default path of the settings file."""
    from platformdirs import user_config_path

    return Path(user_config_path("torsionbeat", appauthor=False)) / SETTINGS_NAME


def load_workshop(path: Path | None = None) -> Workshop:
    """Read the settings file. With no path and no default file the letterhead is empty.

    Raises
    ------
    InputError
        The named file does not exist, is not TOML, or holds an invalid entry.
    """
    place = path or settings_path()
    if path is None and not place.exists():
        return Workshop()
    try:
        settings = tomllib.loads(place.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise InputError(
            f'the workshop\'s settings {place} cannot be read ({reason}); write them as: name = "..."'
        ) from error
    strange = sorted(settings.keys() - set(KEYS))
    if strange:
        raise InputError(
            f"the workshop's settings {place} hold {', '.join(strange)}; they may hold {', '.join(KEYS)}"
        )
    lines = settings.get("lines", [])
    if not isinstance(lines, list):
        raise InputError(f'lines in {place} is {lines!r}; write a list of texts, as: lines = ["...", "..."]')
    paper = settings.get("paper", "A4")
    if paper not in ("A4", "Letter"):
        raise InputError(f'paper in {place} is {paper!r}; write "A4" or "Letter"')
    logo = settings.get("logo", "")
    return Workshop(
        _text(settings.get("name", ""), "name", place),
        tuple(_text(line, "lines", place) for line in lines),
        picture_data(place.parent / _text(logo, "logo", place)) if logo else "",
        paper,
        _text(settings.get("closing", ""), "closing", place),
    )


def picture_data(path: Path) -> str:
    """Give a photo as a data URI: upright, reduced to the size of the page, without the camera's metadata.

    Raises
    ------
    InputError
        The file does not exist, or is not a picture.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        if path.stat().st_size > LARGEST_PHOTO_BYTES:
            raise InputError(
                f"the picture {path} has {path.stat().st_size / 1e6:.0f} MB; give one below 60 MB"
            )
        with Image.open(path) as opened:
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((MOST_PIXELS, MOST_PIXELS))
            clear = upright.mode in ("RGBA", "LA", "P")
            kind = "png" if clear else "jpeg"
            stream = BytesIO()
            upright.convert("RGBA" if clear else "RGB").save(stream, kind.upper(), quality=85)
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is not a picture that can be read"
        raise InputError(f"the picture {path} cannot be used: {reason}; give a .jpg or .png") from error
    return f"data:image/{kind};base64,{base64.b64encode(stream.getvalue()).decode('ascii')}"


def _text(value: Any, key: str, place: Path) -> str:
    if not isinstance(value, str) or len(value) > LONGEST_TEXT:
        raise InputError(f"{key} in {place} is {value!r}; write a text of at most {LONGEST_TEXT} characters")
    return value.strip()
