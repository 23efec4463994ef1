"""Brings records to this version's tables, and refuses those of a newer version.

Alembic is slow to import, so it is imported only when there is something to do.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text

from acq.errors import BenchFailure
from acq.records.engines import Engines

SCRIPTS = Path(__file__).with_name("migrations")
NEWEST = "0001"  # the last revision in migrations/versions


def bring_up_to_date(engines: Engines) -> None:
    """Create or migrate the tables in one transaction; raises BenchFailure for a newer version."""
    with engines.reading() as connection:
        if revision_of(connection) == NEWEST:
            return
    with engines.writing() as connection:
        # asked again: another process may have done it while this one waited
        found = revision_of(connection)
        if found == NEWEST:
            return
        if found is not None and found not in _known():
            raise BenchFailure(
                f"records at {engines.address} were written by a newer version (revision {found}, "
                f"known up to {NEWEST}); update this one"
            )
        _upgrade(connection)


def revision_of(connection: Connection) -> str | None:
    """Return the revision that the records are at, None when they have no tables yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    revision: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return revision


def _known() -> set[str]:
    from alembic.script import ScriptDirectory

    return {script.revision for script in ScriptDirectory(str(SCRIPTS)).walk_revisions()}


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, NEWEST)
