"""Records for people who only look: what is there is opened, nothing is made."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from typing import TypeVar

from acq.errors import WrongInput
from acq.records.address import Address, find_address
from acq.records.records import Records

T = TypeVar("T")


def places(url: str | None, environment: Mapping[str, str] | None = None) -> list[Address]:
    """Return where to look: the one place that was named, else the files of both kinds."""
    real = find_address(url, simulated=False, environment=environment)
    if real.given:
        return [real]
    return [real, find_address(url, simulated=True, environment=environment)]


@contextmanager
def existing(url: str | None) -> Iterator[list[Records]]:
    """Open the records that there are at `url`, or in the user's data folder; real ones first.

    Raises WrongInput when there are none yet.
    """
    with ExitStack() as held:
        found: list[Records] = []
        missing: list[str] = []
        for place in places(url):
            if place.file is not None and not place.file.exists():
                missing.append(f"no records at {place} yet")
                continue
            found.append(held.enter_context(Records.at(place)))
        if not found:
            raise WrongInput(f"{missing[0]}; the first run makes them")
        yield found


def first_that_knows(opened: list[Records], ask: Callable[[Records], T]) -> tuple[Records, T]:
    """Return the first records that answer; raises the WrongInput of all that do not."""
    said: list[str] = []
    for records in opened:
        try:
            return records, ask(records)
        except WrongInput as error:
            said.append(str(error))
    raise WrongInput("; ".join(said))
