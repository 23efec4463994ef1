from __future__ import annotations

import numpy as np
import pytest

from acq.analysis import fault_changes as changes
from acq.analysis.expectation import COUNT, ExpectedCell, readings, sound_readings
from acq.analysis.fault_lines import Line, LineMaker
from acq.analysis.fault_models import all_lines
from acq.analysis.faults import Fault
from acq.analysis.leads import Lead, lead_pairs
from acq.analysis.network import Floats
from acq.analysis.population import Population

CELL = ExpectedCell(wires=6, arm_ohms=350.5, legs_ohms=(17.5, 17.5), conductor_ohms=0.35)
POPULATION = Population()
MAKER = LineMaker(CELL, POPULATION, lead_pairs(6))
LINES = all_lines(MAKER)
EXACT = [line for line in LINES if line.change is not None and not line.open.any()]
FOUR_ARMS = {Fault.PLASTIC_SET, Fault.SIDE_LOAD_SET, Fault.FATIGUE_CRACK, Fault.BOND_FAILURE}


def name(line: Line) -> str:
    return str(line.shares[0][0])


def exact(line: Line, size: float) -> Floats:
    assert line.change is not None
    z = np.zeros((1, COUNT))
    return np.asarray(readings(CELL, POPULATION, z, lead_pairs(6), line.change(size))[0])


@pytest.mark.parametrize("line", EXACT, ids=name)
def test_readings_move_along_a_straight_line_at_any_size_of_a_fault(line: Line) -> None:
    sizes = 0.5 * (line.prior.lower + line.prior.upper)
    four_arms = line.shares[0][0].fault in FOUR_ARMS
    slack = 2e-3 if four_arms else 2e-6
    for size in sizes[:: max(1, len(sizes) // 6)]:
        found = exact(line, float(size))
        along = (found - line.base) @ line.step / (line.step @ line.step)
        off = found - line.base - along * line.step
        assert np.abs(off).max() <= slack * np.abs(line.step).max() + 1e-7
        if line.shares[0][0].fault is not Fault.LEAD_SHORT:  # its ohms are counted at the plug
            assert along == pytest.approx(size, rel=3e-3, abs=1e-9)


def test_six_pairs_of_known_faults_are_those_of_an_independent_nodal_solution() -> None:
    # arms 350.5, legs 17.5, conductors 0.35 ohm; a 50-digit solution of the same network
    cell = ExpectedCell(
        wires=4, arm_ohms=350.5, legs_ohms=(17.5, 17.5), conductor_ohms=0.35, celsius=20.0
    )
    pairs = lead_pairs(4)
    z = np.zeros((1, COUNT))
    opened = readings(cell, POPULATION, z, pairs, changes.arm_scaled("A", np.inf))[0]
    assert opened[[0, 5, 1]] == pytest.approx([736.70, 701.70, 1069.70], abs=0.01)
    assert opened[-1] / (2 * opened[0]) == pytest.approx(-0.47577, abs=1e-5)
    shorted = readings(cell, POPULATION, z, pairs, changes.arm_scaled("A", 0.0))[0]
    assert shorted[[0, 5, 1]] == pytest.approx([269.37, 234.37, 18.20], abs=0.01)
    assert shorted[-1] / (2 * shorted[0]) == pytest.approx(0.43373, abs=1e-5)
    touching = changes.leads_touch(Lead.EX_MINUS, Lead.S_PLUS, 1e4, 0.0)
    leaking = readings(cell, POPULATION, z, pairs, touching)[0]
    assert leaking[-1] / (2 * leaking[0]) == pytest.approx(-8.62e-3, abs=1e-5)


def test_slopes_say_how_a_sound_cell_moves() -> None:
    base, slopes = sound_readings(CELL, POPULATION, lead_pairs(6))
    rng = np.random.default_rng(5)
    z = np.zeros(COUNT)
    z[:17] = 0.3 * rng.normal(size=17)
    moved = readings(CELL, POPULATION, z[None], lead_pairs(6))[0]
    assert moved == pytest.approx(base + slopes @ z, abs=0.02)
    assert np.abs(moved - base).max() > 0.1


def test_two_faults_at_once_are_one_network() -> None:
    both = changes.arm_scaled("A", 1.08).then(changes.arm_scaled("C", 0.97))
    z = np.zeros((1, COUNT))
    pairs = lead_pairs(4)
    cell = ExpectedCell(
        wires=4, arm_ohms=350.5, legs_ohms=(17.5, 17.5), conductor_ohms=0.35, celsius=20.0
    )
    found = readings(cell, POPULATION, z, pairs, both)[0]
    assert found[-1] / (2 * found[0]) == pytest.approx(-24.38e-3, abs=2e-5)  # 50-digit solution
    touching = changes.leads_touch(Lead.EX_PLUS, Lead.S_PLUS, 1.0, 0.5)
    exchanged = changes.leads_exchanged(list(Lead)[:6])
    with pytest.raises(ValueError, match="no common model"):
        touching.then(exchanged)


def test_every_fault_that_a_network_shows_has_its_places() -> None:
    places = {place for line in LINES for place, _ in line.shares}
    kinds = {place.fault for place in places}
    elsewhere = {Fault.UNKNOWN, Fault.BUILT_IN_ELECTRONICS}
    assert kinds | elsewhere == set(Fault)
    assert len([p for p in places if p.fault is Fault.LEAD_SHORT and len(p.where) == 2]) == 15
    assert len([p for p in places if p.fault is Fault.OPEN_ARM]) == 4
