"""Ranges of the log's numbers: one for each column, the same for a command, the page and an import.

The ranges are wide: they keep out the impossible (a negative uncertainty, an arc of a thousand turns), not the
unusual.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from torsionbeat.benchlog.tables import Base, History

__all__ = [
    "CLOCK_FIELDS",
    "CLOCK_KINDS",
    "DETAILS",
    "EARLIEST",
    "LATEST",
    "Allowed",
    "fault_of_details",
    "fault_of_number",
    "range_of",
]

CLOCK_KINDS = ("400-day", "air-driven", "other")

EARLIEST = datetime(1800, 1, 1, tzinfo=UTC)
"""No torsion clock was timed earlier (the 400-day clock dates from 1880)."""

LATEST = datetime(2200, 1, 1, tzinfo=UTC)
"""Later moments come from a wrong computer clock, and do not fit into nanoseconds since 1970."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """The range a number may lie in, and its unit."""

    low: float
    high: float
    unit: str


CLOCK_FIELDS: dict[str, Allowed | None] = {
    "kind": None,
    "nominal_period_s": Allowed(0.1, 600, "s (full period, out and back)"),
    "lift_deg": Allowed(0.01, 180, "deg"),
    "lift_tolerance_deg": Allowed(0, 90, "deg"),
    "arc_low_deg": Allowed(1, 1440, "deg (end to end)"),
    "arc_high_deg": Allowed(1, 1440, "deg (end to end)"),
    "knock_arc_deg": Allowed(1, 1440, "deg (end to end)"),
    "roller_radius_mm": Allowed(0.05, 100, "mm"),
    "maker": None,
    "serial_number": None,
    "owner_text": None,
    "train": None,
    "side_a_name": None,
    "side_b_name": None,
    "strip_material": None,
    "strip_thickness_um": Allowed(5, 2000, "micrometres"),
    "strip_width_mm": Allowed(0.05, 50, "mm"),
    "strip_length_mm": Allowed(1, 2000, "mm"),
    "hanging_mass_g": Allowed(0.1, 20_000, "g"),
    "balance_inertia_g_mm2": Allowed(1, 1e9, "g mm2"),
    "weight_radius_mm": Allowed(0.1, 500, "mm"),
    "weight_total_g": Allowed(0, 5000, "g"),
    "regulator_unit": None,
    "regulator_low": Allowed(-1e4, 1e4, "units of the regulator"),
    "regulator_high": Allowed(-1e4, 1e4, "units of the regulator"),
    "regulator_setting": Allowed(-1e4, 1e4, "units of the regulator"),
    "regulator_s_per_day_per_unit": Allowed(-86_400, 86_400, "s/day per unit"),
    "u_regulator_s_per_day_per_unit": Allowed(0, 86_400, "s/day per unit"),
    "notes": None,
}
"""Fields that ``add_clock`` and ``change_clock`` accept; None marks a text."""


DETAILS = {
    "added_g": Allowed(-500, 500, "g"),
    "doubt_g": Allowed(0, 500, "g"),
    "moved": Allowed(-1e4, 1e4, "units of the regulator"),
    "setting": Allowed(-1e4, 1e4, "units of the regulator"),
    "doubt": Allowed(0, 1e4, "units of the regulator"),
    "expected_rate_s_per_day": Allowed(-1e7, 1e7, "s/day"),
    "u_expected_rate_s_per_day": Allowed(0, 1e9, "s/day"),
}
"""Details of a work that are numbers."""


def fault_of_details(details: Mapping[str, Any]) -> str | None:
    """Say which detail of a work is invalid, or None where all are valid."""
    for name, allowed in DETAILS.items():
        value = details.get(name, allowed.high)
        known = isinstance(value, int | float) and not isinstance(value, bool)
        if not known or not allowed.low <= value <= allowed.high:
            return f"{name} is {value!r}; it must be a number from {allowed.low:g} to {allowed.high:g} {allowed.unit}"
    return None


_RATE = Allowed(-1e7, 1e7, "s/day")
"""Wider than the rate of any clock: it keeps out numbers that computations cannot handle."""
_PPM = Allowed(-1e6, 1e6, "ppm")
"""A million parts per million are the whole."""
_COUNT = Allowed(0, 1e9, "")
"""More beats than a clock of 6 s makes in ninety years."""

# Wide: no clock, room or microphone reaches these limits.
_COLUMNS = {
    "readings": {
        "timebase_offset_ppm": _PPM,
        "duration_s": Allowed(0, 4e7, "s"),
        "period_s": Allowed(0.05, 3600, "s"),
        "rate_s_per_day": _RATE,
        "beat_error_ms": Allowed(-1e7, 1e7, "ms"),
        "offset_deg": Allowed(-1440, 1440, "deg"),
        "arc_deg": Allowed(0, 10_000, "deg"),
        "arc_trend_deg_per_hour": Allowed(-1e6, 1e6, "deg/h"),
        "beats_expected": _COUNT,
        "beats_heard": _COUNT,
        "temperature_c": Allowed(-50, 80, "degrees Celsius"),
    },
    "trials": {"expected_rate_s_per_day": _RATE},
    "hand_checks": {"rate_s_per_day": _RATE, "span_h": Allowed(1e-3, 1e6, "h")},
    "free_swings": {"q": Allowed(0.1, 1e7, ""), "settling_time_s": Allowed(0, 1e9, "s")},
}

_UNCERTAINTY = Allowed(0, 1e9, "")
"""Zero or more: a negative standard uncertainty is a mistake, and the arithmetic of figures refuses it."""


def range_of(table: str, column: str) -> Allowed | None:
    """Give the range of a column's numbers, or None if it holds no numbers."""
    if table == "clocks":
        return CLOCK_FIELDS.get(column)
    if column.startswith("u_"):
        return _UNCERTAINTY
    return _COLUMNS.get(table, {}).get(column)


def fault_of_number(row: Base) -> str | None:
    """Say which number or moment of a row is invalid, or None where all are valid."""
    from sqlalchemy import inspect

    state = inspect(row)
    for column in state.mapper.column_attrs:
        name = column.key
        if name in state.unloaded:
            continue
        value, allowed = getattr(row, name), range_of(row.__tablename__, name)
        if (
            value is None
            and isinstance(row, History)
            and name.startswith("u_")
            and name
            != "u_timebase_offset_ppm"  # a document may state a crystal's error without its uncertainty
            and getattr(row, name[2:]) is not None
        ):
            return f"{name[2:]} has no uncertainty"
        if isinstance(value, datetime):
            moment = value if value.tzinfo is not None else value.astimezone()
            if not EARLIEST <= moment < LATEST:
                return f"{name} is {value}; it must lie between 1800 and 2200"
        elif allowed is not None and value is not None:
            if isinstance(value, bool) or not isinstance(value, int | float):
                return f"{name} is {value!r}, which is not a number"
            if not math.isfinite(value) or not allowed.low <= value <= allowed.high:
                return (
                    f"{name} is {value:g}; it must lie between {allowed.low:g} and {allowed.high:g} {allowed.unit}"
                ).rstrip()
    return None
