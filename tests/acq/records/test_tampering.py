"""Each column of the records is changed once behind their back: `verify` never overlooks one.

On SQLite, where the file can be copied: the same code looks at a server's records.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Column, create_engine, text

from acq.records.records import Records
from acq.records.tables import metadata
from tests.acq.records.test_verify import fill, sql, tamper

UNPROVEN = {"about", "numbers"}  # what they hold is not evidence about any run
HOW_TO_OPEN = ("documents", "media_type")  # says nothing of what a document says
CHANGES = [
    (table.name, column.name)
    for table in metadata.sorted_tables
    if table.name not in UNPROVEN
    for column in table.columns
    if (table.name, column.name) != HOW_TO_OPEN
]
WRONG: dict[type[Any], Any] = {int: 77, float: 77.5, str: "changed", bytes: b"changed", bool: 1}


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("template") / "records.sqlite"
    with Records.open(f"sqlite:///{file}", simulated=True) as records:
        fill(records)
    return file


def wrong_value(column: Column[Any]) -> Any:
    kind = column.type.python_type
    return WRONG.get(kind, "2020-01-01 00:00:00.000000")


@pytest.mark.parametrize(("table", "column"), CHANGES)
def test_no_change_of_any_column_is_overlooked(
    template: Path, tmp_path: Path, table: str, column: str
) -> None:
    file = tmp_path / "records.sqlite"
    shutil.copy(template, file)
    url = f"sqlite:///{file}"
    value = wrong_value(metadata.tables[table].columns[column])
    row = f"rowid = (SELECT min(rowid) FROM {table})"
    tamper(url, sql(f"UPDATE {table} SET {column} = :value WHERE {row}", value=value))
    with Records.open(url, simulated=True) as records:
        assert records.verify().problems


@pytest.mark.parametrize("table", sorted({table for table, _ in CHANGES}))
def test_no_missing_row_is_overlooked(template: Path, tmp_path: Path, table: str) -> None:
    engine = create_engine(f"sqlite:///{template}")
    with engine.connect() as connection:
        rows = connection.scalars(text(f"SELECT rowid FROM {table}")).all()
    engine.dispose()
    assert rows
    for row in rows:
        file = tmp_path / f"{row}.sqlite"
        shutil.copy(template, file)
        tamper(f"sqlite:///{file}", sql(f"DELETE FROM {table} WHERE rowid = {row}"))
        with Records.open(f"sqlite:///{file}", simulated=True) as records:
            assert records.verify().problems, f"row {row}"


def test_a_simulated_run_among_real_ones_is_named(template: Path, tmp_path: Path) -> None:
    file = tmp_path / "records.sqlite"
    shutil.copy(template, file)
    url = f"sqlite:///{file}"
    tamper(url, sql("UPDATE about SET value = 'no'"))
    with Records.open(url, simulated=False) as records:
        assert "is simulated among real runs" in records.verify().problems[0].what
