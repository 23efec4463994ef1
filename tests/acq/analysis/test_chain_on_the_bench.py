"""The simulated bench's own weighing chain, faults put in by name, read partly, and isolated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acq.analysis.chain import Transmitter as PaperTransmitter
from acq.analysis.chain import excitation_kept
from acq.analysis.chain_isolation import Answer, Isolation, isolate
from acq.analysis.chain_papers import (
    Block,
    Chain,
    ChainCell,
    ChainReadings,
    Kind,
    LoadState,
    Row,
)
from simulated_bench.cable import Cable
from simulated_bench.cell import CONDUCTORS, Bridge, CellDescription
from simulated_bench.chain import Chain as Plant
from simulated_bench.chain import ChainCell as PlantCell
from simulated_bench.chain import ChainPoint, steady
from simulated_bench.elements import Fault, Leak, Opened, SeriesEmf
from simulated_bench.transmitter import InputCard, Transmitter
from tests.campaigns.drawn_chains import TOLERANCES

G = 9.81
DESCRIPTION = CellDescription(
    bridges=(Bridge(dict.fromkeys("ABCD", 350.3), (17.5, 17.5)),),
    wires=4,
    cable=Cable(conductor_ohms=dict.fromkeys(CONDUCTORS, 0.35)),
)
CELL = PlantCell(description=DESCRIPTION, rated_output=2e-3, capacity_newtons=500 * G)
PLANT = Plant(
    cells=[CELL] * 4,
    transmitter=Transmitter(ratio_at_zero=0.42e-3, ratio_at_full=1.42e-3),
    card=InputCard(),
    home_run=Cable(conductor_ohms=dict.fromkeys(CONDUCTORS, 1.75)),
    dead_newtons=420 * G,
)
PAPERS = Chain(
    name="bench",
    cells=tuple(
        ChainCell(
            name=f"cell {k}",
            capacity=500.0,
            rated_output=2e-3,
            zero=0.0,
            input_ohms=386.0,
            output_ohms=351.0,
            share=0.25,
        )
        for k in range(1, 5)
    ),
    conductor_ohms=1.75,
    sensed=True,
    transmitter=PaperTransmitter(0.42e-3, 1.42e-3),
    excitation_volts=10.0,
    regulated_at_sense=True,
    loop=None,
    lower=0.0,
    upper=1000.0,
    digit=0.2,
    dead_load=420.0,
    u_dead_load=2.0,
    tolerances=TOLERANCES,
)


def visit(plant: Plant, faults: list[Fault]) -> ChainReadings:
    """As found, a known load and four corners; mA and mV/V fed; nothing taken apart but pairs."""
    states = {
        "empty": LoadState(name="empty", live=0.0, u_live=0.2),
        "known": LoadState(name="known", live=800.0, u_live=0.3),
    }
    states |= {
        f"corner {k + 1}": LoadState(name=f"corner {k + 1}", live=200.0, u_live=0.1, corner=k)
        for k in range(4)
    }
    rows: list[Row] = []
    for name, state in states.items():
        corner = None if state.corner is None else state.corner + 1
        forces = plant.forces(state.live * G, corner)
        point = steady(plant, forces, faults)
        shown = float(point.value[0])
        rows.append(Row(kind=Kind.SHOWN, value=shown, u=0.06, state=name))
        if state.corner is None:
            rows += _places(point, name)
        if name == "empty":
            rows += _excitation(point)
            rows += _lifted(plant, faults, name, list(forces))
    return ChainReadings(states=states, rows=(*rows, *_fed(plant)))


@pytest.mark.parametrize("joined", [True, False])
def test_a_cell_of_six_wires_loses_what_its_own_cable_takes(joined: bool) -> None:
    """The divider of the papers against the general circuit; 350.3 + 2 x 17.5 + 2 x 0.35 ohm."""
    kept = excitation_kept(386.0, 0.35, joined=joined)
    assert kept == pytest.approx(385.3 / (385.65 if joined else 386.0))
    cell = replace(CELL, description=replace(DESCRIPTION, wires=6), sense_joined=joined)
    plant = replace(PLANT, cells=[cell] * 4)
    papers = replace(
        PAPERS, cells=tuple(replace(cell, excitation_kept=kept) for cell in PAPERS.cells)
    )
    read = _ratio(steady(plant, plant.forces(800 * G), []), "box", "box Ex")
    # the rest is two screws of the box in a cell's excitation, 26 ppm of 385 ohm
    assert read == pytest.approx(papers.box_ratio((305.0,) * 4), rel=3e-5)
    assert papers.box_ratio((305.0,) * 4) < PAPERS.box_ratio((305.0,) * 4) * (1 - 8e-4)


def _ratio(point: ChainPoint, at: str, per: str) -> float:
    signal = point.volts(f"{at} S+", f"{at} S-")
    return float((signal / point.volts(f"{per}+", f"{per}-"))[0])


def _places(point: ChainPoint, state: str) -> list[Row]:
    at_box = _ratio(point, "box", "box Ex")
    at_end = _ratio(point, "transmitter", "transmitter Se")
    amps = float(point.amps[0])
    return [
        Row(kind=Kind.BOX_RATIO, value=at_box, u=1e-7, state=state),
        Row(kind=Kind.TERMINAL_RATIO, value=at_end, u=1e-7, state=state),
        Row(kind=Kind.RECEIVED, value=amps, u=2e-6, state=state),
    ]


def _excitation(point: ChainPoint) -> list[Row]:
    ends = {at: float(point.volts(f"{at}+", f"{at}-")[0]) for at in ("transmitter Ex", "box Ex")}
    sense = float(point.volts("transmitter Se+", "transmitter Se-")[0])
    there, here = ends.values()
    return [
        Row(kind=Kind.EXCITATION, value=there, u=5e-4),
        Row(kind=Kind.BOX_SHARE, value=here / there, u=5e-5),
        Row(kind=Kind.SENSE, value=sense / here, u=5e-5),
    ]


def _lifted(plant: Plant, faults: list[Fault], state: str, forces: list[float]) -> list[Row]:
    rows = []
    for k in range(4):
        screws = [f"cell {k + 1} terminal {lead}" for lead in ("S+", "S-")]
        kept = [f for f in faults if not (isinstance(f, Opened) and f.element in screws)]
        point = steady(plant, forces, [*kept, *map(Opened, screws)])
        own = _ratio(point, f"cell {k + 1}", "box Ex")
        rows.append(Row(kind=Kind.CELL_RATIO, value=own, u=1e-7, state=state, cell=k))
    return rows


def _fed(plant: Plant) -> list[Row]:
    rows = []
    for fed in (0.42e-3, 0.92e-3, 1.42e-3):
        amps = float(plant.transmitter.amps(fed))
        rows.append(Row(kind=Kind.FED_TERMINALS_SENT, value=amps, u=3e-6, fed=fed))
    for fed in (4e-3, 12e-3, 20e-3):
        shown = float(plant.card.value(fed))
        rows.append(Row(kind=Kind.FED_CURRENT_SHOWN, value=shown, u=0.15, fed=fed))
    return rows


def judged(plant: Plant, faults: list[Fault]) -> Isolation:
    return isolate(PAPERS, visit(plant, faults))


def test_the_sound_chain_is_none_found() -> None:
    assert judged(PLANT, []).answer is Answer.NONE_FOUND


CASES: list[tuple[str, Plant, list[Fault], Block]] = [
    (
        "open pair",
        PLANT,
        [Opened("cell 2 terminal S+"), Opened("cell 2 terminal S-")],
        Block.BOX,
    ),
    ("one open screw", PLANT, [Opened("cell 3 terminal S-")], Block.BOX),
    ("leak at the box", PLANT, [Leak("box S+", "box Ex-", 100e3)], Block.BOX),
    ("leak in a cell", PLANT, [Leak("cell 2 S+", "cell 2 Ex-", 50e3)], Block.CELL),
    (
        "plastic set",
        replace(PLANT, cells=[CELL, replace(CELL, zero=0.4e-3), CELL, CELL]),
        [],
        Block.CELL,
    ),
    ("sense links missing", replace(PLANT, sense="missing"), [], Block.CABLE),
    ("sense at the transmitter", replace(PLANT, sense="transmitter"), [], Block.CABLE),
    ("voltage on the way", PLANT, [SeriesEmf("home run S+", 0.2e-3)], Block.CABLE),
    (
        "transmitter range",
        replace(PLANT, transmitter=replace(PLANT.transmitter, gain=1.01)),
        [],
        Block.TRANSMITTER,
    ),
    ("0 to 20 mA card", replace(PLANT, card=replace(PLANT.card, zero_amps=0.0)), [], Block.CONTROL),
    ("pipes", replace(PLANT, pipe_share=0.02), [], Block.MECHANICS),
]


@pytest.mark.parametrize(
    ("plant", "faults", "block"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_the_block_of_a_fault_of_the_plant_is_named(
    plant: Plant, faults: list[Fault], block: Block
) -> None:
    found = judged(plant, faults)

    assert found.suspects[0].block is block, found.because
    assert found.answer in (Answer.BLOCK, Answer.UNDECIDED)
    assert found.answer is Answer.BLOCK or found.suspects[0].probability > 0.5


def test_current_lost_in_the_loop_is_left_between_loop_and_transmitter_when_one_end_is_read() -> (
    None
):
    # a leak across the card: only what arrives was read, and the transmitter by itself is right
    found = judged(PLANT, [Leak("card in", "card common", 25e3)])

    assert found.suspects[0].block is Block.LOOP
