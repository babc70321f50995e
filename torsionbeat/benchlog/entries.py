"""What may enter the bench log: texts, clock fields and documents, each checked once before it is kept."""

from __future__ import annotations

import json
import re
from typing import Any

from torsionbeat.benchlog.ranges import CLOCK_FIELDS, CLOCK_KINDS, fault_of_details, fault_of_number
from torsionbeat.benchlog.tables import FIGURES, WORK_KINDS, Base, ClockRecord, WorkRecord
from torsionbeat.errors import InputError
from torsionbeat.theory.train import Train

__all__ = [
    "CLOCK_FIELDS",
    "CLOCK_KINDS",
    "check_clock",
    "check_row",
    "clean_fields",
    "clean_name",
    "clean_text",
    "fault_of",
    "label",
    "plain",
    "reading_columns",
    "value_words",
    "whole_number",
]

LONGEST_TEXT = 20_000
"""A note of more than ten pages is a document, to be kept beside the log and named in it."""

_ORDERED = (
    ("arc_low_deg", "arc_high_deg"),
    ("arc_high_deg", "knock_arc_deg"),
    ("arc_low_deg", "knock_arc_deg"),
    ("regulator_low", "regulator_high"),
)


def clean_text(text: object, what: str, *, longest: int = LONGEST_TEXT) -> str:
    """Give the text as it will be kept, without leading and trailing blanks.

    Parameters
    ----------
    text : object
    what : str
        What it is, for the message.
    longest : int
        Letters allowed.

    Raises
    ------
    InputError
        The text is longer than allowed, or holds a character that a database cannot keep.
    """
    kept = str(text).strip()
    if len(kept) > longest:
        raise InputError(f"{what} has {len(kept)} characters; at most {longest} are kept, so shorten it")
    if "\0" in kept or kept.encode("utf-8", "replace").decode("utf-8") != kept:
        raise InputError(f"{what} holds a character that cannot be kept; type it anew without it")
    return kept


def clean_name(name: object) -> str:
    """Give a clock's name as it will be kept: 1 to 80 printable characters, not beginning with a dash.

    Raises
    ------
    InputError
        It is empty, longer than 80 characters, not printable, or begins with a dash.
    """
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
    if kept.get("train"):
        kept["train"] = str(Train.from_text(kept["train"]))
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
    """Check that the fields of a record agree with each other.

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


def fault_of(row: Base) -> str | None:
    """Say what is invalid in a row: a number or moment out of range, an unknown kind; None where it is valid."""
    fault = fault_of_number(row)
    if fault is not None:
        return fault
    kinds: tuple[str, ...] = {"works": WORK_KINDS, "clocks": CLOCK_KINDS}.get(row.__tablename__, ())
    kind = getattr(row, "kind", None)
    if kinds and (kind is not None or row.__tablename__ == "works") and kind not in kinds:
        return f"kind is {kind!r}; it must be one of {', '.join(kinds)}"
    if isinstance(row, ClockRecord) and not _is_stated(row.stated):
        return f"stated is {row.stated!r}; it must say a value and after how many works"
    for name in ("details", "document", "before", "after", "sides"):
        loaded = row.__dict__.get(name)
        if loaded is not None and not isinstance(loaded, dict):
            return f"{name} is a {type(loaded).__name__}; it must be an object"
    return fault_of_details(row.details) if isinstance(row, WorkRecord) and row.details else None


def _is_stated(stated: Any) -> bool:
    if stated is None:
        return True
    if not isinstance(stated, dict) or not all(isinstance(said, dict) for said in stated.values()):
        return False
    return all(
        isinstance(said.get("value"), int | float | None) and isinstance(said.get("after_works"), int)
        for said in stated.values()
    )


def check_row(row: Base) -> None:
    """Refuse an invalid row.

    Raises
    ------
    InputError
        A number or moment out of range, an unknown kind, or what ``check_clock`` refuses.
    """
    fault = fault_of(row)
    if fault is not None:
        raise InputError(f"this cannot be kept among the {row.__tablename__.replace('_', ' ')}: {fault}")
    if isinstance(row, ClockRecord):
        check_clock(row)


def plain(document: object, what: str) -> dict[str, Any]:
    """Give a document as JSON returns it; nan and infinity become null.

    Raises
    ------
    InputError
        The document is not an object, or holds something that JSON cannot express.
    """
    try:
        kept = json.loads(json.dumps(document), parse_constant=lambda _: None, parse_int=whole_number)
    except (TypeError, ValueError, RecursionError) as error:
        raise InputError(
            f"{what} cannot be written as JSON ({error}); give numbers, texts, lists and objects"
        ) from error
    if not isinstance(kept, dict):
        raise InputError(f"{what} is a {type(document).__name__}; it must be a JSON object")
    return kept


LONGEST_WHOLE = 18
"""Digits of a whole number: 64 bits can hold them, and a float does not overflow."""


def whole_number(text: str) -> int:
    """Read a whole number as JSON writes it.

    Raises
    ------
    ValueError
        It has more digits than any count or identity has.
    """
    if len(text.lstrip("-")) > LONGEST_WHOLE:
        raise ValueError(f"a number of {len(text)} digits")
    return int(text)


def reading_columns(document: dict[str, Any]) -> dict[str, Any]:
    """Take from a reading's document the values that the log also keeps in columns.

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
