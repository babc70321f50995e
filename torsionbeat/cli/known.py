"""What the user says beforehand, the same for every command that hears a clock: of the clock, and of a reference clock."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from torsionbeat.errors import InputError

if TYPE_CHECKING:
    from torsionbeat.reading.figures import Clock

__all__ = ["ReferenceInterval", "ReferenceTolerance", "known_clock", "reference_tolerance"]

REFERENCE_TOLERANCE_PPM = 5.0
"""A good quartz clock at room temperature: half a second a day (common practice, no source)."""

ReferenceInterval = Annotated[
    float | None,
    typer.Option(
        help="A quartz clock or time-signal pips can be heard too, at this interval (s), mostly 1: they "
        "measure the recorder's crystal."
    ),
]
ReferenceTolerance = Annotated[
    float | None,
    typer.Option(help="How true those are: half-width (ppm); left out, 5 ppm, 0.43 s a day."),
]


def known_clock(
    record: Clock | None, period: float | None, lift: float | None, tolerance: float | None
) -> Clock:
    """Give what is known of the clock: options first, then its record.

    Raises
    ------
    InputError
        A value is out of range, or a tolerance of the lift stands without a lift or above it.
    """
    from torsionbeat.reading.figures import Clock

    given: dict[str, Any] = {"nominal_period_s": period, "lift_deg": lift, "lift_tolerance_deg": tolerance}
    if lift is not None and tolerance is None:
        given["lift_tolerance_deg"] = 0.0  # a tolerance on record belongs to the lift on record
    known = replace(record or Clock(), **{name: value for name, value in given.items() if value is not None})
    if known.lift_tolerance_deg and known.lift_deg is None:
        raise InputError(
            f"the lift tolerance is {known.lift_tolerance_deg:g} deg, but no lift is known; give --lift too"
        )
    if known.lift_deg is not None and known.lift_tolerance_deg >= known.lift_deg:
        raise InputError(
            f"the lift tolerance is {known.lift_tolerance_deg:g} deg and the lift {known.lift_deg:g} deg; "
            "the tolerance must be the smaller"
        )
    return known


def reference_tolerance(interval_s: float | None, tolerance_ppm: float | None) -> float:
    """Half-width in ppm of a reference clock's interval; refuses one without an interval."""
    if interval_s is None and tolerance_ppm is not None:
        raise InputError("--reference-tolerance-ppm belongs to --reference-interval; give that too")
    return REFERENCE_TOLERANCE_PPM if tolerance_ppm is None else tolerance_ppm
