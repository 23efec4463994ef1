"""Many rows at once arrive exactly, in the caller's transaction."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from acq.records.bulk import insert_rows
from acq.records.records import Records
from acq.records.tables import ledger, numbers

ROWS = [("run \t\\N ü", 2026, 1), ("run", 2027, 2)]
COLUMNS = ("kind", "year", "last")


def test_rows_arrive_as_they_are(records: Records) -> None:
    with records._engines.writing() as connection:
        insert_rows(connection, numbers, COLUMNS, ROWS)
        insert_rows(connection, numbers, COLUMNS, [])
    with records._engines.reading() as connection:
        assert [tuple(row) for row in connection.execute(select(numbers))] == ROWS


def test_rows_of_a_transaction_that_fails_are_not_kept(records: Records) -> None:
    def fail() -> None:
        with records._engines.writing() as connection:
            insert_rows(connection, numbers, COLUMNS, ROWS)
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        fail()
    with records._engines.reading() as connection:
        assert connection.execute(select(numbers)).all() == []


def test_a_column_that_needs_a_conversion_is_refused(records: Records) -> None:
    with (
        pytest.raises(TypeError, match=r"ledger\.entered_at"),
        records._engines.writing() as connection,
    ):
        insert_rows(connection, ledger, ["position", "entered_at"], [])
