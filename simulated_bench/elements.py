"""Named elements, and the faults that a scenario puts into them.

Whatever is on the bench (cell, cable, clips, relays, instruments) describes itself as a list of
elements; `build` makes one circuit of them. A fault is never a copied symptom: it replaces,
interrupts or adds an element by name, and the readings follow.

Values may be arrays with one entry per cell: the same description then serves a batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from simulated_bench.circuit import Circuit, CircuitError, Values
from simulated_bench.electrolyte import Electrolyte

WIRE_OHMS = 1e-9
"""What stands for 0 ohm: a piece of wire."""


class Element(NamedTuple):
    """A branch from a to b: i = (V(a) - V(b) - emf) / ohms + amps; a law makes it non-linear."""

    name: str
    a: str
    b: str
    ohms: Values
    emf: Values = 0.0
    amps: Values = 0.0
    law: Electrolyte | None = None


class Regulated(NamedTuple):
    """A regulated source from a (+) to b (-) behind `ohms`; limits as in `regulation.Source`."""

    name: str
    a: str
    b: str
    ohms: Values
    volts: float
    amps_max: float
    amps_min: float = 0.0
    sense: tuple[str, str] | None = None
    emf_min: float = 0.0
    emf_max: float = np.inf


Part = Element | Regulated


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """The element is interrupted."""

    element: str


@dataclass(frozen=True, slots=True, eq=False)
class Shorted:
    """The element is bridged by metal."""

    element: str
    ohms: Values = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Replaced:
    """The element has another resistance; an EMF in it stays."""

    element: str
    ohms: Values


@dataclass(frozen=True, slots=True, eq=False)
class Added:
    """Ohms in series with the element: a bad joint. Negative values may shorten a conductor."""

    element: str
    ohms: Values


@dataclass(frozen=True, slots=True, eq=False)
class Scaled:
    """The element's resistance is multiplied: an arm after a surge."""

    element: str
    factor: Values


@dataclass(frozen=True, slots=True, eq=False)
class SeriesEmf:
    """Volts in series with the element: a warm joint of two metals."""

    element: str
    volts: Values


@dataclass(frozen=True, slots=True, eq=False)
class Leak:
    """A resistance between any two nodes, with a galvanic EMF if it is wet.

    Leads by their names are the plug end ("S+"), "pad S+" is the cell's end of it.
    """

    a: str
    b: str
    ohms: Values
    galvanic_volts: Values = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class WetLeak:
    """A non-linear leak between two nodes, whose reading depends on polarity."""

    a: str
    b: str
    law: Electrolyte


Change = Opened | Shorted | Replaced | Added | Scaled | SeriesEmf
Fault = Change | Leak | WetLeak
ORDER = (Replaced, Scaled, Shorted, Added, SeriesEmf, Opened)
"""Several changes of one element, from the inside out, in whatever order a file names them."""


def with_faults(parts: Iterable[Part], faults: Sequence[Fault]) -> list[Part]:
    """Return the parts with all faults in place.

    Raises CircuitError when a fault names an element or a node that is not there.
    """
    all_parts = list(parts)
    changed = changed_parts(all_parts, faults)
    _check_named(all_parts, faults)
    return [*changed, *inserted_parts(faults, {n for p in all_parts for n in (p.a, p.b)})]


def changed_parts(parts: Iterable[Part], faults: Sequence[Fault]) -> list[Part]:
    """Return the parts as the faults change them; faults of other elements do nothing."""
    by_element: dict[str, list[Change]] = {}
    for fault in faults:
        if not isinstance(fault, (Leak, WetLeak)):
            by_element.setdefault(fault.element, []).append(fault)
    if not by_element:
        return list(parts)
    for changes in by_element.values():
        changes.sort(key=lambda change: ORDER.index(type(change)))
    return [_changed(part, by_element.get(part.name, ())) for part in parts]


def inserted_parts(faults: Sequence[Fault], nodes: Iterable[str]) -> list[Element]:
    """Return the elements that faults insert. Raises CircuitError for an unknown node."""
    known = set(nodes)
    inserted = []
    for place, fault in enumerate(faults):
        if not isinstance(fault, (Leak, WetLeak)):
            continue
        for node in (fault.a, fault.b):
            if node not in known:
                raise CircuitError(
                    f"a leak from {fault.a} to {fault.b}: no element ends at {node!r}"
                )
        name = f"fault {place + 1} {fault.a} {fault.b}"
        if isinstance(fault, Leak):
            inserted.append(Element(name, fault.a, fault.b, fault.ohms, fault.galvanic_volts))
        else:
            inserted.append(Element(name, fault.a, fault.b, fault.law.ohms, law=fault.law))
    return inserted


def build(parts: Iterable[Part], faults: Sequence[Fault] = ()) -> Circuit:
    """Return the circuit of the parts with the faults in place. Raises CircuitError."""
    circuit = Circuit()
    for part in with_faults(parts, faults) if faults else parts:
        if isinstance(part, Regulated):
            circuit.source(
                part.name,
                part.a,
                part.b,
                part.ohms,
                volts=part.volts,
                amps_max=part.amps_max,
                amps_min=part.amps_min,
                sense=part.sense,
                emf_min=part.emf_min,
                emf_max=part.emf_max,
            )
        else:
            circuit.add(*part)
    return circuit


def _check_named(parts: Sequence[Part], faults: Sequence[Fault]) -> None:
    names = {part.name for part in parts}
    for fault in faults:
        if not isinstance(fault, (Leak, WetLeak)) and fault.element not in names:
            raise CircuitError(f"a fault in {fault.element!r}: there is no such element")


def _changed(part: Part, changes: Sequence[Change]) -> Part:
    for change in changes:
        match change:
            case Opened():
                part = part._replace(ohms=np.inf)
            case Shorted(ohms=ohms) | Replaced(ohms=ohms):
                part = part._replace(ohms=ohms)
            case Added(ohms=ohms):
                part = part._replace(ohms=part.ohms + ohms)
            case Scaled(factor=factor):
                part = part._replace(ohms=part.ohms * factor)
            case SeriesEmf(volts=volts):
                if isinstance(part, Regulated):
                    raise CircuitError(f"{part.name}: a regulated source has no EMF of its own")
                part = part._replace(emf=part.emf + volts)
    return part
