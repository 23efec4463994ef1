"""Where records live: the address a person gave, checked; and never a password in a message."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from acq.errors import BenchFailure, WrongInput
from acq.records.filesystem import is_shared, kind_of_filesystem

if TYPE_CHECKING:
    from sqlalchemy import URL

VARIABLE = "BRIDGEBENCH_RECORDS"
REAL_FILE = "records.sqlite"
SIMULATED_FILE = "simulated-records.sqlite"
_DRIVERS = {
    "sqlite": "sqlite+pysqlite",
    "sqlite+pysqlite": "sqlite+pysqlite",
    "postgresql": "postgresql+psycopg",
    "postgresql+psycopg": "postgresql+psycopg",
}
_ALLOWED = "sqlite:///FILE and postgresql://USER@HOST/DATABASE"


@dataclass(frozen=True, slots=True)
class Address:
    """A checked address of records. `str()` shows it without password and options."""

    url: URL
    given: bool  # by a person (option or environment), not our default place

    @property
    def file(self) -> Path | None:
        """The SQLite file; None when the records are kept by a server."""
        return Path(str(self.url.database)) if self.url.drivername.startswith("sqlite") else None

    @property
    def secrets(self) -> tuple[str, ...]:
        """Texts that no message may contain."""
        in_options = [str(value) for key, value in self.url.query.items() if "pass" in key.lower()]
        password = self.url.password
        return tuple(filter(None, [str(password) if password is not None else "", *in_options]))

    def without_secrets(self, text: str) -> str:
        """Return one line of `text` in which each secret is replaced by dots."""
        for secret in self.secrets:
            text = text.replace(secret, "...")
        return " ".join(text.split())

    def __str__(self) -> str:
        if self.file is not None:
            return str(self.file)
        port = f":{self.url.port}" if self.url.port else ""
        return f"postgresql://{self.url.host or 'localhost'}{port}/{self.url.database}"


def find_address(
    url: str | None, *, simulated: bool, environment: Mapping[str, str] | None = None
) -> Address:
    """Return the address to use: the one given, the environment's, or the user's data folder.

    Raises WrongInput for a malformed address, and for a file on a network share.
    """
    environment = os.environ if environment is None else environment
    text = url if url is not None else environment.get(VARIABLE) or None
    if text is None:
        return Address(_sqlite_url(default_file(simulated=simulated)), given=False)
    origin = "the records address" if url is not None else VARIABLE
    return Address(_checked(text, origin), given=True)


def default_file(*, simulated: bool) -> Path:
    """Return the file in the user's data folder; simulated runs have one of their own."""
    from platformdirs import user_data_path

    return user_data_path("bridgebench") / (SIMULATED_FILE if simulated else REAL_FILE)


def prepare_file(address: Address) -> None:
    """Make the folder of an SQLite file and refuse a network share.

    SQLite's locks are not dependable over a network file system, and WAL does not work there
    at all (sqlite.org, "Write-Ahead Logging", section 1).
    """
    if address.file is None:
        return
    folder = address.file.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BenchFailure(
            f"records folder {folder} cannot be made: {error.strerror}; name another place with "
            f"--records or {VARIABLE}"
        ) from error
    if (kind := kind_of_filesystem(folder)) and is_shared(kind):
        raise WrongInput(
            f"records file {address.file} lies on a network share ({kind}), where SQLite can lose "
            "data; name a local file or a PostgreSQL server"
        )


def _checked(text: str, origin: str) -> URL:
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        # the text is not repeated: it may hold a password
        raise WrongInput(f"{origin} is malformed; allowed are {_ALLOWED}") from None
    driver = _DRIVERS.get(url.drivername)
    if driver is None:
        raise WrongInput(f"{origin} names {url.drivername!r}; allowed are {_ALLOWED}")
    if not url.database or url.database == ":memory:":
        what = "file" if driver.startswith("sqlite") else "database"
        raise WrongInput(f"{origin} names no {what}; allowed are {_ALLOWED}")
    return url.set(drivername=driver)


def _sqlite_url(file: Path) -> URL:
    from sqlalchemy import URL

    return URL.create("sqlite+pysqlite", database=str(file))
