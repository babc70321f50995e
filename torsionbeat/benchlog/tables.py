"""The tables of the bench log: one class for each table, one row for each event in a clock's history.

Every row belongs to a clock and says when. A measured figure is a pair of columns: the value, and its standard
uncertainty under the same name with ``u_`` before it. Both are empty where it was not measured. Moments are in UTC.
The classes describe schema revision ``SCHEMA``; ``migrations/`` brings older logs to it.
"""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, validates

from torsionbeat.reading.figures import Clock, UFloat
from torsionbeat.theory.train import Train

__all__ = [
    "FIGURES",
    "HISTORY",
    "SCHEMA",
    "SCHEMAS",
    "VERSION_TABLE",
    "WORK_KINDS",
    "Base",
    "ChangeRecord",
    "ClockRecord",
    "Entry",
    "FreeSwingRecord",
    "HandCheckRecord",
    "History",
    "NoteRecord",
    "ReadingRecord",
    "Retractable",
    "TrialRecord",
    "WorkRecord",
    "WriteRecord",
    "name_key",
    "uncertain",
]

SCHEMAS = ("0001", "0002", "0003")
"""Schema revisions in order; the last is the one written today."""

SCHEMA = SCHEMAS[-1]
"""The newest schema, used for a new log."""

VERSION_TABLE = "torsionbeat_schema"
"""Table that holds the revision. Its name lets a shop's other programs share the database."""

WORK_KINDS = ("spring", "weights", "regulator", "cleaning", "beat", "level", "other")

FIGURES = (
    "period_s",
    "rate_s_per_day",
    "beat_error_ms",
    "offset_deg",
    "arc_deg",
    "arc_trend_deg_per_hour",
)
"""The figures of a reading, under the names they have in the reading's document."""


def name_key(name: str) -> str:
    """Give the key of a name: equal for names that differ only in capitals or in the form of a letter.

    Examples
    --------
    >>> name_key("Gate HOUSE") == name_key("gate house"), name_key("Gate") == name_key("Gates")
    (True, False)
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


EXACT = 1e-12
"""Standard uncertainty of a figure kept as exact: the arithmetic warns of zero, and no clock is this exact."""


def uncertain(value: float | None, sigma: float | None) -> UFloat:
    """Give a value and its standard uncertainty as one number; None where it was not measured."""
    from uncertainties import ufloat

    return None if value is None else ufloat(value, sigma or EXACT)


class Moment(TypeDecorator[datetime]):
    """A moment in UTC: it always has its time zone in Python, whatever the database keeps."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC; a moment without a zone is taken as this computer's local time."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC; SQLite returns the moment without its zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Names, types and constraints common to all tables."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012  (SQLAlchemy reads it from the class)
        float: Double,
        datetime: Moment,
        str: Text,
    }


class Retractable(Base):
    """A row that can be taken back: it stays in the log with the reason, and no computation uses it."""

    __abstract__ = True

    retracted_at: Mapped[datetime | None]
    retracted_because: Mapped[str] = mapped_column(default="", server_default="")


class History(Base):
    """Columns that every row of a clock's history has: its number and its clock."""

    __abstract__ = True

    id: Mapped[int] = mapped_column(primary_key=True)
    clock_id: Mapped[int] = mapped_column(ForeignKey("clocks.id"), index=True)


class Entry(History, Retractable):
    """A row of a clock's history that can be taken back, restored and corrected."""

    __abstract__ = True


class ClockRecord(Retractable):
    """A clock: its data known before it is heard, and those of the parts a restorer changes.

    ``name_key`` is unique: no two names differ only in capitals. ``stated`` holds the regulator setting and the
    weights as last stated by hand, and after how many works; later works moved them. ``sides`` is what was learnt
    about the clock's two sides.
    """

    __tablename__ = "clocks"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    name_key: Mapped[str] = mapped_column(String(400), unique=True, index=True, server_default="")
    added_at: Mapped[datetime]
    maker: Mapped[str] = mapped_column(default="", server_default="")
    serial_number: Mapped[str] = mapped_column(default="", server_default="")
    owner_text: Mapped[str] = mapped_column(default="", server_default="")
    train: Mapped[str] = mapped_column(default="", server_default="")
    sides: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    stated: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    kind: Mapped[str] = mapped_column(default="other")
    nominal_period_s: Mapped[float | None]
    lift_deg: Mapped[float | None]
    lift_tolerance_deg: Mapped[float] = mapped_column(default=0.0)
    arc_low_deg: Mapped[float | None]
    arc_high_deg: Mapped[float | None]
    knock_arc_deg: Mapped[float | None]
    roller_radius_mm: Mapped[float | None]
    side_a_name: Mapped[str] = mapped_column(default="")
    side_b_name: Mapped[str] = mapped_column(default="")
    strip_material: Mapped[str] = mapped_column(default="")
    strip_thickness_um: Mapped[float | None]
    strip_width_mm: Mapped[float | None]
    strip_length_mm: Mapped[float | None]
    hanging_mass_g: Mapped[float | None]
    balance_inertia_g_mm2: Mapped[float | None]
    weight_radius_mm: Mapped[float | None]
    weight_total_g: Mapped[float | None]
    regulator_unit: Mapped[str] = mapped_column(default="")
    regulator_low: Mapped[float | None]
    regulator_high: Mapped[float | None]
    regulator_setting: Mapped[float | None]
    regulator_s_per_day_per_unit: Mapped[float | None]
    u_regulator_s_per_day_per_unit: Mapped[float | None]
    notes: Mapped[str] = mapped_column(default="")

    @validates("name")
    def _set_key(self, _: str, name: str) -> str:
        self.name_key = name_key(name)
        return name

    def as_clock(self) -> Clock:
        """Give the clock's data that the hearing needs."""
        return Clock(
            name=self.name,
            nominal_period_s=self.nominal_period_s,
            lift_deg=self.lift_deg,
            lift_tolerance_deg=self.lift_tolerance_deg,
            arc_low_deg=self.arc_low_deg,
            arc_high_deg=self.arc_high_deg,
            knock_arc_deg=self.knock_arc_deg,
            train=Train.from_text(self.train) if self.train else None,
        )


class WorkRecord(Entry):
    """A piece of work done on a clock."""

    __tablename__ = "works"
    __table_args__ = (
        CheckConstraint("kind IN ({})".format(", ".join(f"'{kind}'" for kind in WORK_KINDS)), name="kind"),
    )

    done_at: Mapped[datetime]
    kind: Mapped[str]
    what: Mapped[str]
    details: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)


class ReadingRecord(Entry):
    """A reading as it was measured: never changed, only superseded by another row that says why.

    ``recording_id`` identifies its recording, wherever that lies: ``journal:`` and the identity that the kept
    folder got at its start, or ``sha256:`` and the digest of a file. ``dated_by`` says where ``taken_at`` comes
    from. ``sides`` says which side is which in it.
    """

    __tablename__ = "readings"

    taken_at: Mapped[datetime]
    kept_at: Mapped[datetime]
    recording_path: Mapped[str] = mapped_column(default="")
    recording_sha256: Mapped[str] = mapped_column(String(64), default="")
    recording_id: Mapped[str] = mapped_column(default="", server_default="")
    dated_by: Mapped[str] = mapped_column(default="", server_default="")
    temperature_c: Mapped[float | None]
    sides: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    supersedes_id: Mapped[int | None] = mapped_column(ForeignKey("readings.id"))
    reason: Mapped[str] = mapped_column(default="", server_default="")
    timebase_source: Mapped[str] = mapped_column(default="", server_default="")
    timebase_offset_ppm: Mapped[float | None]
    u_timebase_offset_ppm: Mapped[float | None]
    duration_s: Mapped[float | None]
    period_s: Mapped[float | None]
    u_period_s: Mapped[float | None]
    rate_s_per_day: Mapped[float | None]
    u_rate_s_per_day: Mapped[float | None]
    beat_error_ms: Mapped[float | None]
    u_beat_error_ms: Mapped[float | None]
    offset_deg: Mapped[float | None]
    u_offset_deg: Mapped[float | None]
    arc_deg: Mapped[float | None]
    u_arc_deg: Mapped[float | None]
    arc_trend_deg_per_hour: Mapped[float | None]
    u_arc_trend_deg_per_hour: Mapped[float | None]
    beats_expected: Mapped[int | None] = mapped_column(Integer)
    beats_heard: Mapped[int | None] = mapped_column(Integer)
    document: Mapped[dict[str, Any]] = mapped_column(JSON)

    def figure(self, name: str) -> UFloat:
        """Give one of ``FIGURES`` as an uncertain number, or None where it was not measured.

        Raises
        ------
        AttributeError
            There is no figure of that name.
        """
        if name not in FIGURES:
            raise AttributeError(f"a reading has no figure {name!r}; it has {', '.join(FIGURES)}")
        return uncertain(getattr(self, name), getattr(self, f"u_{name}"))


class TrialRecord(Entry):
    """A trial: one adjustment (a work) and the reading that followed it."""

    __tablename__ = "trials"

    work_id: Mapped[int] = mapped_column(ForeignKey("works.id"))
    reading_id: Mapped[int] = mapped_column(ForeignKey("readings.id"))
    reading_before_id: Mapped[int | None] = mapped_column(ForeignKey("readings.id"))
    expected_rate_s_per_day: Mapped[float | None]
    u_expected_rate_s_per_day: Mapped[float | None]
    details: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)


class HandCheckRecord(Entry):
    """The minute hand compared with a time signal at two or more moments."""

    __tablename__ = "hand_checks"

    checked_at: Mapped[datetime]
    rate_s_per_day: Mapped[float]
    u_rate_s_per_day: Mapped[float]
    span_h: Mapped[float]
    sightings: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    remarks: Mapped[str] = mapped_column(default="")


class FreeSwingRecord(Entry):
    """The balance swinging down with no drive."""

    __tablename__ = "free_swings"

    done_at: Mapped[datetime]
    law: Mapped[str] = mapped_column(default="")
    q: Mapped[float | None]
    u_q: Mapped[float | None]
    settling_time_s: Mapped[float | None]
    document: Mapped[dict[str, Any]] = mapped_column(JSON)


class NoteRecord(Entry):
    """A free note."""

    __tablename__ = "notes"

    written_at: Mapped[datetime]
    text: Mapped[str]


class ChangeRecord(History):
    """The audit trail: what was taken back, restored or corrected, when and why, and the old values."""

    __tablename__ = "changes"

    made_at: Mapped[datetime]
    action: Mapped[str]
    table_name: Mapped[str]
    row_id: Mapped[int | None] = mapped_column(Integer)
    reason: Mapped[str] = mapped_column(default="")
    before: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    after: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)


class WriteRecord(Base):
    """A write that was kept, under the identity its sender gave it: a write sent twice is kept once."""

    __tablename__ = "writes"

    id: Mapped[str] = mapped_column(String(64), primary_key=True)
    made_at: Mapped[datetime]
    row_id: Mapped[int | None] = mapped_column(Integer)


HISTORY: tuple[type[History], ...] = (
    WorkRecord,
    ReadingRecord,
    TrialRecord,
    HandCheckRecord,
    FreeSwingRecord,
    NoteRecord,
    ChangeRecord,
)
"""The tables of a clock's history; each refers only to tables before it."""
