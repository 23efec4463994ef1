"""The first tables, and the triggers that keep the append-only ones append-only.

A migration states its tables itself and never imports today's: it must do the same for ever.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_APPEND_ONLY = ("journal_parts", "documents", "ledger")
_MOMENT = sa.DateTime(timezone=True)
_DIGEST = sa.String(64)


def upgrade() -> None:
    """Create the tables and their triggers."""
    _about_and_numbers()
    _runs()
    _checks_and_findings()
    _ledger()
    for table in _APPEND_ONLY:
        _only_added_to(table)


def _about_and_numbers() -> None:
    op.create_table(
        "about",
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_about"),
    )
    op.create_table(
        "numbers",
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("year", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("last", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("kind", "year", name="pk_numbers"),
    )


def _runs() -> None:
    op.create_table(
        "runs",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("number", sa.Text, nullable=False),
        sa.Column("sequence", sa.Text, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("type", sa.Text),
        sa.Column("opened_at", _MOMENT, nullable=False),
        sa.Column("performer", sa.Text),
        sa.Column("indication_only", sa.Boolean, nullable=False),
        sa.Column("delivered_up_to", sa.Integer, nullable=False),
        sa.Column("head", _DIGEST, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("closed_at", _MOMENT),
        sa.Column("exit_code", sa.Integer),
        sa.Column("conformity", sa.Text),
        sa.PrimaryKeyConstraint("id", name="pk_runs"),
    )
    op.create_index("ix_runs_number", "runs", ["number"])
    op.create_index("ix_runs_serial_opened_at", "runs", ["serial", "opened_at"])
    op.create_table(
        "journal_parts",
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("first_line", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("last_line", sa.Integer, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("run_id", "first_line", name="pk_journal_parts"),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name="fk_journal_parts_run_id"),
    )


def _checks_and_findings() -> None:
    op.create_table(
        "checks",
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("line", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("attempt", sa.Integer, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("because", sa.Text),
        sa.PrimaryKeyConstraint("run_id", "line", name="pk_checks"),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name="fk_checks_run_id"),
    )
    op.create_table(
        "findings",
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("line", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("check_line", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("quantity", sa.Text),
        sa.Column("unit", sa.Text),
        sa.Column("value", sa.Double),
        sa.Column("limit_kind", sa.Text),
        sa.Column("expanded_uncertainty", sa.Double),
        sa.Column("conformity", sa.Text),
        sa.PrimaryKeyConstraint("run_id", "line", name="pk_findings"),
        sa.ForeignKeyConstraint(
            ["run_id", "check_line"], ["checks.run_id", "checks.line"], name="fk_findings_run_id"
        ),
    )
    op.create_index("ix_findings_name", "findings", ["name"])


def _ledger() -> None:
    op.create_table(
        "documents",
        sa.Column("sha256", _DIGEST, nullable=False),
        sa.Column("media_type", sa.Text, nullable=False),
        sa.Column("packed", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_documents"),
    )
    op.create_table(
        "ledger",
        sa.Column("position", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("content_sha256", _DIGEST, nullable=False),
        sa.Column("entered_at", _MOMENT, nullable=False),
        sa.Column("previous", _DIGEST, nullable=False),
        sa.Column("link", _DIGEST, nullable=False),
        sa.PrimaryKeyConstraint("position", name="pk_ledger"),
        sa.UniqueConstraint("previous", name="uq_ledger_previous"),
        sa.UniqueConstraint("link", name="uq_ledger_link"),
    )
    op.create_index("ix_ledger_subject", "ledger", ["subject"])
    op.create_table(
        "certificates",
        sa.Column("number", sa.Text, nullable=False),
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("pdf_sha256", _DIGEST, nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_certificates"),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name="fk_certificates_run_id"),
        sa.ForeignKeyConstraint(["position"], ["ledger.position"], name="fk_certificates_position"),
        sa.ForeignKeyConstraint(
            ["pdf_sha256"], ["documents.sha256"], name="fk_certificates_pdf_sha256"
        ),
    )
    op.create_index("ix_certificates_run_id", "certificates", ["run_id"])


def _only_added_to(table: str) -> None:
    if op.get_bind().dialect.name == "postgresql":
        _refuse_on_postgresql(table)
    else:
        _refuse_on_sqlite(table)


def _refuse_on_sqlite(table: str) -> None:
    for what in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_refuses_{what.lower()} BEFORE {what} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
        )
    # INSERT OR REPLACE deletes without asking the trigger above (sqlite.org, "CREATE TRIGGER")
    keys = {
        "journal_parts": "run_id = NEW.run_id AND first_line = NEW.first_line",
        "documents": "sha256 = NEW.sha256",
        "ledger": "position = NEW.position OR previous = NEW.previous OR link = NEW.link",
    }
    op.execute(
        f"CREATE TRIGGER {table}_refuses_replace BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {keys[table]}) "
        f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
    )


def _refuse_on_postgresql(table: str) -> None:
    op.execute(
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% is only ever added to', TG_TABLE_NAME; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_refuses_change BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
    )
    op.execute(
        f"CREATE TRIGGER {table}_refuses_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )
