"""Two ways into the records: one engine that writes, one that can only read.

SQLite: a writer begins with BEGIN IMMEDIATE, so that a second one waits instead of failing in
the middle; WAL with synchronous FULL, so that a commit is on the disk; foreign keys on.
PostgreSQL: writers that append to the ledger take one advisory lock.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy import URL, Connection, Engine, create_engine, event, exc, text

from acq.errors import BenchFailure
from acq.records.address import Address

PATIENCE_S = 30.0  # another process may be writing
_CONNECT_S = 5
_CONNECTION = {
    "connect_timeout": _CONNECT_S,
    "application_name": "bridgebench",
    # a server whose cable was pulled is noticed in seconds, not when TCP gives up
    # (PostgreSQL manual, libpq connection parameters)
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 10_000,
}
_LOCK = 0x62726964676562  # any number that only these records use
_NOT_ALLOWED = "42501"  # SQLSTATE insufficient_privilege (PostgreSQL manual, appendix A)


@dataclass(frozen=True, slots=True)
class Engines:
    """The two engines of one place. Every failure to reach or write it becomes BenchFailure."""

    address: Address
    writer: Engine
    reader: Engine

    @classmethod
    def of(cls, address: Address) -> Engines:
        """Return engines for an address; nothing is connected yet."""
        if address.file is not None:
            return cls(
                address, _sqlite(address.url, writes=True), _sqlite(address.url, writes=False)
            )
        return cls(address, _postgresql(address.url), _postgresql(address.url, readonly=True))

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction that may write, alone: others wait. Committed at the end."""
        with self._told(), self.writer.begin() as connection:
            if connection.dialect.name == "postgresql":
                patience_ms = int(1000 * PATIENCE_S)
                connection.execute(text(f"SET LOCAL lock_timeout = {patience_ms}"))
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
            yield connection

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One transaction that sees one state of the records and cannot change it."""
        with self._told(), self.reader.begin() as connection:
            yield connection

    def close(self) -> None:
        self.writer.dispose()
        self.reader.dispose()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except exc.DBAPIError as error:
            if not _is_the_places_fault(error):
                raise
            reason = self.address.without_secrets(str(error.orig))
            raise BenchFailure(
                f"records at {self.address} cannot be used: {reason}"
            ) from error.with_traceback(None)
        except exc.TimeoutError as error:
            raise BenchFailure(f"records at {self.address} are busy") from error


def _is_the_places_fault(error: exc.DBAPIError) -> bool:
    if isinstance(error, (exc.OperationalError, exc.InterfaceError, exc.InternalError)):
        return True
    if getattr(error.orig, "sqlstate", None) == _NOT_ALLOWED:
        return True
    # "file is not a database" comes as the bare base class
    return type(error) is exc.DatabaseError


def _sqlite(url: URL, *, writes: bool) -> Engine:
    # isolation_level None: the driver begins nothing by itself, we do
    engine = create_engine(url, connect_args={"timeout": PATIENCE_S, "isolation_level": None})

    @event.listens_for(engine, "connect")
    def connected(connection: sqlite3.Connection, _record: object) -> None:
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}").close()
        if not writes:
            connection.execute("PRAGMA query_only=ON").close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _postgresql(url: URL, *, readonly: bool = False) -> Engine:
    options = (
        {"postgresql_readonly": True, "isolation_level": "REPEATABLE READ"} if readonly else {}
    )
    return create_engine(
        url,
        connect_args=_CONNECTION,
        pool_pre_ping=True,  # a server that was restarted in between is no failure
        execution_options=options,
    )
