"""A served bench inside the test process: real ports, fast to start, one thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from simulated_bench.process import BenchProcessError, Leader
from simulated_bench.scenario import Scenario
from simulated_bench.served import ServedBench


@contextmanager
def serving(scenario: Scenario | None = None, **options: Any) -> Iterator[ServedBench]:
    """Serve a bench until the block ends."""
    with ServedBench("test", scenario or Scenario(), **options) as served:
        thread = threading.Thread(target=served.control.serve)
        thread.start()
        try:
            yield served
        finally:
            served.control.ended = True
            thread.join(10)


@contextmanager
def led(scenario: Scenario | None = None, **options: Any) -> Iterator[Leader]:
    """Serve a bench and lead it."""
    with serving(scenario, **options) as served:
        leader = lead(served)
        try:
            yield leader
        finally:
            with suppress(BenchProcessError, OSError):  # ended by the test itself
                leader.raw({"op": "end"})
            leader.close()


def lead(served: ServedBench) -> Leader:
    """Return a leader of a served bench."""
    return Leader(served.control.address, served.resources())


def join(leader: Leader, *joins: tuple[str, str]) -> None:
    """Open every relay and close those that join each terminal to its lead."""
    channels = ",".join(str(channel(terminal, lead_)) for terminal, lead_ in joins)
    leader.say("scanner", "ROUT:OPEN:ALL", 0.05)
    if channels:
        leader.say("scanner", f"ROUT:CLOS (@{channels})", 0.05)


TERMINALS = (
    "dmm HI",
    "dmm LO",
    "dmm sense HI",
    "dmm sense LO",
    "supply +",
    "supply -",
    "supply sense +",
    "supply sense -",
    "insulation +",
    "insulation -",
    "insulation guard",
)
LEADS = ("Ex+", "Ex-", "Se+", "Se-", "S+", "S-", "shield", "housing")


def channel(terminal: str, lead_: str) -> int:
    """Channel number of a crosspoint of the default matrix."""
    return 100 * (TERMINALS.index(terminal) + 1) + LEADS.index(lead_) + 1


def ohms(one: str, other: str) -> tuple[tuple[str, str], ...]:
    """Joins of the meter's four terminals for 4-wire ohms of a pair."""
    return (
        ("dmm HI", one),
        ("dmm LO", other),
        ("dmm sense HI", one),
        ("dmm sense LO", other),
    )


EXCITATION = (
    ("supply +", "Ex+"),
    ("supply -", "Ex-"),
    ("supply sense +", "Se+"),
    ("supply sense -", "Se-"),
)
"""Normal polarity, six wires."""
