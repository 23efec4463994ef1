"""A batch gives what each cell gives alone, faults and dead arms included."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from simulated_bench import batch
from simulated_bench.batch import FIFTEEN_PAIRS, SIX_PAIRS, Cells
from simulated_bench.cable import Cable
from simulated_bench.cell import CONDUCTORS, LEADS, Bridge, CellDescription
from simulated_bench.circuit import CircuitError, Values
from simulated_bench.electrical import (
    InsulationTester,
    Ohmmeter,
    SupplyOutput,
    Voltmeter,
    contact,
    earth_parts,
)
from simulated_bench.electrolyte import Electrolyte
from simulated_bench.elements import Added, Fault, Leak, Part, Scaled, WetLeak, build, with_faults
from tests.simulated_bench.reference import SUPPLY_CLIPS, clip_all

COUNT = 400
NONE = np.full(COUNT, np.inf)


def only(where: slice, values: NDArray[np.float64] | float, else_: float) -> NDArray[np.float64]:
    out = np.full(COUNT, else_)
    out[where] = values
    return out


RNG = np.random.default_rng(20260302)
ARMS: dict[str, Values] = {name: 350.0 + RNG.normal(0, 0.3, COUNT) for name in "ABCD"}
DESCRIPTION = CellDescription(
    bridges=(Bridge(ARMS, (RNG.uniform(5, 60, COUNT), 17.0)),),
    cable=Cable(conductor_ohms=dict.fromkeys(CONDUCTORS, 0.35)),
    leaks={pair: 10.0 ** RNG.uniform(4, 13, COUNT) for pair in list(combinations(LEADS, 2))[::9]},
)
FAULTS: list[Fault] = [
    Added("arm A", only(slice(0, 20), np.inf, 0.0)),
    Added("conductor S+", only(slice(20, 40), np.inf, 0.0)),
    Scaled("arm C", only(slice(40, 60), 1e-8, 1.0)),
    Leak("S+", "S-", only(slice(60, 80), 1e-3, np.inf)),
    Leak("S+", "housing", only(slice(80, 120), 10.0 ** RNG.uniform(1, 10, 40), np.inf)),
]


def alone(number: int) -> tuple[CellDescription, list[Fault]]:
    """The same cell described with plain numbers."""

    def one(value: Values) -> float:
        return float(value[number]) if isinstance(value, np.ndarray) else float(value)

    bridge = DESCRIPTION.bridges[0]
    description = replace(
        DESCRIPTION,
        bridges=(
            Bridge(
                {name: one(ohms) for name, ohms in bridge.arms.items()},
                (one(bridge.compensation[0]), one(bridge.compensation[1])),
            ),
        ),
        leaks={pair: one(ohms) for pair, ohms in DESCRIPTION.leaks.items()},
    )
    faults: list[Fault] = []
    for fault in FAULTS:
        if isinstance(fault, (Leak, Added)):
            faults.append(replace(fault, ohms=one(fault.ohms)))
        elif isinstance(fault, Scaled):
            faults.append(replace(fault, factor=one(fault.factor)))
    return description, faults


CELLS = Cells(DESCRIPTION, FAULTS)
SOME = [0, 7, 20, 33, 40, 59, 60, 79, 80, 99, 119, 120, 250, 399]


def ideal_ohms(parts: list[Part], pair: tuple[str, str]) -> float:
    circuit = build(parts)
    circuit.add("test", *pair, np.inf, amps=-1e-3)
    volts = circuit.solve().volt(*pair)
    return np.nan if volts is None else volts / 1e-3


@pytest.mark.parametrize("number", SOME)
def test_each_cell_of_a_batch_reads_what_it_reads_alone(number: int) -> None:
    description, faults = alone(number)
    parts = with_faults(description.parts(), faults)
    for pairs, all_ohms in (
        (SIX_PAIRS, batch.six_pairs(CELLS)),
        (FIFTEEN_PAIRS, batch.fifteen_pairs(CELLS)),
    ):
        expected = [ideal_ohms(parts, pair) for pair in pairs]
        assert all_ohms[number] == pytest.approx(expected, rel=1e-12, abs=1e-12)
    circuit = build([*parts])
    circuit.add("ideal", "Ex+", "Ex-", 1e-3, emf=10.0)
    point = circuit.solve()
    zero = (point.volt("S+", "S-") or 0.0) / (point.volt("Ex+", "Ex-") or 1.0)
    assert batch.zero(CELLS)[number] == pytest.approx(zero, abs=1e-12)


@pytest.mark.parametrize("number", SOME)
def test_insulation_in_a_batch_is_that_of_the_served_tester(number: int) -> None:
    description, faults = alone(number)
    tester = InsulationTester(on=True)
    clips = [contact("insulation +", lead) for lead in CONDUCTORS]
    clips += [contact("insulation -", "housing"), contact("insulation guard", "shield")]
    circuit = build([*description.parts(), *tester.parts(), *clips], faults)
    found = batch.insulation(CELLS, guard=("shield",))
    assert found[number] == pytest.approx(tester.ohms(circuit.solve()), rel=1e-12)


def test_the_identity_holds_for_every_cell_of_the_batch() -> None:
    ohms, zero = batch.six_pairs_and_zero(CELLS)
    at = {pair: ohms[:, place] for place, pair in enumerate(SIX_PAIRS)}
    predicted = (at["Ex+", "S-"] + at["Ex-", "S+"] - at["Ex+", "S+"] - at["Ex-", "S-"]) / (
        2 * at["Ex+", "Ex-"]
    )
    # Where a signal lead hangs free two of the six are as large as the insulation.
    held = np.ones(COUNT, bool)
    held[20:40] = False
    assert np.abs(predicted - zero)[held].max() < 1e-12
    assert zero == pytest.approx(batch.zero(CELLS), abs=1e-15)


def test_a_whole_bench_in_a_batch_agrees_with_the_bench_alone() -> None:
    output, meter = SupplyOutput(on=True, volts=10.0), Voltmeter()
    instruments = [*output.parts(), *meter.parts(), *earth_parts(), *clip_all(SUPPLY_CLIPS)]
    instruments += clip_all({"dmm HI": "S+", "dmm LO": "S-"})
    points = batch.solve([*CELLS.parts, *instruments])
    volts, modes = points.volts("dmm HI", "dmm LO"), points.modes("supply")
    for number in SOME:
        description, faults = alone(number)
        point = build([*description.parts(), *instruments], faults).solve()
        assert volts[number] == pytest.approx(point.volt("dmm HI", "dmm LO"), abs=1e-12)
        assert modes[number] == point.mode("supply")


def test_two_sources_in_a_batch_find_each_cell_s_modes() -> None:
    output, meter = SupplyOutput(on=True, volts=10.0), Ohmmeter()
    clips = {"dmm HI": "S+", "dmm LO": "S-", "dmm sense HI": "S+", "dmm sense LO": "S-"}
    instruments = [*output.parts(), *meter.parts(), *earth_parts(), *clip_all(SUPPLY_CLIPS | clips)]
    points = batch.solve([*CELLS.parts, *instruments])
    volts = points.volts("dmm sense HI", "dmm sense LO")
    for number in SOME:
        description, faults = alone(number)
        point = build([*description.parts(), *instruments], faults).solve()
        assert volts[number] == pytest.approx(meter.volts(point), rel=1e-9, abs=1e-9)
        assert points.modes("dmm test current")[number] == point.mode("dmm test current")


def test_a_wet_leak_in_a_batch_reads_differently_with_polarity() -> None:
    ohms = np.array([1e8, 1e9, np.inf])
    law = Electrolyte(ohms, asymmetry=0.25)
    cells = Cells(
        CellDescription(leak_at_pads=1e13, leak_at_plug=1e13), [WetLeak("S+", "housing", law)]
    )
    one = batch.insulation(cells)
    other = batch.insulation(cells, plus=("housing",), minus=tuple(cells.leads))
    assert one[:2] == pytest.approx(ohms[:2] / 1.25, rel=0.01)
    assert other[:2] == pytest.approx(ohms[:2] / 0.75, rel=0.01)
    assert one[2] == pytest.approx(other[2], rel=1e-6)
    assert batch.six_pairs(cells) == pytest.approx(
        np.tile(batch.six_pairs(Cells(CellDescription())), (3, 1)), rel=1e-4
    )


def test_a_cell_without_a_common_conductor_gives_no_number() -> None:
    bare = CellDescription(leak_at_pads=np.inf, leak_at_plug=np.inf)
    opened = Added("conductor S+", np.array([0.0, np.inf]))
    ohms = batch.six_pairs(Cells(bare, [opened]))
    s_plus = [place for place, pair in enumerate(SIX_PAIRS) if "S+" in pair]
    assert np.isfinite(ohms[0]).all()
    assert np.isnan(ohms[1, s_plus]).all()
    assert np.isnan(batch.zero(Cells(bare, [opened]))[1])


def test_a_fault_in_nothing_is_refused() -> None:
    with pytest.raises(CircuitError, match="no such element"):
        Cells(DESCRIPTION, [Added("arm E", 1.0)])
    with pytest.raises(CircuitError, match="no element ends at 'S'"):
        Cells(DESCRIPTION, [Leak("S", "S-", 1.0)])
