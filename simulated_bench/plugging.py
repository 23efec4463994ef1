"""Which bridge of a body is on the lead terminals, and what stands where the housing was."""

from __future__ import annotations

from collections.abc import Sequence

from simulated_bench.cell import CONDUCTORS, bridge_prefix
from simulated_bench.elements import Element, Part

JOINT_OHMS = 0.02  # of one lead in a bundle of joined ones
BODY = "body"  # the housing, while the leads of another bridge are where its clip was


def plugged(parts: Sequence[Part], bridge: int, joined: int | None) -> list[Part]:
    """Return a cell's parts with `bridge` (from 0) on the lead terminals.

    All leads of `joined` are joined to one another where the housing was.
    """
    names: dict[str, str] = {}
    if bridge:
        for lead in CONDUCTORS:
            other = bridge_prefix(bridge) + lead
            names[lead], names[other] = f"bridge 1 {lead}", lead
    if joined is not None:
        names["housing"] = BODY
    moved = [
        part._replace(a=names.get(part.a, part.a), b=names.get(part.b, part.b)) for part in parts
    ]
    if joined is None:
        return moved
    nodes = {node for part in moved for node in (part.a, part.b)}
    at = "bridge 1 " if joined == 0 else bridge_prefix(joined)
    bundle = [at + lead for lead in CONDUCTORS if at + lead in nodes]
    return [*moved, *(Element(f"joined {lead}", "housing", lead, JOINT_OHMS) for lead in bundle)]
