"""Thousands of cells at once: the same descriptions with arrays in place of numbers.

    arms = {"A": 350 + rng.normal(0, 0.1, 10_000), "B": 350.0, "C": 350.0, "D": 350.0}
    cells = Cells(CellDescription(bridges=(Bridge(arms=arms),)), [Leak("S+", "Ex-", leak_ohms)])
    six_pairs(cells)            # (10_000, 6) ohm, in the order of SIX_PAIRS
    fifteen_pairs(cells)        # (10_000, 15) ohm, in the order of FIFTEEN_PAIRS, 6-wire cells
    zero(cells)                 # (10_000,) V/V
    insulation(cells)           # (10_000,) ohm, all leads against the housing at 50 V

A cell without the fault has inf (leak) or 0 (added ohms) in its place. Whole benches are solved
by `solve(parts, faults)`. Each cell is solved over a tree that suits it: most share one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from simulated_bench.cell import AT_REST, CellDescription, CellState
from simulated_bench.circuit import Circuit, Point
from simulated_bench.electrical import CLIP, Contact, InsulationTester, contact
from simulated_bench.elements import Element, Fault, Part, build, with_faults
from simulated_bench.regulation import Floats
from simulated_bench.topology import Topology

CHUNK = 500
"""Cells solved at once: the matrices of one chunk stay in the processor's cache."""

Pair = tuple[str, str]
SIX_PAIRS: tuple[Pair, ...] = (
    ("Ex+", "Ex-"),
    ("Ex+", "S+"),
    ("Ex-", "S+"),
    ("Ex-", "S-"),
    ("Ex+", "S-"),
    ("S+", "S-"),
)
FIFTEEN_PAIRS: tuple[Pair, ...] = tuple(combinations(("Ex+", "Ex-", "Se+", "Se-", "S+", "S-"), 2))

TEST_AMPS = 1e-3
"""Test current of the ohms: it matters only to non-linear leaks."""


class Cells:
    """A batch of cells: one description and its faults, numbers or arrays of one length.

    Raises CircuitError for faults in unknown elements or between unknown nodes.
    """

    def __init__(
        self,
        description: CellDescription,
        faults: Sequence[Fault] = (),
        state: CellState = AT_REST,
    ) -> None:
        self.description = description
        self.parts: list[Part] = with_faults(description.parts(state), faults)
        self.leads: list[str] = description.nodes()

    @cached_property
    def circuit(self) -> Circuit:
        """The cells alone, with nothing clipped to them."""
        return build(self.parts)

    @property
    def count(self) -> int:
        """How many cells the arrays describe."""
        return len(_values(self.circuit)[0])

    @cached_property
    def trees(self) -> list[tuple[Topology, NDArray[np.int64]]]:
        """The trees that suit the cells alone, each with the cells it suits."""
        return list(group_by_tree(self.circuit, _values(self.circuit)[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Solved circuits of a batch; voltages and currents come as one number per cell."""

    count: int
    pieces: list[tuple[NDArray[np.int64], Point]]

    def volts(self, a: str, b: str) -> Floats:
        """Return V(a) - V(b) in V, NaN where nothing connects the two."""
        return self._gather(lambda point: point.volts(a, b))

    def amps(self, name: str) -> Floats:
        """Return the current of a branch in A."""
        return self._gather(lambda point: point.amps(name))

    def modes(self, source: str) -> NDArray[np.int64]:
        """Return what holds a source in each cell's circuit (`regulation.Mode`)."""
        place = list(self.pieces[0][1].circuit.sources).index(source)
        return self._gather(lambda point: point.solution.modes[..., place]).astype(np.int64)

    def _gather(self, take: Callable[[Point], NDArray[np.float64] | NDArray[np.int64]]) -> Floats:
        out = np.empty(self.count)
        for cells, point in self.pieces:
            out[cells] = take(point)
        return out


def solve(parts: Iterable[Part], faults: Sequence[Fault] = ()) -> Points:
    """Solve one circuit per cell for any bench. Raises as `elements.build` and `Circuit.solve`."""
    return solve_circuit(build(parts, faults))


def solve_circuit(circuit: Circuit) -> Points:
    """Solve a circuit whose values have one leading axis."""
    ohms, emf, amps = _values(circuit)
    pieces = []
    for tree, cells in group_by_tree(circuit, ohms):
        for some in _chunks(cells):
            point = circuit.solve(ohms[some], emf[some], amps[some], tree=tree, cells=some)
            pieces.append((some, point))
    return Points(len(ohms), pieces)


def group_by_tree(circuit: Circuit, ohms: Floats) -> Iterator[tuple[Topology, NDArray[np.int64]]]:
    """Yield trees, each with the cells that it suits; every cell comes once.

    The first tree is that of the usual cell; a cell with a short or a broken arm brings its own.
    """
    waiting = np.arange(len(ohms))
    seed = np.median(ohms[:: max(1, len(ohms) // 101)], axis=0)
    while waiting.size:
        tree = circuit.compile(seed)
        suited = tree.suits(ohms[waiting])
        if suited.any():
            yield tree, waiting[suited]
            waiting = waiting[~suited]
        if waiting.size:
            seed = ohms[waiting[0]]


def six_pairs(cells: Cells) -> Floats:
    """Return the resistances of SIX_PAIRS in ohm, shaped (cells, 6), by an ideal 4-wire meter."""
    return pair_resistances(cells, SIX_PAIRS)


def fifteen_pairs(cells: Cells) -> Floats:
    """Return the resistances of FIFTEEN_PAIRS in ohm, shaped (cells, 15), of 6-wire cells."""
    return pair_resistances(cells, FIFTEEN_PAIRS)


def pair_resistances(cells: Cells, pairs: Sequence[Pair]) -> Floats:
    """Return the resistance between the nodes of each pair in ohm, shaped (cells, pairs).

    NaN where nothing connects the two.
    """
    if cells.circuit.laws:
        return _by_test_current(cells, pairs)
    return _pairs_and_ratio(cells, pairs, None)[0]


def six_pairs_and_zero(cells: Cells) -> tuple[Floats, Floats]:
    """Return (`six_pairs(cells)`, `zero(cells)`), both from one factorisation per cell."""
    if cells.circuit.laws:
        return six_pairs(cells), zero(cells)
    return _pairs_and_ratio(cells, SIX_PAIRS, (("S+", "S-"), ("Ex+", "Ex-")))


def zero(
    cells: Cells, signal: Pair = ("S+", "S-"), reference: Pair = ("Ex+", "Ex-"), volts: float = 10.0
) -> Floats:
    """Return V(signal) / V(reference) in V/V under a floating excitation at Ex+ and Ex-.

    `reference` ("Se+", "Se-") is the voltage at the pads of a 6-wire cell. `volts` matters only
    to non-linear leaks. Instruments with paths to earth: `solve` with their parts.
    """
    if cells.circuit.laws:
        supply = Element("ideal excitation", "Ex+", "Ex-", 1e-6, volts)
        points = solve([*cells.parts, supply])
        return points.volts(*signal) / points.volts(*reference)
    return _pairs_and_ratio(cells, [("Ex+", "Ex-")], (signal, reference))[1]


def insulation(
    cells: Cells,
    plus: Sequence[str] | None = None,
    minus: Sequence[str] = ("housing",),
    guard: Sequence[str] = (),
    tester: InsulationTester | None = None,
    clip: Contact = CLIP,
) -> Floats:
    """Return the reading of an insulation tester in ohm, shaped (cells,).

    `plus` are all leads of the cell unless named. The housing has no earth but the tester's.
    """
    tester = tester or InsulationTester(on=True)
    clips = [
        contact(f"insulation {end}", lead, clip)
        for end, leads in (
            ("+", cells.leads if plus is None else plus),
            ("-", minus),
            ("guard", guard),
        )
        for lead in leads
    ]
    points = solve([*cells.parts, *tester.parts(), *clips])
    return points.volts("insulation +", "insulation -") / points.amps("insulation shunt")


def _pairs_and_ratio(
    cells: Cells, pairs: Sequence[Pair], ratio: tuple[Pair, Pair] | None
) -> tuple[Floats, Floats]:
    """Return volts per ampere of each pair, and V(signal) / V(reference) driven by the first."""
    ohms = _values(cells.circuit)[0]
    out = np.full((len(ohms), len(pairs)), np.nan)
    ratios = np.full(len(ohms), np.nan)
    for tree, members in cells.trees:
        rows = [tree.probe(*pair) for pair in pairs]
        ends = [tree.probe(*pair) for pair in ratio or ()]
        none = np.zeros(tree.paths.shape[1])
        through = np.stack([none if row is None else row for row in rows], -1)
        for some in _chunks(members):
            drops = _drops(tree, ohms[some], through)
            for place, row in enumerate(rows):
                if row is not None:
                    out[some, place] = drops[:, place] @ row
            if ends and ends[0] is not None and ends[1] is not None and rows[0] is not None:
                ratios[some] = (drops[:, 0] @ ends[0]) / (drops[:, 0] @ ends[1])
    return out, ratios


def _drops(tree: Topology, ohms: Floats, through: Floats) -> Floats:
    """Return tree drops per ampere, shaped (cells, pairs, tree)."""
    _, scale, matrix = tree.factor(ohms)
    drops = np.linalg.solve(matrix, scale[:, :, None] * through)
    return np.asarray(np.swapaxes(scale[:, :, None] * drops, -1, -2))


def _by_test_current(cells: Cells, pairs: Sequence[Pair]) -> Floats:
    """Ohms one pair after the other at the test current, for cells with non-linear leaks."""
    columns = []
    for a, b in pairs:
        drive = Element("test current", a, b, np.inf, 0.0, -TEST_AMPS)
        columns.append(solve([*cells.parts, drive]).volts(a, b) / TEST_AMPS)
    return np.stack(columns, -1)


def _chunks(cells: NDArray[np.int64]) -> Iterator[NDArray[np.int64]]:
    for start in range(0, len(cells), CHUNK):
        yield cells[start : start + CHUNK]


def _values(circuit: Circuit) -> tuple[Floats, Floats, Floats]:
    """Ohms, EMFs and currents shaped (cells, branches); plain numbers are a batch of one."""
    ohms, emf, amps = circuit.values()
    shape = np.broadcast_shapes((1, ohms.shape[-1]), ohms.shape, emf.shape, amps.shape)
    spread = [np.ascontiguousarray(np.broadcast_to(x, shape)) for x in (ohms, emf, amps)]
    return spread[0], spread[1], spread[2]
