"""A clock of the bench log as input of the model: its known values, and its works and rates in order of time."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any

from torsionbeat.benchlog import BenchLog
from torsionbeat.benchlog.standing import counted_once
from torsionbeat.benchlog.tables import ClockRecord, HandCheckRecord, ReadingRecord, WorkRecord
from torsionbeat.errors import InputError
from torsionbeat.learning.course import Heard, Work, course_of
from torsionbeat.learning.trials import Trial, Within
from torsionbeat.learning.within import within_recording
from torsionbeat.reading.figures import UFloat
from torsionbeat.regulation.present import Present, from_document
from torsionbeat.theory.rate import S_PER_DAY_PER_PPM

__all__ = [
    "KnownOfClock",
    "checks_heard",
    "given_heard",
    "nights_of_others",
    "readings_heard",
    "works_done",
]


LATEST_DOCUMENTS = 12
"""Latest readings whose beats are loaded for the wander within them: more add little and take time to load."""


@dataclass(frozen=True, slots=True)
class KnownOfClock:
    """Known values of a clock, under the names of its record in the bench log; ``None`` or empty where unknown.

    ``q`` is from a free swing.
    """

    kind: str = ""
    nominal_period_s: float | None = None
    lift_deg: float | None = None
    arc_low_deg: float | None = None
    arc_high_deg: float | None = None
    knock_arc_deg: float | None = None
    roller_radius_mm: float | None = None
    side_a_name: str = ""
    side_b_name: str = ""
    strip_material: str = ""
    strip_thickness_um: float | None = None
    strip_width_mm: float | None = None
    strip_length_mm: float | None = None
    hanging_mass_g: float | None = None
    balance_inertia_g_mm2: float | None = None
    weight_radius_mm: float | None = None
    weight_total_g: float | None = None
    regulator_unit: str = ""
    regulator_low: float | None = None
    regulator_high: float | None = None
    regulator_setting: float | None = None
    regulator_s_per_day_per_unit: float | None = None
    u_regulator_s_per_day_per_unit: float | None = None
    q: float | None = None

    @property
    def air_driven(self) -> bool:
        """Whether the clock is wound by air pressure."""
        return self.kind == "air-driven"

    def or_else(self, other: KnownOfClock) -> KnownOfClock:
        """Fill empty values from another object."""
        empty = {
            field.name: getattr(other, field.name)
            for field in fields(self)
            if getattr(self, field.name) in (None, "")
        }
        return replace(self, **empty)

    @classmethod
    def of_record(cls, record: ClockRecord, q: float | None = None) -> KnownOfClock:
        """Make it from a clock's record."""
        names = [field.name for field in fields(cls) if field.name != "q"]
        return cls(**{name: getattr(record, name) for name in names}, q=q)


def works_done(log: BenchLog, clock: str) -> list[Work]:
    """Give a clock's works as noted."""
    return [_work(row) for row in log.works(clock)]


def _work(row: WorkRecord) -> Work:
    def number(name: str) -> float | None:
        value = row.details.get(name)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    amounts = {name: number(name) for name in ("added_g", "doubt_g", "moved", "setting", "doubt")}
    return Work(row.done_at.timestamp(), row.kind, row.what, **amounts, id=row.id)


def readings_heard(log: BenchLog, clock: str, *, documents: bool = True) -> list[Heard]:
    """Give the rates of a clock's readings. A reading without a rate, or recorded at the same time as another, is skipped.

    With ``documents``, the wander within the latest recordings is measured and their recorders are distinguished.

    Parameters
    ----------
    log : BenchLog
    clock : str
        The clock's name.
    documents : bool
        Also read the documents, for the wander and the recorders.
    """
    if not documents:
        rows = [row for row in log.readings(clock, documents=False) if row.rate_s_per_day is not None]
        return [_reading(row) for row in counted_once(rows)]
    rows = counted_once([row for row in log.readings(clock) if row.rate_s_per_day is not None])
    early = len(rows) - LATEST_DOCUMENTS
    return [_reading(row, row.document if i >= early else None) for i, row in enumerate(rows)]


def _within(document: dict[str, Any]) -> Within | None:
    try:
        present = from_document(document)
    except InputError:
        return None
    if present.beat_time_s is None or present.beat_number is None or present.period_s is None:
        return None
    return within_recording(present.beat_time_s, present.beat_number, present.period_s.nominal_value)


def _reading(row: ReadingRecord, document: dict[str, Any] | None = None) -> Heard:
    began_s = row.taken_at.timestamp()
    recorder = str(((document or {}).get("recording") or {}).get("recorder") or "")
    return Heard(
        began_s,
        began_s + (row.duration_s or 0.0),
        row.figure("rate_s_per_day"),
        "reading",
        f"the reading of {_day(row.taken_at)}",
        _crystal(row.timebase_source, recorder),
        (row.u_timebase_offset_ppm or 0.0) * S_PER_DAY_PER_PPM,
        None if document is None else _within(document),
        id=row.id,
        temperature_c=row.temperature_c,
        arc_deg=row.figure("arc_deg"),
    )


def _crystal(source: str, recorder: str = "") -> str:
    """Name of the crystal whose error several rates share. The error of a host clock differs every night, so it has no name."""
    return "" if source == "host clock" else f"{source} {recorder}".strip()


def checks_heard(log: BenchLog, clock: str) -> list[Heard]:
    """Give the rates of a clock's hand checks; they are based on a time signal and share no crystal."""
    return [_check(row) for row in log.handchecks(clock)]


def _check(row: HandCheckRecord) -> Heard:
    from uncertainties import ufloat

    until_s = row.checked_at.timestamp()
    return Heard(
        until_s - 3600 * row.span_h,
        until_s,
        ufloat(row.rate_s_per_day, row.u_rate_s_per_day),
        "hand check",
        f"the hand check of {_day(row.checked_at)}",
        id=row.id,
    )


def given_heard(present: Present, now_s: float, rate: UFloat, temperature_c: float | None = None) -> Heard:
    """Give a typed rate, or the rate of a reading that is not in the log, as the clock's last rate.

    Parameters
    ----------
    present : Present
        The last reading of the clock.
    now_s : float
        Now, seconds since 1970.
    rate : ufloat
        Typed or read rate, s/day.
    temperature_c : float, optional
        Temperature at that time, degrees Celsius.
    """
    return Heard(
        now_s,
        now_s + (present.duration_s or 0.0),
        rate,
        "given",
        "this reading",
        _crystal(present.timebase_source, present.recorder),
        present.timebase_s_per_day,
        None
        if present.beat_time_s is None or present.beat_number is None or present.period_s is None
        else within_recording(present.beat_time_s, present.beat_number, present.period_s.nominal_value),
        temperature_c=temperature_c,
    )


def nights_of_others(log: BenchLog, clock: str) -> list[tuple[Trial, ...]]:
    """Give the trials of the workshop's other clocks of the same kind, which show how unsteady such clocks are."""
    own = log.clock(clock)
    found = []
    for other in log.clocks():
        if other.id == own.id or other.kind != own.kind:
            continue
        heard = readings_heard(log, other.name, documents=False)
        if len(heard) > 1:
            found.append(course_of(works_done(log, other.name), heard).rows)
    return found


def _day(when: datetime) -> str:
    return when.astimezone().strftime("%Y-%m-%d %H:%M")
