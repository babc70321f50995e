"""Alembic's entry point: it works inside the connection and transaction that the log opened."""

from __future__ import annotations

from alembic import context

from torsionbeat.benchlog.tables import VERSION_TABLE, Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
