"""Corrections of readings, and the timebase beside the figures.

A reading is kept as measured, so a corrected one must say which it supersedes and why. The timebase decides how
far a rate can be trusted, so it moves out of the document into columns that a list can show.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns and fill those of the timebase from the documents."""
    with op.batch_alter_table("readings") as table:
        table.add_column(sa.Column("supersedes_id", sa.Integer()))
        table.add_column(sa.Column("reason", sa.Text(), nullable=False, server_default=""))
        table.add_column(sa.Column("timebase_source", sa.Text(), nullable=False, server_default=""))
        table.add_column(sa.Column("timebase_offset_ppm", sa.Double()))
        table.add_column(sa.Column("u_timebase_offset_ppm", sa.Double()))
        table.create_foreign_key("fk_readings_supersedes_id_readings", "readings", ["supersedes_id"], ["id"])
    readings = sa.table(
        "readings",
        sa.column("id", sa.Integer),
        sa.column("document", sa.JSON),
        sa.column("timebase_source", sa.Text),
        sa.column("timebase_offset_ppm", sa.Double),
        sa.column("u_timebase_offset_ppm", sa.Double),
    )
    bind = op.get_bind()
    for row in bind.execute(sa.select(readings.c.id, readings.c.document)).all():
        timebase = row.document.get("timebase") or {}
        bind.execute(
            sa.update(readings)
            .where(readings.c.id == row.id)
            .values(
                timebase_source=timebase.get("source") or "",
                timebase_offset_ppm=timebase.get("offset_ppm"),
                u_timebase_offset_ppm=timebase.get("standard_uncertainty_ppm"),
            )
        )
