"""Records to test on: an SQLite file always, a PostgreSQL server when one is named."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from acq.records.records import Records

SERVER = "BRIDGEBENCH_TEST_POSTGRES"


def clean_server() -> str:
    """Return the URL of the test server with nothing in its database; skip without a server."""
    url = os.environ.get(SERVER)
    if not url:
        pytest.skip(f"{SERVER} names no PostgreSQL server (.ci/postgres starts one)")
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    return url


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An address where there are no records yet."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.sqlite'}"
    return clean_server()


@pytest.fixture
def records(url: str) -> Iterator[Records]:
    """Open, empty records of simulated runs."""
    with Records.open(url, simulated=True) as opened:
        yield opened


@pytest.fixture
def real_records(url: str) -> Iterator[Records]:
    """Open, empty records of real runs."""
    with Records.open(url, simulated=False) as opened:
        yield opened
