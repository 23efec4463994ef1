"""The simulated circuit's speed as ratios within one run; machines differ, this one is shared."""

from __future__ import annotations

from collections.abc import Callable
from statistics import median
from time import process_time

import networkx as nx
import numpy as np
import pytest

from simulated_bench import batch
from simulated_bench.batch import Cells
from simulated_bench.cell import Bridge, CellDescription
from simulated_bench.circuit import Circuit
from simulated_bench.elements import Part
from simulated_bench.load_cell import LoadCell
from simulated_bench.response import Response
from simulated_bench.room import Room, Wave
from simulated_bench.timed_circuit import TimedCircuit
from simulated_bench.topology import compile_topology
from tests.simulated_bench.reference import bench, cell, ohmmeter, supply, voltmeter

ROUNDS = 7


def ratio(ours: Callable[[], object], theirs: Callable[[], object], repeats: int = 50) -> float:
    """Median processor time of ours by that of theirs, turn by turn.

    Processor time: on a busy machine the longer of the two would be interrupted more often.
    """
    spent: tuple[list[float], list[float]] = ([], [])
    for _ in range(ROUNDS):
        for place, call in enumerate((ours, theirs)):
            start = process_time()
            for _ in range(repeats):
                call()
            spent[place].append(process_time() - start)
    return median(spent[0]) / median(spent[1])


def show(what: str, figure: float) -> None:
    print(f"{what}: {figure:.2f}")  # noqa: T201  (the figure)


def whole_bench() -> Circuit:
    circuit = bench(cell(), supply(), voltmeter())
    circuit.solve()
    return circuit


def test_a_solve_costs_a_few_bare_dense_solves_of_its_size() -> None:
    circuit = whole_bench()
    size = len(circuit.compile().tree)
    matrix, right = np.eye(size) + 0.01, np.ones((size, 2))
    figure = ratio(circuit.solve, lambda: np.linalg.solve(matrix, right))
    show("whole solve against one bare numpy solve", figure)
    assert figure < 40


def test_a_second_source_costs_less_than_ten_times_one() -> None:
    one = whole_bench()
    two = bench(cell(), supply(), ohmmeter("S+", "S-"))
    figure = ratio(two.solve, one.solve)
    show("two regulated sources against one", figure)
    assert figure < 10


def test_a_kept_tree_saves_its_compilation() -> None:
    circuit = whole_bench()
    ohms, emf, amps = circuit.values()
    ends = circuit._a, circuit._b

    def afresh() -> None:
        tree = compile_topology(circuit.nodes, *ends, ohms)
        circuit.solve(ohms, emf, amps, tree=tree)

    figure = ratio(afresh, circuit.solve)
    show("compiling for every solve against a kept tree", figure)
    assert figure > 1.2


def test_our_spanning_forest_is_quicker_than_a_graph_library_s() -> None:
    circuit = whole_bench()
    ohms = circuit.values()[0]
    ends = list(zip(circuit._a, circuit._b, strict=True))

    def by_library() -> None:
        graph = nx.Graph()
        graph.add_weighted_edges_from((a, b, r) for (a, b), r in zip(ends, ohms, strict=True))
        list(nx.minimum_spanning_edges(graph))

    figure = ratio(
        lambda: compile_topology(circuit.nodes, circuit._a, circuit._b, ohms), by_library
    )
    show("our spanning forest against networkx", figure)
    assert figure < 1


def test_a_batch_solves_cells_at_least_four_times_as_fast_as_one_by_one() -> None:
    rng = np.random.default_rng(1)
    count = 2000
    arms = {name: 350.0 + rng.normal(0, 0.1, count) for name in "ABCD"}
    cells = Cells(CellDescription(bridges=(Bridge({**arms}),)))
    assert len(cells.trees) == 1

    def together() -> None:
        batch.six_pairs_and_zero(cells)
        batch.insulation(cells)

    parts = CellDescription().parts()

    def one_by_one() -> None:
        single = Cells(CellDescription())
        batch.six_pairs_and_zero(single)
        batch.insulation(single)

    assert len(parts) > 50
    figure = ratio(together, one_by_one, repeats=1) / count
    show("a cell in a batch against a cell alone", figure)
    assert figure < 0.25


@pytest.mark.parametrize("seconds", [0.2, 5.0])
def test_a_reading_with_all_slow_physics_costs_a_few_plain_solves(seconds: float) -> None:
    room = Room(waves=(Wave(0.4, 5400.0),))
    response = Response(capacity_newtons=4905.9, rated_output=2e-3, creep=1e-4, hysteresis=1e-4)
    living = LoadCell(CellDescription(), response, room)
    instruments = bench_parts()
    timed = TimedCircuit(
        lambda length: [*living.parts(length), *instruments], lambda: living.capacitors
    )
    living.load(2000.0)

    def reading() -> None:
        timed.step(seconds)
        living.advance(seconds)

    reading()
    plain = whole_bench()
    figure = ratio(reading, plain.solve)
    show("a reading with temperature, creep, hysteresis and charges against a plain solve", figure)
    assert figure < 30


def bench_parts() -> list[Part]:
    return [*supply(), *voltmeter()]
