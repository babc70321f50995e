"""What may enter the bench log: texts, clock fields and documents, each checked once before it is kept."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any

from torsionbeat.benchlog.tables import FIGURES, ClockRecord
from torsionbeat.errors import InputError

__all__ = [
    "CLOCK_FIELDS",
    "CLOCK_KINDS",
    "check_clock",
    "clean_fields",
    "clean_name",
    "clean_text",
    "label",
    "plain",
    "reading_columns",
    "value_words",
]

CLOCK_KINDS = ("400-day", "air-driven", "other")

LONGEST_TEXT = 20_000


@dataclass(frozen=True, slots=True)
class Allowed:
    """The range a number of a clock's record may lie in, and its unit."""

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
"""What ``add_clock`` and ``change_clock`` take; None marks a text."""

_ORDERED = (
    ("arc_low_deg", "arc_high_deg"),
    ("arc_high_deg", "knock_arc_deg"),
    ("arc_low_deg", "knock_arc_deg"),
    ("regulator_low", "regulator_high"),
)


def clean_text(text: object, what: str, *, longest: int = LONGEST_TEXT) -> str:
    """Give the text as it will be kept, without blanks about it.

    Raises
    ------
    InputError
        The text is longer than allowed, or holds a character that no database keeps.
    """
    kept = str(text).strip()
    if len(kept) > longest:
        raise InputError(f"{what} has {len(kept)} characters; at most {longest} are kept, so shorten it")
    if "\0" in kept or kept.encode("utf-8", "replace").decode("utf-8") != kept:
        raise InputError(f"{what} holds a character that cannot be kept; type it anew without it")
    return kept


def clean_name(name: object) -> str:
    """Give a clock's name as it will be kept: 1 to 80 printable characters, not beginning with a dash."""
    kept = clean_text(name, "the clock's name", longest=80)
    if not kept or not kept.isprintable() or kept.startswith("-"):
        raise InputError(
            f"the clock's name is {kept!r}; give 1 to 80 printable characters, the first not a dash"
        )
    return kept


def clean_fields(fields: dict[str, Any]) -> dict[str, Any]:
    """Check fields of a clock's record against ``CLOCK_FIELDS``; None empties a field.

    Raises
    ------
    InputError
        An unknown field, or a value outside its range.
    """
    kept: dict[str, Any] = {}
    for name, value in fields.items():
        if name not in CLOCK_FIELDS:
            raise InputError(f"a clock's record has no field {name!r}; it has {', '.join(CLOCK_FIELDS)}")
        allowed = CLOCK_FIELDS[name]
        if allowed is None:
            kept[name] = clean_text("" if value is None else value, label(name))
        elif value is None:
            kept[name] = 0.0 if name == "lift_tolerance_deg" else None
        elif isinstance(value, bool) or not isinstance(value, (int, float)):
            raise InputError(f"{label(name)} is {value!r}; give a number of {allowed.unit}")
        elif not allowed.low <= value <= allowed.high:
            raise InputError(
                f"{label(name)} is {value:g}; it must lie between {allowed.low:g} and {allowed.high:g} "
                f"{allowed.unit}"
            )
        else:
            kept[name] = float(value)
    if "kind" in kept and kept["kind"] not in CLOCK_KINDS:
        raise InputError(f"the clock's kind is {kept['kind']!r}; use one of {', '.join(CLOCK_KINDS)}")
    return kept


def label(name: str) -> str:
    """Say the name of a field without its unit.

    Examples
    --------
    >>> label("nominal_period_s"), label("balance_inertia_g_mm2"), label("u_regulator_s_per_day_per_unit")
    ('nominal period', 'balance inertia', 'uncertainty of regulator effect')
    """
    words = name.replace("_s_per_day_per_unit", "_effect")
    words = re.sub("^u_", "uncertainty_of_", re.sub("_(s|deg|mm|um|g|g_mm2)$", "", words))
    return words.replace("_", " ")


def value_words(name: str, value: Any) -> str:
    """Say the value of a field with its unit."""
    if value in (None, ""):
        return "nothing"
    allowed = CLOCK_FIELDS.get(name)
    return repr(value) if allowed is None else f"{value:g} {allowed.unit.partition(' (')[0]}"


def check_clock(clock: ClockRecord) -> None:
    """Check what the fields of a record say together.

    Raises
    ------
    InputError
        A lower limit that is not below its upper one, or what ``Clock`` refuses.
    """
    for low, high in _ORDERED:
        below, above = getattr(clock, low), getattr(clock, high)
        if below is not None and above is not None and not below < above:
            raise InputError(
                f"{label(low)} is {below:g} and {label(high)} is {above:g}; the first must be smaller: "
                "change one of them"
            )
    clock.as_clock()


def plain(document: object, what: str) -> dict[str, Any]:
    """Give a document as JSON will give it back; what is not a number (nan, infinity) becomes null.

    Raises
    ------
    InputError
        The document is not an object, or holds something JSON has no word for.
    """
    try:
        kept = json.loads(json.dumps(document), parse_constant=lambda _: None)
    except (TypeError, ValueError) as error:
        raise InputError(
            f"{what} cannot be written as JSON ({error}); give numbers, texts, lists and objects"
        ) from error
    if not isinstance(kept, dict):
        raise InputError(f"{what} is a {type(document).__name__}; it must be a JSON object")
    return kept


def reading_columns(document: dict[str, Any]) -> dict[str, Any]:
    """Take from a reading's document what the log keeps beside it in columns.

    Raises
    ------
    InputError
        The document is not a reading of schema 1, or a figure in it has no value and standard uncertainty.
    """
    if document.get("schema") != 1 or not any(name in document for name in FIGURES):
        raise InputError(
            f"this is not a reading: its schema is {document.get('schema')!r}, not 1, or it has no figure; "
            "keep what torsionbeat analyse --json wrote"
        )
    columns: dict[str, Any] = {}
    for name in FIGURES:
        figure: Any = document.get(name)
        known = figure is not None
        try:
            known = known and figure["value"] is not None
            columns[name] = float(figure["value"]) if known else None
            columns[f"u_{name}"] = float(figure["standard_uncertainty"]) if known else None
        except (TypeError, KeyError, ValueError) as error:
            raise InputError(
                f"{name} of the reading is {figure!r}; it must be null, or value and standard_uncertainty"
            ) from error
    beats, recording = document.get("beats") or {}, document.get("recording") or {}
    timebase = document.get("timebase") or {}
    try:
        columns["timebase_source"] = clean_text(timebase.get("source") or "", "the timebase")
        columns["timebase_offset_ppm"] = _number(timebase.get("offset_ppm"))
        columns["u_timebase_offset_ppm"] = _number(timebase.get("standard_uncertainty_ppm"))
        columns["beats_expected"] = _whole(beats.get("expected"))
        columns["beats_heard"] = _whole(beats.get("heard"))
        columns["duration_s"] = _number(recording.get("duration_s"))
    except (AttributeError, TypeError, ValueError) as error:
        raise InputError(
            f"beats, recording or timebase of the reading cannot be read ({error}); "
            "keep what torsionbeat analyse --json wrote"
        ) from error
    return columns


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _whole(value: object) -> int | None:
    return None if value is None else int(str(value))
