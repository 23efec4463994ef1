"""A fixture that no relay joins to anything, by three nodes instead of a whole cell.

Behind open relays (some 1e12 ohm) a bridge of some hundred ohm is one node to one part in 1e9.
What counts from outside stays as it is: the insulation between leads, shield and housing, the
isolation of every open relay, the way to earth. Only a cell without faults is taken so.
"""

from __future__ import annotations

from collections.abc import Iterable

from simulated_bench.elements import Element, Part
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.position import at_position

GROUPS = ("leads", "shield", "housing")


def may_be_idle(cell: CellOnBench) -> bool:
    """Whether nothing in the cell asks for more than its insulation."""
    return not (cell.faults or cell.extra or cell.live.pierced or cell.live.moisture)


def idle_parts(cell: CellOnBench, relays: Iterable[Element]) -> list[Part]:
    """Return what a cell behind these open relays is to the rest of the bench.

    `relays` end at the leads by their plain names.
    """
    siemens: dict[tuple[str, str], float] = {}
    description = cell.description
    ties = [part for part in description.conducting_parts() if part.name == "shield to housing"]
    for part in (*description.leak_parts(), *ties):
        _add(siemens, _group(part.a), _group(part.b), float(part.ohms))
    for relay in relays:
        _add(siemens, relay.a, _group(relay.b), float(relay.ohms))
    return [
        Element(
            f"idle {cell.position} {a} {b}",
            _node(cell.position, a),
            _node(cell.position, b),
            1.0 / conductance,
        )
        for (a, b), conductance in siemens.items()
        if conductance
    ]


def _add(siemens: dict[tuple[str, str], float], a: str, b: str, ohms: float) -> None:
    if a != b:
        siemens[a, b] = siemens.get((a, b), 0.0) + 1.0 / ohms


def _group(node: str) -> str:
    name = node.removeprefix("pad ")
    return name if name in ("shield", "housing") else "leads"


def _node(position: int, name: str) -> str:
    if name == "leads":
        return f"position {position} leads"
    return at_position(position, name) if name in GROUPS else name
