"""The first schema: clocks, works, readings, trials, hand checks, free swings, notes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

WORK_KINDS = ("spring", "weights", "regulator", "cleaning", "beat", "level", "other")
FIGURES = ("period_s", "rate_s_per_day", "beat_error_ms", "offset_deg", "arc_deg", "arc_trend_deg_per_hour")


def _number(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Double())


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False)


def _moment(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=False)


def _json(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.JSON(), nullable=False)


def _reference(table: str, name: str, to: str, *, needed: bool = True) -> tuple[SchemaItem, SchemaItem]:
    return (
        sa.Column(name, sa.Integer(), nullable=not needed),
        sa.ForeignKeyConstraint([name], [f"{to}.id"], name=f"fk_{table}_{name}_{to}"),
    )


def _history(table: str, *columns: SchemaItem) -> None:
    op.create_table(
        table,
        sa.Column("id", sa.Integer(), nullable=False),
        *_reference(table, "clock_id", "clocks"),
        *columns,
        sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
    )
    op.create_index(f"ix_{table}_clock_id", table, ["clock_id"])


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "clocks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(80), nullable=False),
        _moment("added_at"),
        _text("kind"),
        _number("nominal_period_s"),
        _number("lift_deg"),
        sa.Column("lift_tolerance_deg", sa.Double(), nullable=False),
        _number("arc_low_deg"),
        _number("arc_high_deg"),
        _number("knock_arc_deg"),
        _number("roller_radius_mm"),
        _text("side_a_name"),
        _text("side_b_name"),
        _text("strip_material"),
        _number("strip_thickness_um"),
        _number("strip_width_mm"),
        _number("strip_length_mm"),
        _number("hanging_mass_g"),
        _number("balance_inertia_g_mm2"),
        _number("weight_radius_mm"),
        _number("weight_total_g"),
        _text("regulator_unit"),
        _number("regulator_low"),
        _number("regulator_high"),
        _number("regulator_setting"),
        _number("regulator_s_per_day_per_unit"),
        _number("u_regulator_s_per_day_per_unit"),
        _text("notes"),
        sa.PrimaryKeyConstraint("id", name="pk_clocks"),
        sa.UniqueConstraint("name", name="uq_clocks_name"),
    )
    kinds = ", ".join(f"'{kind}'" for kind in WORK_KINDS)
    _history(
        "works",
        _moment("done_at"),
        _text("kind"),
        _text("what"),
        _json("details"),
        sa.CheckConstraint(f"kind IN ({kinds})", name=op.f("ck_works_kind")),
    )
    figures = [_number(name) for figure in FIGURES for name in (figure, f"u_{figure}")]
    _history(
        "readings",
        _moment("taken_at"),
        _moment("kept_at"),
        _text("recording_path"),
        sa.Column("recording_sha256", sa.String(64), nullable=False),
        _number("duration_s"),
        *figures,
        sa.Column("beats_expected", sa.Integer()),
        sa.Column("beats_heard", sa.Integer()),
        _json("document"),
    )
    _history(
        "trials",
        *_reference("trials", "work_id", "works"),
        *_reference("trials", "reading_id", "readings"),
        *_reference("trials", "reading_before_id", "readings", needed=False),
        _number("expected_rate_s_per_day"),
        _number("u_expected_rate_s_per_day"),
        _json("details"),
    )
    _history(
        "hand_checks",
        _moment("checked_at"),
        sa.Column("rate_s_per_day", sa.Double(), nullable=False),
        sa.Column("u_rate_s_per_day", sa.Double(), nullable=False),
        sa.Column("span_h", sa.Double(), nullable=False),
        _json("sightings"),
        _text("remarks"),
    )
    _history(
        "free_swings",
        _moment("done_at"),
        _text("law"),
        _number("q"),
        _number("u_q"),
        _number("settling_time_s"),
        _json("document"),
    )
    _history("notes", _moment("written_at"), _text("text"))
