"""Nights: readings with what else is known of them, and readings restored from saved documents."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from torsionbeat.errors import InputError
from torsionbeat.reading.document import swing_levels_db
from torsionbeat.reading.figures import (
    Clock,
    Events,
    FloatArray,
    FlutterBeat,
    FlutterReport,
    IntArray,
    OwnSides,
    Reading,
    RecordingInfo,
    Swings,
    Timebase,
    UFloat,
    WheelFault,
)
from torsionbeat.sound.remarks import Remark
from torsionbeat.theory.swing import lift_passage_s
from torsionbeat.theory.train import Train

if TYPE_CHECKING:
    from torsionbeat.hearing.heard import VoiceProfile

__all__ = ["Group", "Night", "counted_once", "on_both_sides", "reading_from_document", "with_sides_swapped"]

SAME_BEAT_S = 1e-4
"""Beats of one recording that is read twice lie closer than this; in two recordings, even of one clock, the first beats alone
do so once in some ten thousand pairs."""

SAME_LEVEL_DB = 0.5
"""A beat's height above the room that is computed twice, rounded in between to a tenth of a decibel."""

LEAST_SAME_BEATS = 3
"""With fewer there is no reading."""


@dataclass(frozen=True, slots=True)
class Night:
    """One reading and what else is known of it.

    Parameters
    ----------
    reading : Reading
    taken_at : datetime or None
        When the recording began, with its time zone.
    temperature_c : float or None
        Mean temperature about the clock, degrees Celsius.
    voices : tuple of VoiceProfile
        Mean sounds of contact and drop, where the sound itself was read.
    """

    reading: Reading
    taken_at: datetime | None = None
    temperature_c: float | None = None
    voices: tuple[VoiceProfile, ...] = ()


@dataclass(frozen=True, slots=True)
class Group:
    """One or more nights of a clock in one state, and the Q of a free swing in that state if it is known.

    ``remarks`` say what could not be used.
    """

    nights: tuple[Night, ...]
    label: str = ""
    free_swing_q: UFloat = None
    remarks: tuple[Remark, ...] = ()

    def __post_init__(self) -> None:
        if not self.nights:
            raise InputError("a group without any recording cannot be compared; give at least one")

    @property
    def readings(self) -> list[Reading]:
        """The readings of all nights, in order."""
        return [night.reading for night in self.nights]


def counted_once(nights: Sequence[Night]) -> tuple[Night, ...]:
    """Nights of which no two were recorded at the same time: of those that overlap, the one with most beats heard stays.

    The same stretch read twice adds nothing, and two microphones at one clock hear the same wander. Counted twice,
    they would make every interval too narrow. A night whose time is not known stays.
    """
    kept: list[Night] = []
    for night in sorted(nights, key=lambda night: -night.reading.beats_heard):
        if not any(_overlap(night, other) for other in kept):
            kept.append(night)
    chosen = {id(night) for night in kept}
    return tuple(night for night in nights if id(night) in chosen)


def _overlap(one: Night, other: Night) -> bool:
    if one.taken_at is None or other.taken_at is None:
        return False
    apart_s = (other.taken_at - one.taken_at).total_seconds()
    return -other.reading.recording.duration_s < apart_s < one.reading.recording.duration_s


def on_both_sides(before: Group, after: Group) -> list[tuple[Night, Night]]:
    """Nights of both groups that are one recording, by whatever path or form they were given: beat by beat at the same time.

    A copy, a link, a saved reading or one of the log, read by another lift or crystal, is still the same sound.
    """
    return [
        (one, other)
        for one in before.nights
        for other in after.nights
        if _one_recording(one.reading, other.reading)
    ]


def _one_recording(one: Reading, other: Reading) -> bool:
    """Whether all beats lie at the same time and, where both know how loud they were, are as loud.

    Where the single beats were not kept: whether all digits of the period and its uncertainty agree.
    """
    if not len(one.swings) and not len(other.swings):
        told = [
            (r.recording.duration_s, str(r.period_s and (r.period_s.nominal_value, r.period_s.std_dev)))
            for r in (one, other)
        ]
        return one.period_s is not None and told[0] == told[1]
    counted_s = [reading.swings.time_s * (1 + 1e-6 * reading.timebase.offset_ppm) for reading in (one, other)]
    if len(counted_s[0]) != len(counted_s[1]) or len(counted_s[0]) < LEAST_SAME_BEATS:
        return False
    louder_db = swing_levels_db(one, "drop") - swing_levels_db(other, "drop")
    alike = np.abs(louder_db[np.isfinite(louder_db)]) < SAME_LEVEL_DB
    return bool(np.all(np.abs(counted_s[0] - counted_s[1]) < SAME_BEAT_S) and np.all(alike))


def reading_from_document(document: dict[str, Any]) -> Reading:
    """Restore a reading from what ``torsionbeat analyse --json`` wrote (schema 1).

    The single sounds are restored from the swings' times and levels. A document of an earlier version has no levels, and
    the reading then has no events. Where the document lacks them, beat numbers are counted again from the times, and
    lift passages are computed from arcs and lift.

    Raises
    ------
    InputError
        It is not a reading of schema 1, or something in it cannot be understood.
    """
    if document.get("schema") != 1:
        raise InputError(
            f"this is not a reading: its schema is {document.get('schema')!r}, not 1; "
            "give what torsionbeat analyse --json wrote"
        )
    try:
        return _restored(document)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"the reading cannot be understood ({type(error).__name__}: {error}); "
            "give what torsionbeat analyse --json wrote"
        ) from error


def with_sides_swapped(night: Night) -> Night:
    """Give the same night with side a called b and side b called a: beat error and offset change sign."""
    reading = night.reading
    other = np.vectorize({"a": "b", "b": "a"}.get, otypes=["U1"])

    def turned(table: Any) -> Any:
        return replace(table, side=other(table.side)) if len(table) else table

    swings = turned(reading.swings)
    if len(swings):  # side a has even numbers
        swings = replace(swings, number=swings.number + 1)
    swapped = replace(
        reading,
        beat_error_ms=None if reading.beat_error_ms is None else -reading.beat_error_ms,
        offset_deg=None if reading.offset_deg is None else -reading.offset_deg,
        swings=swings,
        events=turned(reading.events),
        wheels=None if reading.wheels is None else tuple(map(_wheel_swapped, reading.wheels)),
        flutter=None if reading.flutter is None else _flutter_swapped(reading.flutter),
    )
    voices = tuple(replace(voice, side="b" if voice.side == "a" else "a") for voice in night.voices)
    return replace(night, reading=swapped, voices=voices)


def _restored(document: dict[str, Any]) -> Reading:
    recording, timebase, known = (document.get(name) or {} for name in ("recording", "timebase", "clock"))
    beats = document.get("beats") or {}
    fields = {name: known[name] for name in Clock.__dataclass_fields__ if known.get(name) is not None}
    if "train" in fields:
        fields["train"] = Train.from_text(str(fields["train"]))
    clock = Clock(**fields)
    period = _figure(document.get("period_s"))
    offset = _figure(document.get("offset_deg"))
    from_beginnings = document.get("uncertainty_from_beginnings") or {}
    rows = document.get("swings") or []
    swings = _swings(rows, clock, period, offset)
    return Reading(
        recording=RecordingInfo(
            str(recording.get("name", "")),
            float(recording.get("duration_s") or 0.0),
            float(recording.get("sample_rate_hz") or 0.0),
            int(recording.get("channels") or 0),
            tuple((float(start), float(end)) for start, end in recording.get("gaps") or ()),
            str(recording.get("recorder") or ""),
        ),
        timebase=Timebase(
            str(timebase.get("source") or "unknown"),
            float(timebase.get("offset_ppm") or 0.0),
            float(timebase.get("standard_uncertainty_ppm") or 0.0),
            timebase.get("synchronised"),
        ),
        clock=clock,
        period_s=period,
        rate_s_per_day=_figure(document.get("rate_s_per_day")),
        beat_error_ms=_figure(document.get("beat_error_ms")),
        offset_deg=offset,
        arc_deg=_figure(document.get("arc_deg")),
        arc_trend_deg_per_hour=_figure(document.get("arc_trend_deg_per_hour")),
        beats_expected=int(beats.get("expected") or 0),
        beats_heard=int(beats.get("heard") or 0),
        swings=swings,
        events=_events(rows, swings),
        remarks=_remarks(document),
        beat_error_from_beginnings_ms=float(from_beginnings.get("beat_error_ms") or 0.0),
        arc_from_beginnings_deg=float(from_beginnings.get("arc_deg") or 0.0),
        stretch_s=tuple(document["stretch_s"]) if document.get("stretch_s") else None,
        sides=_own_sides(document.get("sides")),
        wheels=_wheels(document.get("wheels"), clock.train),
        flutter=_flutter(document.get("flutter")),
    )


def _wheels(kept: list[dict[str, Any]] | None, train: Train | None) -> tuple[WheelFault, ...] | None:
    """Faults that recur with a wheel; None where they were not searched for."""
    if kept is None:
        return None
    names = {wheel.beats: wheel.name for wheel in train.wheels} if train is not None else {}
    return tuple(
        WheelFault(
            every_beats=float(one["every_beats"]),
            teeth=None if one.get("teeth") is None else int(one["teeth"]),
            shape=str(one["shape"]),
            where=tuple((int(place["beat"]), str(place["side"])) for place in one["where"]),
            quantity=str(one["quantity"]),
            size=_figure(one["size"]),
            false_alarm=float(one["false_alarm"]),
            wheel=names.get(float(one["every_beats"]), ""),
        )
        for one in kept
    )


def _flutter(kept: dict[str, Any] | None) -> FlutterReport | None:
    """Whether drops came again; None where they were not searched for."""
    if kept is None:
        return None
    beats = tuple(
        FlutterBeat(
            int(one["number"]), str(one["side"]), float(one["time_s"]), tuple(map(float, one["after_s"]))
        )
        for one in kept["beats"]
    )
    searched, by_noise, controls = (int(kept[name]) for name in ("searched_beats", "by_noise", "controls"))
    return FlutterReport(beats, searched, by_noise, controls, float(kept["false_alarm"]))


def _remarks(document: dict[str, Any]) -> tuple[Remark, ...]:
    """Remarks with their codes; ``unnamed`` in a document from before there were codes."""
    texts, codes = document.get("remarks") or [], document.get("remark_codes") or []
    if len(codes) != len(texts):
        codes = ["unnamed"] * len(texts)
    return tuple(Remark(str(code), str(text)) for code, text in zip(codes, texts, strict=True))


def _wheel_swapped(wheel: WheelFault) -> WheelFault:
    """The same with the sides exchanged: beat numbers move by one, and with them the places in the turn."""
    turn = max(round(wheel.every_beats), 1)
    places = tuple(sorted(((beat + 1) % turn, "b" if side == "a" else "a") for beat, side in wheel.where))
    return replace(wheel, where=places)


def _flutter_swapped(report: FlutterReport) -> FlutterReport:
    """The same with the sides exchanged: beat numbers move by one."""
    beats = (
        replace(beat, number=beat.number + 1, side="b" if beat.side == "a" else "a") for beat in report.beats
    )
    return replace(report, beats=tuple(beats))


def _own_sides(kept: dict[str, Any] | None) -> OwnSides | None:
    if not kept:
        return None
    return OwnSides(float(kept["probability"]), str(kept.get("a") or ""), str(kept.get("b") or ""))


def _swings(rows: Sequence[dict[str, Any]], clock: Clock, period: UFloat, offset: UFloat) -> Swings:
    time, own, arc = (_column(rows, name) for name in ("time_s", "period_s", "arc_deg"))
    side = np.array([str(row["side"]) for row in rows], "U1")
    passage = _column(rows, "lift_passage_s")
    number = np.arange(len(rows))
    if rows and all("number" in row for row in rows):
        number = np.array([int(row["number"]) for row in rows])
    elif period is not None and len(rows):
        number = _counted(time, side == "b", period.nominal_value)
    if period is not None and clock.lift_deg is not None:
        has_arc = np.isfinite(arc) & np.isnan(passage)
        if np.any(has_arc):
            middle = 0.0 if offset is None else offset.nominal_value
            passage[has_arc] = lift_passage_s(arc[has_arc], period.nominal_value, clock.lift_deg, middle)
    return Swings(number, time, side, own, passage, arc)


def _events(rows: Sequence[dict[str, Any]], swings: Swings) -> Events:
    """Sounds whose level the document keeps, in order of time."""
    half = np.nan_to_num(swings.lift_passage_s) / 2
    parts = []
    for kind, times in (("contact", swings.time_s - half), ("drop", swings.time_s + half)):
        level = _column(rows, f"{kind}_db")
        kept = np.isfinite(level)
        parts.append((times[kept], swings.side[kept], np.full(np.count_nonzero(kept), kind), level[kept]))
    time, side, kinds, levels = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(time, kind="stable")
    return Events(time[order], side[order], kinds[order], levels[order])


def _counted(time: FloatArray, odd: npt.NDArray[np.bool_], full: float) -> IntArray:
    """Count the beats step by step, because over a night a clock may wander by more than half a swing.

    Beats of one side are whole periods apart, and side b follows side a by about half a period.
    """
    later = odd.astype(np.int64)
    turn = later[1:] - later[:-1]
    swung = np.diff(time) / full - turn / 2
    steps = 2 * np.rint(swung).astype(np.int64) + turn
    return int(odd[0]) + np.concatenate([[0], np.cumsum(steps)])


def _column(rows: Sequence[dict[str, Any]], name: str) -> Any:
    return np.array([np.nan if row.get(name) is None else float(row[name]) for row in rows], float)


def _figure(figure: Any) -> UFloat:
    from uncertainties import ufloat

    if figure is None or figure["value"] is None:
        return None
    return ufloat(float(figure["value"]), float(figure["standard_uncertainty"]))
