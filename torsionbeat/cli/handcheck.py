"""``torsionbeat handcheck``: the minute hand seen against a time signal."""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from torsionbeat.cli.history import JsonOption, LogOption, moment, print_json, say
from torsionbeat.cli.plaintext import TakesTexts
from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.jobs.by_hand import Sighting

__all__ = ["COMMAND_CLASS", "handcheck_command"]

COMMAND_CLASS = TakesTexts

HOW = 'write it as "2026-03-01 20:00:00 +5" or "2026-03-01 20:00:00 20:00:05", or for hours gone by "168h +18" or "168h +1min"'

SIGHTING = re.compile(
    r"(?:(?P<date>\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:\d\d)?)"
    r"|(?P<gone>\d+(?:\.\d+)?) ?(?P<unit>[hd]))"
    r"\s+(?:(?P<time>\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?)|(?P<ahead>[+-]?\d+(?:\.\d+)?) ?(?P<of>s|min)?)"
    r"(?:\s+within\s+(?P<within>\d+(?:\.\d+)?) ?s?)?"
)


def handcheck_command(
    sightings: Annotated[
        list[str],
        typer.Argument(
            metavar="SIGHTING...",
            help='"2026-03-01 20:00:00 +5": at the signal at 20:00:00 the hand was 5 s ahead. Or what '
            'the hand showed: "2026-03-01 20:00:00 20:00:05". Or with hours gone by: "0h 0" "168h +18". '
            '"... within 3" gives this sighting\'s own reading error.',
        ),
    ],
    clock: Annotated[
        str | None, typer.Option(help="Keep it for this clock, and compare it with its last reading.")
    ] = None,
    within: Annotated[float, typer.Option(help="How far off each sighting may be (s).")] = 5.0,
    log: LogOption = None,
    json: JsonOption = False,
) -> None:
    """Find the rate from the minute hand, seen against a time signal twice or more, best a week apart."""
    from torsionbeat.display.by_hand import hand_check_sentences
    from torsionbeat.jobs.by_hand import HandCheckRequest, hand_check

    seen = tuple(_read(text, within) for text in sightings)
    result = hand_check(HandCheckRequest(seen, clock, log))
    if json:
        print_json(result.document())
    else:
        say(*hand_check_sentences(result))


def _read(text: str, within_s: float) -> Sighting:
    from torsionbeat.jobs.by_hand import Sighting

    match = SIGHTING.fullmatch(" ".join(text.split()))
    if match is None:
        raise InputError(f"the sighting {text!r} cannot be read; {HOW}")
    error_s = float(match["within"] or within_s)
    ahead_s = float(match["ahead"] or 0) * (60 if match["of"] == "min" else 1)
    if match["date"] is None:
        if match["time"]:
            raise InputError(f"the sighting {text!r} has hours gone by and a time on the dial; {HOW}")
        hours = float(match["gone"]) * (24 if match["unit"] == "d" else 1)
        return Sighting(ahead_s, error_s, elapsed_h=hours)
    told = datetime.fromisoformat(match["date"])
    when = moment(match["date"], "the moment of a sighting").astimezone(told.tzinfo)
    if match["ahead"]:
        return Sighting(ahead_s, error_s, when)
    parts = [float(part) for part in match["time"].split(":")]
    if parts[0] > 24 or any(part >= 60 for part in parts[1:]):
        raise InputError(f"the sighting {text!r} has the hand at {match['time']}; no dial shows that")
    shown_s = sum(part * unit for part, unit in zip(parts, (3600, 60, 1), strict=False))
    true_s = told.hour * 3600 + told.minute * 60 + told.second + told.microsecond / 1e6
    half_dial_s = 6 * 3600
    return Sighting((shown_s - true_s + half_dial_s) % (2 * half_dial_s) - half_dial_s, error_s, when)
