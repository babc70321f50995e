"""A reading as a document: the JSON and CSV that other programs read."""

from __future__ import annotations

import csv
from typing import Any, TextIO

import numpy as np

from torsionbeat.reading.figures import Events, Reading, UFloat

__all__ = ["reading_document", "write_events"]


def reading_document(reading: Reading) -> dict[str, Any]:
    """The reading in plain types, schema 1; a figure that was not measured is None."""
    import torsionbeat

    clock, recording = reading.clock, reading.recording
    swings = reading.swings
    return {
        "schema": 1,
        "torsionbeat": torsionbeat.__version__,
        "recording": {
            "name": recording.name,
            "duration_s": recording.duration_s,
            "sample_rate_hz": recording.sample_rate_hz,
            "channels": recording.channels,
            "gaps": [list(gap) for gap in recording.gaps],
        },
        "timebase": {
            "source": reading.timebase.source,
            "offset_ppm": reading.timebase.offset_ppm,
            "standard_uncertainty_ppm": reading.timebase.standard_uncertainty_ppm,
        },
        "clock": {
            "name": clock.name,
            "nominal_period_s": clock.nominal_period_s,
            "lift_deg": clock.lift_deg,
            "lift_tolerance_deg": clock.lift_tolerance_deg,
            "arc_low_deg": clock.arc_low_deg,
            "arc_high_deg": clock.arc_high_deg,
            "knock_arc_deg": clock.knock_arc_deg,
        },
        "period_s": _figure(reading.period_s),
        "rate_s_per_day": _figure(reading.rate_s_per_day),
        "beat_error_ms": _figure(reading.beat_error_ms),
        "offset_deg": _figure(reading.offset_deg),
        "arc_deg": _figure(reading.arc_deg),
        "arc_trend_deg_per_hour": _figure(reading.arc_trend_deg_per_hour),
        "beats": {"expected": reading.beats_expected, "heard": reading.beats_heard},
        "swings": [
            {
                "time_s": float(swings.time_s[row]),
                "side": str(swings.side[row]),
                "period_s": _number(swings.period_s[row]),
                "arc_deg": _number(swings.arc_deg[row]),
                "number": int(swings.number[row]),
                "lift_passage_s": _number(swings.lift_passage_s[row]),
            }
            for row in range(len(swings))
        ],
        "remarks": list(reading.remarks),
    }


def write_events(events: Events, file: TextIO) -> None:
    """Write events as CSV: time_s, side, kind, level_db."""
    rows = csv.writer(file, lineterminator="\n")
    rows.writerow(["time_s", "side", "kind", "level_db"])
    for time, side, kind, level in zip(events.time_s, events.side, events.kind, events.level_db, strict=True):
        rows.writerow([f"{time:.6f}", str(side), str(kind), f"{level:.1f}"])


def _figure(figure: UFloat) -> dict[str, float] | None:
    if figure is None:
        return None
    return {"value": float(figure.nominal_value), "standard_uncertainty": float(figure.std_dev)}


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
