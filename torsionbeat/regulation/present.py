"""The clock as it was last read: what a correction starts from.

Comes from a `Reading`, from the document that a reading is kept as, or from a rate alone. Rates in seconds
per day, > 0 gains; arcs end to end in degrees; times in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from torsionbeat.errors import InputError
from torsionbeat.reading.figures import Clock, FloatArray, IntArray, Reading, UFloat
from torsionbeat.theory.rate import DAY_S

__all__ = ["LARGEST_RATE_S_PER_DAY", "Present", "from_document", "from_rate", "from_reading"]

LARGEST_RATE_S_PER_DAY = 14_400.0
"""Four hours a day: further out no weight helps, and the nominal period is doubtful."""

CLOCK_FIELDS = (
    "nominal_period_s",
    "lift_deg",
    "arc_low_deg",
    "arc_high_deg",
    "knock_arc_deg",
)


@dataclass(frozen=True, slots=True)
class Present:
    """Figures of the clock as it stands; ``None`` where one was not measured.

    ``timebase_s_per_day`` is the part of the rate's standard uncertainty that the recorder's crystal makes.
    ``beat_time_s`` and ``beat_number`` (n,) are the beats heard, where they are kept.
    """

    rate_s_per_day: UFloat
    clock: Clock = field(default_factory=Clock)
    period_s: UFloat = None
    arc_deg: UFloat = None
    beat_error_ms: UFloat = None
    offset_deg: UFloat = None
    timebase_source: str = ""
    timebase_s_per_day: float = 0.0
    duration_s: float | None = None
    beat_time_s: FloatArray | None = None
    beat_number: IntArray | None = None

    def __post_init__(self) -> None:
        rate, sigma = self.rate_s_per_day.nominal_value, self.rate_s_per_day.std_dev
        if not (abs(rate) <= LARGEST_RATE_S_PER_DAY and math.isfinite(sigma)):
            raise InputError(
                f"rate is {rate:g} s/day; it must lie between -14400 and 14400 s/day (4 hours): check the "
                "nominal "
                "period, or change the strip (see torsionbeat spring)"
            )

    @property
    def own_s_per_day(self) -> float:
        """Standard uncertainty of the rate without the timebase's part."""
        return math.sqrt(max(self.rate_s_per_day.std_dev**2 - self.timebase_s_per_day**2, 0.0))

    def with_clock(self, **known: float | None) -> Present:
        """Fill in what is known of the clock; None leaves what is there."""
        given = {name: value for name, value in known.items() if value is not None}
        return replace(self, clock=replace(self.clock, **given))  # type: ignore[arg-type]


def from_rate(rate_s_per_day: UFloat, clock: Clock | None = None, arc_deg: UFloat = None) -> Present:
    """Give what a hand check, or a rate found elsewhere, says."""
    return Present(rate_s_per_day, clock or Clock(), arc_deg=arc_deg, timebase_source="stated")


def from_reading(reading: Reading) -> Present:
    """Give what a reading says.

    Raises
    ------
    InputError
        It has no period, or no nominal period to compare it with.
    """
    return _present(
        reading.period_s,
        reading.rate_s_per_day,
        reading.clock,
        arc_deg=reading.arc_deg,
        beat_error_ms=reading.beat_error_ms,
        offset_deg=reading.offset_deg,
        timebase_source=reading.timebase.source,
        timebase_ppm=reading.timebase.standard_uncertainty_ppm,
        duration_s=reading.recording.duration_s,
        beat_time_s=reading.swings.time_s,
        beat_number=reading.swings.number,
    )


def from_document(document: Mapping[str, Any], nominal_period_s: float | None = None) -> Present:
    """Give what the JSON document of a reading (schema 1) says.

    Parameters
    ----------
    document : mapping
        As ``torsionbeat analyse --json`` writes it.
    nominal_period_s : float, optional
        Takes the place of the one in the document.

    Raises
    ------
    InputError
        It is not such a document, or holds no rate.
    """
    if not isinstance(document, Mapping) or document.get("schema") != 1:
        found = document.get("schema") if isinstance(document, Mapping) else type(document).__name__
        raise InputError(
            f"this is no reading of schema 1 (found {found!r}); give what torsionbeat analyse --json wrote"
        )
    try:
        figures = {
            name: _figure(document.get(name))
            for name in ("period_s", "rate_s_per_day", "arc_deg", "beat_error_ms", "offset_deg")
        }
        known = document.get("clock") or {}
        fields: dict[str, Any] = {name: known.get(name) for name in CLOCK_FIELDS}
        clock = Clock(**fields)
        timebase = document.get("timebase") or {}
        ppm = float(timebase.get("standard_uncertainty_ppm") or 0.0)
        duration = (document.get("recording") or {}).get("duration_s")
        times = [float(row["time_s"]) for row in document.get("swings") or []]
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            f"the reading cannot be understood ({error!r}); give what torsionbeat analyse --json wrote"
        ) from error
    rate = figures["rate_s_per_day"]
    if nominal_period_s is not None:
        if clock.nominal_period_s not in (None, nominal_period_s):
            rate = None
        clock = replace(clock, nominal_period_s=nominal_period_s)
    beat_time = np.array(times) if times else None
    number = None
    if beat_time is not None and figures["period_s"] is not None:
        number = np.round((beat_time - beat_time[0]) / (figures["period_s"].nominal_value / 2)).astype(
            np.int64
        )
    return _present(
        figures["period_s"],
        rate,
        clock,
        arc_deg=figures["arc_deg"],
        beat_error_ms=figures["beat_error_ms"],
        offset_deg=figures["offset_deg"],
        timebase_source=str(timebase.get("source") or ""),
        timebase_ppm=ppm,
        duration_s=None if duration is None else float(duration),
        beat_time_s=beat_time,
        beat_number=number,
    )


def _present(period_s: UFloat, rate: UFloat, clock: Clock, *, timebase_ppm: float, **rest: Any) -> Present:
    if rate is None:
        if period_s is None:
            raise InputError("this reading has no rate and no period; listen again, nearer to the clock")
        if clock.nominal_period_s is None:
            raise InputError(
                f"the period is {period_s.nominal_value:.4f} s but the nominal period is not known; give "
                "it with "
                "--period (full period, out and back)"
            )
        rate = DAY_S * (clock.nominal_period_s / period_s - 1)
    return Present(rate, clock, period_s, timebase_s_per_day=timebase_ppm * DAY_S / 1e6, **rest)


def _figure(value: Any) -> UFloat:
    from uncertainties import ufloat

    if value is None or value["value"] is None:
        return None
    return ufloat(float(value["value"]), max(float(value["standard_uncertainty"]), 1e-9))
