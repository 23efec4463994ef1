"""The scanner's matrix, and every element of the bench outside the cells by its name."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import TYPE_CHECKING, NamedTuple

from simulated_bench.cell import LEADS
from simulated_bench.electrical import (
    Ammeter,
    InsulationTester,
    Ohmmeter,
    SourceOutput,
    SupplyOutput,
    Voltmeter,
    earth_parts,
)
from simulated_bench.elements import Element, Part
from simulated_bench.position import at_position

if TYPE_CHECKING:
    from simulated_bench.scenario import Scenario

TERMINALS: dict[str, tuple[str, ...]] = {
    "dmm": ("dmm HI", "dmm LO", "dmm sense HI", "dmm sense LO"),
    "supply": ("supply +", "supply -", "supply sense +", "supply sense -"),
    "insulation": ("insulation +", "insulation -", "insulation guard"),
    "second-dmm": (
        "second-dmm HI",
        "second-dmm LO",
        "second-dmm sense HI",
        "second-dmm sense LO",
    ),
    "source": ("source +", "source -"),
}
"""Rows of the matrix in their order; a row keeps its number when an instrument is missing."""


class Crossing(NamedTuple):
    """Where a relay is, between a terminal and a lead in a fixture."""

    channel: int
    terminal: str
    lead: str
    position: int


def crossings(scenario: Scenario) -> Iterator[Crossing]:
    """Yield every relay: channel = 100 x terminal + lead, counted from 1.

    Rows of missing instruments lack; the fixtures from the second on have 10000 more each.
    """
    roles = scenario.roles()
    if "scanner" not in roles:
        return
    rows = [(role, terminal) for role, own in TERMINALS.items() for terminal in own]
    for row, (role, terminal) in enumerate(rows, 1):
        for column, lead in enumerate(LEADS, 1):
            for position in _positions(scenario) if role in roles else ():
                number = 10_000 * (position - 1) + 100 * row + column
                yield Crossing(number, terminal, lead, position)


def unknown_outside(scenario: Scenario, name: str) -> str:
    """Return why there is no such element outside the cells of this bench; empty: there is one."""
    word = name.partition(" ")[0]
    if word == "relay":
        channels = sorted(crossing.channel for crossing in crossings(scenario))
        return _refusal(name, [f"relay {n}" for n in channels])
    terminals = [t for role in scenario.roles() for t in TERMINALS.get(role, ())]
    if word == "clip":
        known = [f"clip {t} {lead}" for t in terminals for lead in _leads(scenario)]
        return (
            ""
            if name in known
            else (
                f"there is no clip {name.removeprefix('clip ')!r}; terminals are"
                f" {', '.join(terminals)}, leads {', '.join(LEADS)}"
            )
        )
    if word == "earth":
        return _refusal(name, [part.name for part in earth_parts()])
    if word not in scenario.roles():
        return f"there is no element {name!r}: no {word} stands on the bench"
    return _refusal(name, _inside(word))


def _refusal(name: str, known: list[str]) -> str:
    if name in known:
        return ""
    some = known if len(known) < 20 else [*known[:3], "...", known[-1]]
    return f"there is no element {name!r}; there are {', '.join(some) or 'none of this kind'}"


def _leads(scenario: Scenario) -> list[str]:
    return [at_position(place, lead) for place in _positions(scenario) for lead in LEADS]


def _positions(scenario: Scenario) -> range:
    return range(1, 1 + (scenario.lot.positions if scenario.lot is not None else 1))


def _inside(role: str) -> list[str]:
    """What an instrument has between its terminals, whatever it is set to."""
    parts: list[list[Part]]
    match role:
        case "dmm" | "second-dmm":
            parts = [Voltmeter().parts(role), Ohmmeter().parts(role), Ammeter().parts(role)]
        case "supply":
            parts = [SupplyOutput().parts(role, 0.0)]
        case "insulation":
            parts = [InsulationTester(on=on).parts(role) for on in (False, True)]
        case "source":
            parts = [SourceOutput().parts(role)]
        case _:
            parts = []
    names = [part.name for part in chain(*parts) if isinstance(part, Element)]
    return list(dict.fromkeys(names))
