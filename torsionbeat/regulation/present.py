"""The last reading of the clock: the starting point of a correction.

It is made from a `Reading`, from the stored document of a reading, or from a rate alone. Rates in seconds
per day, > 0 gains; arcs end to end in degrees; times in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

from torsionbeat.errors import InputError
from torsionbeat.history.nights import reading_from_document
from torsionbeat.reading.beats import middles_s
from torsionbeat.reading.figures import Clock, FloatArray, IntArray, Reading, UFloat
from torsionbeat.theory.rate import DAY_S

__all__ = ["LARGEST_RATE_S_PER_DAY", "Present", "from_document", "from_rate", "from_reading"]

LARGEST_RATE_S_PER_DAY = 14_400.0
"""Four hours a day: beyond, no weight helps, and the nominal period is doubtful."""


@dataclass(frozen=True, slots=True)
class Present:
    """Present figures of the clock; ``None`` where not measured.

    ``timebase_s_per_day`` is the part of the rate's standard uncertainty due to the recorder's crystal. ``beat_time_s``
    and ``beat_number`` (n,) are the beats heard, where stored, and ``arc_swing_deg`` (n,) the arc at each (nan where
    none was read). ``heard_share`` is the share of the beats that were heard. ``recorder`` names the recorder.
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
    arc_swing_deg: FloatArray | None = None
    heard_share: float | None = None
    recorder: str = ""

    def __post_init__(self) -> None:
        rate, sigma = self.rate_s_per_day.nominal_value, self.rate_s_per_day.std_dev
        if not (abs(rate) <= LARGEST_RATE_S_PER_DAY and math.isfinite(sigma)):
            raise InputError(
                f"rate is {rate:g} s/day; it must lie between -14400 and 14400 s/day (4 hours): check the "
                "nominal period, or change the strip (see torsionbeat spring)"
            )

    @property
    def own_s_per_day(self) -> float:
        """Standard uncertainty of the rate without the timebase's part."""
        return math.sqrt(max(self.rate_s_per_day.std_dev**2 - self.timebase_s_per_day**2, 0.0))

    def with_clock(self, **known: float | None) -> Present:
        """Set known values of the clock; None keeps the present value."""
        given = {name: value for name, value in known.items() if value is not None}
        return replace(self, clock=replace(self.clock, **given))  # type: ignore[arg-type]


def from_rate(rate_s_per_day: UFloat, clock: Clock | None = None, arc_deg: UFloat = None) -> Present:
    """Make it from the rate of a hand check or of another source.

    Parameters
    ----------
    rate_s_per_day : ufloat
    clock : Clock, optional
        Known values of the clock.
    arc_deg : ufloat
        End to end.
    """
    return Present(rate_s_per_day, clock or Clock(), arc_deg=arc_deg, timebase_source="stated")


def from_reading(reading: Reading) -> Present:
    """Make it from a reading.

    Raises
    ------
    InputError
        The reading has no period, or no nominal period to compare it with.
    """
    period, rate = reading.period_s, reading.rate_s_per_day
    if rate is None:
        if period is None:
            raise InputError("this reading has no rate and no period; listen again, nearer to the clock")
        if reading.clock.nominal_period_s is None:
            raise InputError(
                f"the period is {period.nominal_value:.4f} s but the nominal period is not known; give it "
                "with --period (full period, out and back)"
            )
        rate = DAY_S * (reading.clock.nominal_period_s / period - 1)
    heard = len(reading.swings) > 0
    return Present(
        rate,
        reading.clock,
        period,
        arc_deg=reading.arc_deg,
        beat_error_ms=reading.beat_error_ms,
        offset_deg=reading.offset_deg,
        timebase_source=reading.timebase.source,
        timebase_s_per_day=reading.timebase.standard_uncertainty_ppm * DAY_S / 1e6,
        duration_s=reading.recording.duration_s or None,
        beat_time_s=middles_s(reading.swings) if heard else None,
        beat_number=reading.swings.number if heard else None,
        arc_swing_deg=reading.swings.arc_deg if heard else None,
        heard_share=reading.beats_heard / reading.beats_expected if reading.beats_expected else None,
        recorder=reading.recording.recorder,
    )


def from_document(document: dict[str, Any], nominal_period_s: float | None = None) -> Present:
    """Make it from the JSON document of a reading (schema 1).

    Parameters
    ----------
    document : dict
        As ``torsionbeat analyse --json`` writes it.
    nominal_period_s : float, optional
        Replaces the nominal period of the document.

    Raises
    ------
    InputError
        It is not a document of a reading, or holds no rate.
    """
    if not isinstance(document, dict):
        raise InputError(
            f"this is no reading but a {type(document).__name__}; give what torsionbeat analyse wrote"
        )
    reading = reading_from_document(document)
    if nominal_period_s is not None and nominal_period_s != reading.clock.nominal_period_s:
        reading = replace(
            reading,
            rate_s_per_day=reading.rate_s_per_day if reading.period_s is None else None,
            clock=replace(reading.clock, nominal_period_s=nominal_period_s),
        )
    return from_reading(reading)
