"""The tables. What a run said is kept as its journal's bytes; the rest is their projection.

`journal_parts`, `documents` and `ledger` are only ever added to: triggers refuse UPDATE and
DELETE (see the first migration). `runs`, `checks`, `findings` and `certificates` can be made
again from them, which is what `verify` does.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    DateTime,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)
from sqlalchemy.engine import Dialect

APPEND_ONLY = ("journal_parts", "documents", "ledger")


class Utc(TypeDecorator[datetime]):
    """A moment in UTC. SQLite forgets the zone: the one place where it is put back."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        if value is None:
            return None
        if value.utcoffset() is None:
            raise ValueError(f"a moment without its time zone: {value.isoformat()}")
        return value.astimezone(UTC)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        if value is None:
            return None
        moment: datetime = value
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)

about = Table(  # what these records are: "simulated" is "yes" or "no", fixed at their making
    "about",
    metadata,
    Column("key", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

runs = Table(
    "runs",
    metadata,
    Column("id", Text, primary_key=True),
    Column("number", Text, nullable=False, index=True),
    Column("sequence", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("type", Text),
    Column("opened_at", Utc, nullable=False),
    Column("performer", Text),
    Column("indication_only", Boolean, nullable=False),
    Column("delivered_up_to", Integer, nullable=False),  # line of the journal
    Column("head", String(64), nullable=False),  # digest of that line
    Column("state", Text, nullable=False),  # open, finished, interrupted, failed
    Column("closed_at", Utc),
    Column("exit_code", Integer),
    Column("conformity", Text),
    Index("ix_runs_serial_opened_at", "serial", "opened_at"),
)

journal_parts = Table(
    "journal_parts",
    metadata,
    Column("run_id", Text, ForeignKey("runs.id"), primary_key=True),
    Column("first_line", Integer, primary_key=True, autoincrement=False),
    Column("last_line", Integer, nullable=False),
    Column("packed", LargeBinary, nullable=False),  # zlib of the lines' bytes
)

checks = Table(
    "checks",
    metadata,
    Column("run_id", Text, ForeignKey("runs.id"), primary_key=True),
    Column("line", Integer, primary_key=True, autoincrement=False),  # its check-closed line
    Column("name", Text, nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("because", Text),
)

findings = Table(
    "findings",
    metadata,
    Column("run_id", Text, primary_key=True),
    Column("line", Integer, primary_key=True, autoincrement=False),
    Column("check_line", Integer, nullable=False),
    Column("name", Text, nullable=False, index=True),
    Column("quantity", Text),
    Column("unit", Text),
    Column("value", Double),
    Column("limit_kind", Text),
    Column("expanded_uncertainty", Double),
    Column("conformity", Text),
    ForeignKeyConstraint(["run_id", "check_line"], ["checks.run_id", "checks.line"]),
)

documents = Table(  # what a ledger entry speaks of when it is not a journal
    "documents",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("media_type", Text, nullable=False),
    Column("packed", LargeBinary, nullable=False),
)

ledger = Table(
    "ledger",
    metadata,
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False, index=True),
    Column("content_sha256", String(64), nullable=False),
    Column("entered_at", Utc, nullable=False),
    Column("previous", String(64), nullable=False, unique=True),
    Column("link", String(64), nullable=False, unique=True),
)

certificates = Table(
    "certificates",
    metadata,
    Column("number", Text, primary_key=True),
    Column("run_id", Text, ForeignKey("runs.id"), nullable=False, index=True),
    Column("position", Integer, ForeignKey("ledger.position"), nullable=False),
    Column("pdf_sha256", String(64), ForeignKey("documents.sha256"), nullable=False),
)

numbers = Table(  # the last number given out, so that none is given twice
    "numbers",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("year", Integer, primary_key=True, autoincrement=False),
    Column("last", Integer, nullable=False),
)
