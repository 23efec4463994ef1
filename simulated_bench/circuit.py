"""One linear circuit for everything on the bench that is clipped together.

A branch a -> b has v = V(a) - V(b) and carries i = (v - emf) / ohms + amps from a to b inside
itself. An open is ohms = inf, a short a small resistance (1e-9 is fine); 0 is refused. All
values may carry leading axes (cells of a batch). Two nodes that nothing connects have no
voltage between them: None, never a guessed 0.

    circuit = Circuit()
    circuit.add("arm A", "top", "S+", 350.0)
    circuit.source("supply", "supply +", "supply -", 0.002, volts=10.0, amps_max=0.1,
                   sense=("supply sense +", "supply sense -"), emf_max=12.0)
    point = circuit.solve()
    point.volt("S+", "S-"), point.amp("arm A"), point.mode("supply")

Values change in place (`set`, `set_source`); `solve` keeps compiled trees and compiles again
only where none of them suits the values any more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simulated_bench.electrolyte import Electrolyte
from simulated_bench.regulation import Floats, Mode, Source
from simulated_bench.topology import Solution, Topology, compile_topology, solve

KEPT_TREES = 8
NEWTON_STEPS = 60

Values = float | Floats
"""A number, or one per cell of a batch (shape (cells,))."""


class CircuitError(ValueError):
    """An element that cannot be: 0 ohm, a name given twice, an unknown node or branch."""


class Circuit:
    """Branches between named nodes, regulated sources among them; a node is made by its use."""

    def __init__(self) -> None:
        self.nodes: dict[str, int] = {}
        self.branches: dict[str, int] = {}
        self.sources: dict[str, Source] = {}
        self.laws: dict[str, Electrolyte] = {}
        self._a: list[int] = []
        self._b: list[int] = []
        self._ohms: list[Values] = []
        self._emf: list[Values] = []
        self._amps: list[Values] = []
        self._trees: list[Topology] = []
        self._stack: tuple[Floats, Floats, Floats] | None = None
        self._tangent: tuple[Floats, Floats] | None = None

    def add(
        self,
        name: str,
        a: str,
        b: str,
        ohms: Values,
        emf: Values = 0.0,
        amps: Values = 0.0,
        law: Electrolyte | None = None,
    ) -> int:
        """Add a branch from a to b (ohm, V, A) and return its number.

        With a law the branch is non-linear: its ohms and EMF follow from the law at each solve.
        Raises CircuitError for a name in use and for a resistance that is not positive.
        """
        if name in self.branches:
            raise CircuitError(f"two elements are named {name!r}")
        _check_ohms(name, ohms)
        number = self.branches[name] = len(self._a)
        self._a.append(self.nodes.setdefault(a, len(self.nodes)))
        self._b.append(self.nodes.setdefault(b, len(self.nodes)))
        self._ohms.append(ohms)
        self._emf.append(emf)
        self._amps.append(amps)
        self._trees.clear()
        self._stack = None
        if law is not None:
            self.laws[name] = law
        return number

    def source(
        self,
        name: str,
        a: str,
        b: str,
        ohms: Values,
        *,
        volts: float,
        amps_max: float,
        amps_min: float = 0.0,
        sense: tuple[str, str] | None = None,
        emf_min: float = 0.0,
        emf_max: float = np.inf,
    ) -> int:
        """Add a regulated source: + at a, output resistance `ohms`, sensing a and b by default."""
        number = self.add(name, a, b, ohms)
        for node in sense or ():
            self.nodes.setdefault(node, len(self.nodes))
        self.sources[name] = Source(
            number, sense or (a, b), volts, amps_max, amps_min, emf_min, emf_max
        )
        return number

    def set(
        self,
        name: str,
        *,
        ohms: Values | None = None,
        emf: Values | None = None,
        amps: Values | None = None,
        law: Electrolyte | None = None,
    ) -> None:
        """Change values of a branch in place; a law only of a branch that was added with one.

        Raises CircuitError as `add` does.
        """
        number = self._number(name)
        if law is not None:
            if name not in self.laws:
                raise CircuitError(f"{name!r} was added as a linear element")
            self.laws[name] = law
        if ohms is not None:
            _check_ohms(name, ohms)
        values = ((self._ohms, ohms), (self._emf, emf), (self._amps, amps))
        for place, (kept, value) in enumerate(values):
            if value is None:
                continue
            kept[number] = value
            if self._stack is None or self._stack[place].ndim > 1 or not isinstance(value, float):
                self._stack = None
            else:
                self._stack[place][number] = value

    def set_all(
        self, ohms: Sequence[Values], emf: Sequence[Values], amps: Sequence[Values]
    ) -> None:
        """Change the values of all branches in place, in the order in which they were added."""
        if not len(ohms) == len(emf) == len(amps) == len(self._a):
            raise CircuitError(f"{len(self._a)} elements need as many values")
        self._ohms, self._emf, self._amps = list(ohms), list(emf), list(amps)
        self._stack = None
        if not np.all(self._values()[0] > 0):
            raise CircuitError("a resistance is above 0 ohm (an open is inf)")

    def tangents(self) -> tuple[Floats, Floats, Floats]:
        """Return `values()` with every non-linear branch as its tangent at the present point."""
        ohms, emf, amps = self.values()
        if self.laws:
            at = [self.branches[name] for name in self.laws]
            ohms[..., at], emf[..., at] = self._tangent or (ohms[..., at], emf[..., at])
        return ohms, emf, amps

    def set_source(self, name: str, **changes: float) -> None:
        """Change set points or limits of a source by the names of `Source`'s fields."""
        if name not in self.sources:
            raise CircuitError(f"there is no source {name!r}")
        self.sources[name] = replace(self.sources[name], **changes)  # type: ignore[arg-type]

    def values(self) -> tuple[Floats, Floats, Floats]:
        """Return copies of ohms, EMFs and currents of all branches, shaped (..., branches)."""
        ohms, emf, amps = self._values()
        return ohms.copy(), emf.copy(), amps.copy()

    def _values(self) -> tuple[Floats, Floats, Floats]:
        if self._stack is None:
            self._stack = _stacked(self._ohms), _stacked(self._emf), _stacked(self._amps)
        return self._stack

    def compile(self, ohms: Floats | None = None) -> Topology:
        """Return a tree that suits these resistances (those in place when None).

        `ohms` is one set of values, shaped (branches,). Trees are kept and used again.
        """
        wanted = self._values()[0] if ohms is None else np.asarray(ohms, float)
        for place, tree in enumerate(self._trees):
            if tree.suits(wanted):
                if place:
                    self._trees.insert(0, self._trees.pop(place))
                return tree
        tree = compile_topology(self.nodes, self._a, self._b, wanted)
        self._trees.insert(0, tree)
        del self._trees[KEPT_TREES:]
        return tree

    def solve(
        self,
        ohms: Floats | None = None,
        emf: Floats | None = None,
        amps: Floats | None = None,
        *,
        held: Sequence[int] | None = None,
        tree: Topology | None = None,
        cells: NDArray[np.int64] | None = None,
    ) -> Point:
        """Solve with the values in place, or with whole arrays shaped (..., branches).

        `held` fixes the modes of the sources. Leading axes need a `tree` that suits all of them
        (`simulated_bench.batch` finds the trees); `cells` are their numbers in the batch.
        Raises SourcesFightError, and ArithmeticError when non-linear branches do not settle.
        """
        if ohms is None or emf is None or amps is None:
            mine = self._values()
            ohms = mine[0] if ohms is None else ohms
            emf = mine[1] if emf is None else emf
            amps = mine[2] if amps is None else amps
        if self.laws:
            return self._settle_laws(ohms, emf, amps, held, tree, cells)
        tree = tree or self.compile(ohms)
        return Point(self, tree, solve(tree, ohms, emf, amps, tuple(self.sources.values()), held))

    def _settle_laws(
        self,
        ohms: Floats,
        emf: Floats,
        amps: Floats,
        held: Sequence[int] | None,
        tree: Topology | None,
        cells: NDArray[np.int64] | None,
    ) -> Point:
        """Newton's method: each non-linear branch as its tangent at the last voltages."""
        laws = [law if cells is None else law.of(cells) for law in self.laws.values()]
        at = [self.branches[name] for name in self.laws]
        shape = np.broadcast_shapes(ohms.shape, emf.shape, amps.shape)
        ohms, emf = (np.broadcast_to(x, shape).copy() for x in (ohms, emf))
        sources = tuple(self.sources.values())
        before = np.full((*shape[:-1], len(at)), np.inf)
        volts = np.zeros_like(before)
        for _ in range(NEWTON_STEPS):
            for place, law in enumerate(laws):
                ohms[..., at[place]], emf[..., at[place]] = law.tangent(volts[..., place])
            top = tree or self.compile(ohms)
            point = Point(self, top, solve(top, ohms, emf, amps, sources, held))
            before, volts = volts, point.solution.tree_volts @ top.paths[at].T
            if np.all(np.abs(volts - before) <= 1e-13 + 1e-12 * np.abs(volts)):
                self._tangent = ohms[..., at], emf[..., at]
                return point
        raise ArithmeticError("the non-linear leaks do not settle in this circuit")

    def _number(self, name: str) -> int:
        try:
            return self.branches[name]
        except KeyError:
            raise CircuitError(f"there is no element {name!r}") from None


@dataclass(frozen=True)
class Point:
    """A solved circuit: voltages between nodes, currents of branches, modes of sources."""

    circuit: Circuit
    topology: Topology
    solution: Solution

    def volt(self, a: str, b: str) -> float | None:
        """Return V(a) - V(b) in V; None where nothing connects the two.

        Raises CircuitError for a node at which no element ends.
        """
        row = self._probe(a, b)
        return None if row is None else float(self.solution.tree_volts @ row)

    def volts(self, a: str, b: str) -> Floats:
        """Return V(a) - V(b) with the leading axes of the values; NaN between two islands."""
        row = self._probe(a, b)
        volts = self.solution.tree_volts
        return np.full(volts.shape[:-1], np.nan) if row is None else np.asarray(volts @ row)

    def amp(self, name: str) -> float:
        """Return the current of a branch from its first node to its second, in A."""
        return float(self.amps(name))

    def amps(self, name: str) -> Floats:
        """Return the current of a branch with the leading axes of the values."""
        return np.asarray(self.solution.amps[..., self.circuit._number(name)])

    def mode(self, source: str) -> Mode:
        """Return what holds a source: CV, CC, SINK or a rail."""
        return Mode(int(self.solution.modes[..., self._place(source)]))

    def emf(self, source: str) -> float:
        """Return the EMF that a source's loop has settled at, in V."""
        return float(self.solution.source_emf[..., self._place(source)])

    @cached_property
    def _places(self) -> dict[str, int]:
        return {name: place for place, name in enumerate(self.circuit.sources)}

    def _place(self, source: str) -> int:
        if source not in self._places:
            raise CircuitError(f"there is no source {source!r}")
        return self._places[source]

    def _probe(self, a: str, b: str) -> Floats | None:
        for node in (a, b):
            if node not in self.topology.nodes:
                raise CircuitError(f"no element ends at {node!r}")
        return self.topology.probe(a, b)


def _check_ohms(name: str, ohms: Values) -> None:
    if not (ohms > 0 if isinstance(ohms, (float, int)) else bool(np.all(ohms > 0))):
        raise CircuitError(f"{name}: a resistance is above 0 ohm (an open is inf), not {ohms}")


def _stacked(values: Sequence[Values]) -> Floats:
    """One array shaped (..., branches) from numbers and arrays of one common shape."""
    try:
        flat = np.array(values, float)
        if flat.ndim == 1:
            return flat
    except ValueError:
        pass
    return np.stack(np.broadcast_arrays(*[np.asarray(v, float) for v in values]), -1)
