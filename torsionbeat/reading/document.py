"""A reading as a document: the JSON and CSV that other programs read."""

from __future__ import annotations

import csv
from typing import Any, TextIO

import numpy as np

from torsionbeat.reading.figures import (
    Events,
    FloatArray,
    FlutterReport,
    OwnSides,
    Reading,
    Timebase,
    UFloat,
    WheelFault,
)
from torsionbeat.sound.remarks import remark_codes
from torsionbeat.version import __version__

__all__ = ["figure_document", "reading_document", "swing_levels_db", "write_events"]

SAME_SOUND_S = 2e-3
"""A sound belongs to a swing when it is this near to the moment that the swing gives."""


def reading_document(reading: Reading) -> dict[str, Any]:
    """The reading in plain types, schema 1; a figure that was not measured is None."""
    clock, recording = reading.clock, reading.recording
    swings = reading.swings
    levels = {kind: swing_levels_db(reading, kind) for kind in ("contact", "drop")}
    wheels = {} if reading.wheels is None else {"wheels": [_wheel(fault) for fault in reading.wheels]}
    return {
        "schema": 1,
        "torsionbeat": __version__,
        "recording": {
            "name": recording.name,
            "duration_s": recording.duration_s,
            "sample_rate_hz": recording.sample_rate_hz,
            "channels": recording.channels,
            "gaps": [list(gap) for gap in recording.gaps],
            "recorder": recording.recorder or None,
        },
        "timebase": {
            "source": reading.timebase.source,
            "offset_ppm": reading.timebase.offset_ppm,
            "standard_uncertainty_ppm": reading.timebase.standard_uncertainty_ppm,
            **_synchronised(reading.timebase),
        },
        "clock": {
            "name": clock.name,
            "nominal_period_s": clock.nominal_period_s,
            "lift_deg": clock.lift_deg,
            "lift_tolerance_deg": clock.lift_tolerance_deg,
            "arc_low_deg": clock.arc_low_deg,
            "arc_high_deg": clock.arc_high_deg,
            "knock_arc_deg": clock.knock_arc_deg,
            "train": None if clock.train is None else str(clock.train),
        },
        "period_s": figure_document(reading.period_s),
        "rate_s_per_day": figure_document(reading.rate_s_per_day),
        "beat_error_ms": figure_document(reading.beat_error_ms),
        "offset_deg": figure_document(reading.offset_deg),
        "arc_deg": figure_document(reading.arc_deg),
        "arc_trend_deg_per_hour": figure_document(reading.arc_trend_deg_per_hour),
        "uncertainty_from_beginnings": {
            "beat_error_ms": reading.beat_error_from_beginnings_ms,
            "arc_deg": reading.arc_from_beginnings_deg,
        },
        "stretch_s": None if reading.stretch_s is None else list(reading.stretch_s),
        "beats": {"expected": reading.beats_expected, "heard": reading.beats_heard},
        "sides": _sides(reading.sides),
        "swings": [
            {
                "time_s": float(swings.time_s[row]),
                "side": str(swings.side[row]),
                "period_s": _number(swings.period_s[row]),
                "arc_deg": _number(swings.arc_deg[row]),
                "number": int(swings.number[row]),
                "lift_passage_s": _number(swings.lift_passage_s[row]),
                "contact_db": _number(levels["contact"][row]),
                "drop_db": _number(levels["drop"][row]),
            }
            for row in range(len(swings))
        ],
        **wheels,
        "flutter": None if reading.flutter is None else _flutter(reading.flutter, reading.period_s),
        "remarks": list(reading.remarks),
        "remark_codes": remark_codes(reading.remarks),
    }


def _wheel(fault: WheelFault) -> dict[str, Any]:
    return {
        "every_beats": fault.every_beats,
        "teeth": fault.teeth,
        "shape": fault.shape,
        "where": [{"beat": beat, "side": side} for beat, side in fault.where],
        "quantity": fault.quantity,
        "size": figure_document(fault.size),
        "false_alarm": fault.false_alarm,
    }


def _flutter(report: FlutterReport, period_s: UFloat) -> dict[str, Any]:
    period = 0.0 if period_s is None else period_s.nominal_value
    return {
        "beats": [
            {
                "number": beat.number,
                "side": beat.side,
                "time_s": beat.time_s,
                "after_s": list(beat.after_s),
            }
            for beat in report.beats
        ],
        "extra_drops": report.extra_drops,
        "by_hour": [{"hour": hour, "extra_drops": count} for hour, count in report.by_hour()],
        "hands_ahead_s": report.hands_ahead_s(period),
        "searched_beats": report.searched,
        "by_noise": report.by_noise,
        "controls": report.controls,
        "false_alarm": report.false_alarm,
    }


def write_events(events: Events, file: TextIO) -> None:
    """Write events as CSV: time_s, side, kind, level_db."""
    rows = csv.writer(file, lineterminator="\n")
    rows.writerow(["time_s", "side", "kind", "level_db"])
    for time, side, kind, level in zip(events.time_s, events.side, events.kind, events.level_db, strict=True):
        rows.writerow([f"{time:.6f}", str(side), str(kind), f"{level:.1f}"])


def swing_levels_db(reading: Reading, kind: str) -> FloatArray:
    """Level of each swing's contact or drop, dB above the room, rounded to a tenth; nan where it was not heard."""
    swings, events = reading.swings, reading.events
    half = np.nan_to_num(swings.lift_passage_s) / 2
    wanted = swings.time_s + (half if kind == "drop" else -half)
    levels = np.full(len(swings), np.nan)
    mine = events.kind == kind
    times, heard = events.time_s[mine], events.level_db[mine]
    if len(times) and len(swings):
        order = np.argsort(times)
        after = np.clip(np.searchsorted(times[order], wanted), 1, max(len(times) - 1, 1))
        both = np.stack([after - 1, np.minimum(after, len(times) - 1)])
        nearest = order[both[np.argmin(np.abs(times[order][both] - wanted), axis=0), np.arange(len(wanted))]]
        same = np.abs(times[nearest] - wanted) < SAME_SOUND_S
        if kind == "contact":
            same &= np.isfinite(swings.lift_passage_s)
        levels[same] = np.round(heard[nearest][same], 1)
    return levels


def _sides(sides: OwnSides | None) -> dict[str, float | str] | None:
    """How sure the letters are the clock's own, and what the balance goes towards at a beat of each side."""
    return None if sides is None else {"probability": sides.probability, "a": sides.a, "b": sides.b}


def _synchronised(timebase: Timebase) -> dict[str, bool | None]:
    """Whether network time kept the computer's clock, if that is the timebase; None: unknown."""
    return {"synchronised": timebase.synchronised} if timebase.source == "host clock" else {}


def figure_document(figure: UFloat) -> dict[str, float] | None:
    """An uncertain number in plain types for JSON; None for a figure that was not measured."""
    if figure is None:
        return None
    return {"value": float(figure.nominal_value), "standard_uncertainty": float(figure.std_dev)}


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
