"""Observations at the bench: the minute hand against a time signal, arcs of a balance that swings down.

Input: texts as people type them. Output: `Sighting` and `ArcsSeen` of ``torsionbeat.jobs``.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.errors import InputError
from torsionbeat.typed.times import moment

if TYPE_CHECKING:
    from torsionbeat.jobs.by_hand import Sighting
    from torsionbeat.jobs.free_swing import ArcsSeen

__all__ = ["SWING_HOW", "arcs_seen", "sighting_of"]


SWING = re.compile(
    r"(?P<time>\d+(?:\.\d+)?) ?(?P<unit>s|min|h)? +(?P<arc>\d+(?:\.\d+)?)(?P<kind> ?deg| ?x| ?ornaments)?"
)


SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, None: 60.0}
"""Seconds of each unit; a plain number counts minutes."""


SWING_HOW = 'write time and arc as "0 400" and "30min 330", or ornaments counted as "0 20x" with --spacing'


def arcs_seen(typed: list[str], spacing: float | None, within_deg: float | None) -> ArcsSeen:
    """Read observed arcs such as ``0 400``, ``90s 310`` or ``30min 11x`` (ornaments).

    Parameters
    ----------
    typed : list of str
        Time (minutes unless a unit follows) and arc, end to end (deg), or number of ornaments.
    spacing : float or None
        Angle between ornaments (deg).
    within_deg : float or None
        Tolerance of an arc (deg); left out: half the spacing.

    Raises
    ------
    InputError
        One cannot be read, or ornaments were counted and their spacing is not given.
    """
    from torsionbeat.jobs.free_swing import ArcsSeen
    from torsionbeat.regulation.freeswing import arcs_from_counts

    times, arcs = [], []
    for text in typed:
        time_s, arc, counted = _typed(text)
        if counted and spacing is None:
            raise InputError(
                f"the reading {text!r} counts ornaments; give the angle between them with --spacing"
            )
        times.append(time_s)
        arcs.append(float(arcs_from_counts([arc], spacing)[0]) if counted and spacing is not None else arc)
    if within_deg is None and spacing is not None:
        within_deg = spacing / 2
    return ArcsSeen(tuple(times), tuple(arcs), within_deg)


def _typed(text: str) -> tuple[float, float, bool]:
    """Read one typed reading: seconds, degrees or ornaments, and whether they are ornaments."""
    match = SWING.fullmatch(" ".join(text.split()))
    if match is not None:
        counted = (match["kind"] or "").strip() in ("x", "ornaments")
        return float(match["time"]) * SECONDS[match["unit"]], float(match["arc"]), counted
    if Path(text).suffix:
        raise InputError(
            f"{text!r} is a file, not a reading; hear a recording first with torsionbeat analyse {text} "
            "--events sounds.csv, then give --events sounds.csv with --lift or --mark"
        )
    raise InputError(f"the reading {text!r} cannot be read; {SWING_HOW}")


SIGHTING_HOW = (
    'write it as "2026-03-01 20:00:00 +5" or "2026-03-01 20:00:00 20:00:05", or for hours gone by "168h +18" or '
    '"168h +1min"'
)


SIGHTING = re.compile(
    r"(?:(?P<date>\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:\d\d)?)"
    r"|(?P<gone>\d+(?:\.\d+)?) ?(?P<unit>[hd]))"
    r"\s+(?:(?P<time>\d{1,2}:\d\d(?::\d\d(?:\.\d+)?)?)|(?P<ahead>[+-]?\d+(?:\.\d+)?) ?(?P<of>s|min)?)"
    r"(?:\s+within\s+(?P<within>\d+(?:\.\d+)?) ?s?)?"
)


def sighting_of(text: str, within_s: float) -> Sighting:
    """Read a sighting of the minute hand such as ``2026-03-01 20:00:00 +5`` or ``168h +18``.

    Raises
    ------
    InputError
        It cannot be read.
    """
    from torsionbeat.jobs.by_hand import Sighting

    match = SIGHTING.fullmatch(" ".join(text.split()))
    if match is None:
        raise InputError(f"the sighting {text!r} cannot be read; {SIGHTING_HOW}")
    error_s = float(match["within"] or within_s)
    ahead_s = float(match["ahead"] or 0) * (60 if match["of"] == "min" else 1)
    if match["date"] is None:
        if match["time"]:
            raise InputError(
                f"the sighting {text!r} has hours gone by and a time on the dial; {SIGHTING_HOW}"
            )
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
