"""Alembic's entry: always runs inside the connection and transaction that `migrate` holds."""

from __future__ import annotations

from alembic import context

from acq.records.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    compare_type=True,
)
context.run_migrations()
