"""Tables are made and brought up to date by migrations alone, and what is newer is refused."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, text

from acq.errors import BenchFailure
from acq.records.migrate import NEWEST, SCRIPTS
from acq.records.records import Records
from acq.records.tables import metadata


def test_the_migrations_make_exactly_the_tables_of_the_code(records: Records, url: str) -> None:
    assert records.place
    engine = create_engine(url)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_the_newest_revision_is_the_one_that_the_code_names() -> None:
    assert ScriptDirectory(str(SCRIPTS)).get_heads() == [NEWEST]


def test_records_of_a_newer_version_are_refused_in_one_line(url: str) -> None:
    Records.open(url, simulated=True).close()
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    with pytest.raises(BenchFailure, match="written by a newer version") as caught:
        Records.open(url, simulated=True)
    assert "\n" not in str(caught.value)


def test_several_that_open_new_records_at_once_all_succeed(url: str) -> None:
    def open_one(_: int) -> str:
        with Records.open(url, simulated=False) as mine:
            return mine.next_number("run", 2026)

    with ThreadPoolExecutor(6) as pool:
        assert len(set(pool.map(open_one, range(6)))) == 6


def test_a_folder_with_a_percent_sign_can_hold_records(tmp_path: Path) -> None:
    with Records.open(f"sqlite:///{tmp_path}/100%25/r.sqlite", simulated=True) as records:
        assert records.verify().sound


def test_sqlite_keeps_what_it_acknowledged_and_minds_foreign_keys(tmp_path: Path) -> None:
    with Records.open(f"sqlite:///{tmp_path}/r.sqlite", simulated=True) as records:
        for engine in (records._engines.writer, records._engines.reader):
            with engine.connect() as connection:
                asked = ("journal_mode", "synchronous", "foreign_keys")
                got = [connection.execute(text(f"PRAGMA {name}")).scalar() for name in asked]
        # sqlite.org, "PRAGMA synchronous": 2 is FULL
        assert got == ["wal", 2, 1]
