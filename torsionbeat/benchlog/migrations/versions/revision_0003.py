"""A log that can be corrected: rows taken back, the audit trail, writes that are kept once, unique names.

Also: the recording of a reading and where its date comes from, sides, temperature, maker, serial
number, the owner's text, the train, and the regulator and weights as last stated.
"""

from __future__ import annotations

import unicodedata

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

ENTRIES = ("works", "readings", "trials", "hand_checks", "free_swings", "notes")


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False, server_default="")


def upgrade() -> None:
    """Add columns and tables; fill those that follow from existing data."""
    for table in ("clocks", *ENTRIES):
        op.add_column(table, sa.Column("retracted_at", sa.DateTime(timezone=True)))
        op.add_column(table, _text("retracted_because"))
    for name in ("maker", "serial_number", "owner_text", "train"):
        op.add_column("clocks", _text(name))
    op.add_column("clocks", sa.Column("sides", sa.JSON()))
    op.add_column("clocks", sa.Column("stated", sa.JSON()))
    op.add_column("clocks", sa.Column("name_key", sa.String(400), nullable=False, server_default=""))
    op.add_column("readings", _text("recording_id"))
    op.add_column("readings", _text("dated_by"))
    op.add_column("readings", sa.Column("temperature_c", sa.Double()))
    op.add_column("readings", sa.Column("sides", sa.JSON()))
    op.create_table(
        "changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("clock_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("table_name", sa.Text(), nullable=False),
        sa.Column("row_id", sa.Integer()),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.Column("after", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["clock_id"], ["clocks.id"], name="fk_changes_clock_id_clocks"),
        sa.PrimaryKeyConstraint("id", name="pk_changes"),
    )
    op.create_index("ix_changes_clock_id", "changes", ["clock_id"])
    op.create_table(
        "writes",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("row_id", sa.Integer()),
        sa.PrimaryKeyConstraint("id", name="pk_writes"),
    )
    _fill()
    op.create_index("ix_clocks_name_key", "clocks", ["name_key"], unique=True)


def _fill() -> None:
    bind = op.get_bind()
    clocks = sa.table(
        "clocks", *(sa.column(name) for name in ("id", "name", "name_key", "regulator_setting", "weight_total_g")),
        sa.column("stated", sa.JSON),
    )  # fmt: skip
    works = sa.table("works", sa.column("id"), sa.column("clock_id"))
    readings = sa.table("readings", sa.column("recording_id"), sa.column("recording_sha256"))
    taken: set[str] = set()
    for row in bind.execute(sa.select(clocks).order_by(clocks.c.id)).all():
        key = unicodedata.normalize("NFC", unicodedata.normalize("NFC", row.name).casefold())
        key = f"{key} ({row.id})" if key in taken else key  # names that could be equal before this schema
        taken.add(key)
        count = bind.scalar(sa.select(sa.func.count()).where(works.c.clock_id == row.id))
        stated = {
            name: {"value": value, "after_works": count}
            for name in ("regulator_setting", "weight_total_g")
            if (value := getattr(row, name)) is not None
        }
        bind.execute(
            sa.update(clocks).where(clocks.c.id == row.id).values(name_key=key, stated=stated or sa.null())
        )
    bind.execute(
        sa.update(readings)
        .where(readings.c.recording_sha256 != "")
        .values(recording_id=sa.literal("sha256:").concat(readings.c.recording_sha256))
    )
