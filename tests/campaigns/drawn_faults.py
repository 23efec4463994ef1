"""Put one fault into each of some drawn cells; sizes as `acq.analysis.fault_models` states them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import numpy as np

from acq.analysis.fault_models import UPWARDS
from acq.analysis.faults import Fault, FaultAt
from acq.analysis.leads import ARMS, Lead
from acq.analysis.leak_models import BETWEEN_TWO
from tests.campaigns.drawn_cells import BRIDGE, FAULTS, SIX, Drawn

Rng = np.random.Generator


def spoil(rng: Rng, cells: Drawn, cell: int, fault: Fault) -> None:
    """Put a fault of random place and size into one cell, and note what it was."""
    MAKERS[fault](rng, cells, cell)


def possible(cells: Drawn) -> list[Fault]:
    """Return the faults that cells of this type can have."""
    return [x for x in FAULTS if cells.type.wires == 6 or x is not Fault.OPEN_SENSE_LEAD]


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _sign(rng: Rng) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _leads(cells: Drawn) -> list[Lead]:
    return [x for x in SIX if cells.type.wires == 6 or not x.startswith("Se")]


def _note(cells: Drawn, cell: int, fault: Fault, where: tuple[Lead, ...], size: float) -> None:
    cells.truth[cell] = FaultAt(fault, where)
    cells.size[cell] = size


def _open_lead(rng: Rng, cells: Drawn, cell: int) -> None:
    lead = BRIDGE[rng.integers(4)]
    cells.conductors[cell, SIX.index(lead)] = np.inf
    _note(cells, cell, Fault.OPEN_LEAD, (lead,), np.inf)


def _open_sense_lead(rng: Rng, cells: Drawn, cell: int) -> None:
    lead = (Lead.SE_PLUS, Lead.SE_MINUS)[rng.integers(2)]
    cells.conductors[cell, SIX.index(lead)] = np.inf
    _note(cells, cell, Fault.OPEN_SENSE_LEAD, (lead,), np.inf)


def _lead_short(rng: Rng, cells: Drawn, cell: int) -> None:
    leads = list(combinations(_leads(cells), 2))
    one, other = leads[rng.integers(len(leads))]
    ohms = _log(rng, 1e-3, 30.0)
    cells.along[cell] = rng.uniform()
    _path(cells, cell, (str(one), str(other)), ohms)
    _note(cells, cell, Fault.LEAD_SHORT, (one, other), ohms)


def _path(cells: Drawn, cell: int, nodes: tuple[str, str], ohms: float) -> None:
    cells.between.setdefault(nodes, np.full(cells.count, np.inf))[cell] = ohms


def _open_arm(rng: Rng, cells: Drawn, cell: int) -> None:
    factor = np.inf if rng.uniform() < 0.85 else _log(rng, 40.0, 1e5)
    _arm(rng, cells, cell, Fault.OPEN_ARM, factor)


def _shorted_arm(rng: Rng, cells: Drawn, cell: int) -> None:
    _arm(rng, cells, cell, Fault.SHORTED_ARM, _log(rng, 1e-6, 0.01))


def _arm_changed(rng: Rng, cells: Drawn, cell: int) -> None:
    up = rng.uniform() < UPWARDS
    change = _log(rng, 0.002, 20.0) if up else -_log(rng, 0.002, 0.95)
    _arm(rng, cells, cell, Fault.ARM_CHANGED, 1.0 + change)


def _zero_compensation(rng: Rng, cells: Drawn, cell: int) -> None:
    change = _sign(rng) * _log(rng, 1.5e-4, 1.7e-3)
    _arm(rng, cells, cell, Fault.ZERO_COMPENSATION_FAILED, 1.0 + change)


def _arm(rng: Rng, cells: Drawn, cell: int, fault: Fault, factor: float) -> None:
    place = rng.integers(4)
    cells.arms[cell, place] *= factor
    _note(cells, cell, fault, ARMS["ABCD"[place]], factor - 1.0)


def _moisture_in_cell(rng: Rng, cells: Drawn, cell: int) -> None:
    _moisture(rng, cells, cell, 0)


def _moisture_in_cable(rng: Rng, cells: Drawn, cell: int) -> None:
    _moisture(rng, cells, cell, 1)


def _moisture(rng: Rng, cells: Drawn, cell: int, path: int) -> None:
    fault = (Fault.MOISTURE_IN_CELL, Fault.MOISTURE_IN_CABLE)[path]
    where = (Lead.HOUSING, Lead.SHIELD)[path]
    if rng.uniform() >= BETWEEN_TWO:
        ohms = 10.0 ** rng.uniform(3.3, 9.2)
    else:
        between = _log(rng, 1e3, 1e7)
        pairs = list(combinations([f"pad {lead}" for lead in BRIDGE], 2))
        _path(cells, cell, pairs[rng.integers(6)], between)
        alone = rng.uniform() < 0.15
        ohms = np.inf if alone else max(between * 10.0 ** rng.normal(1.0, 0.5), 2e3)
    cells.paths[cell, path] = min(ohms, cells.paths[cell, path])
    if rng.uniform() < 0.3:
        cells.emf[cell] += _sign(rng) * _log(rng, 1.5e-6, 5e-3)
    _note(cells, cell, fault, (where,), ohms)


def _shield_to_housing(rng: Rng, cells: Drawn, cell: int) -> None:
    cells.paths[cell, 2] = 10.0 ** rng.uniform(-2.0, 8.0)
    where = (Lead.SHIELD, Lead.HOUSING)
    _note(cells, cell, Fault.SHIELD_TO_HOUSING, where, cells.paths[cell, 2])


def _plastic_set(rng: Rng, cells: Drawn, cell: int) -> None:
    share = _sign(rng) * _log(rng, 0.005, 1.5)
    expected = cells.type.expected
    unbalance = share * expected.rated_output * expected.input_ohms / expected.arm_ohms
    cells.arms[cell] *= 1.0 + unbalance * np.array([-1.0, 1.0, 1.0, -1.0])
    _note(cells, cell, Fault.PLASTIC_SET, (), share)


def _swapped(rng: Rng, cells: Drawn, cell: int) -> None:
    leads = _leads(cells)
    pairs = list(combinations(leads, 2))
    chosen = rng.integers(len(pairs) + 2)
    order = list(SIX)
    if chosen < len(pairs):
        where: tuple[Lead, ...] = pairs[chosen]
        one, other = (SIX.index(x) for x in where)
        order[one], order[other] = order[other], order[one]
    else:
        where = BRIDGE
        for one, other in ((0, 4), (1, 5)):
            order[one], order[other] = order[other], order[one]
    cells.order[cell] = tuple(order)
    _note(cells, cell, Fault.SWAPPED_LEADS, where, np.nan)


def _compensation(rng: Rng, cells: Drawn, cell: int) -> None:
    sides = [side for side in (0, 1) if cells.type.legs_ohms[side] > 0]
    side = sides[rng.integers(len(sides))]
    kind = rng.choice(["shorted", "changed", "open"], p=[0.5, 0.2, 0.3])
    if kind == "changed":
        factor = 1.0 + _sign(rng) * _log(rng, 0.03, 0.9)
    else:
        factor = 0.0 if kind == "shorted" else np.inf
    cells.legs[cell, side] *= factor
    where = ((Lead.EX_PLUS,), (Lead.EX_MINUS,))[side]
    _note(cells, cell, Fault.COMPENSATION_FAILED, where, factor - 1.0)


def _loose_joint(rng: Rng, cells: Drawn, cell: int) -> None:
    leads = _leads(cells)
    weights = np.array([0.7] * len(leads) + [0.3] * 4)
    chosen = int(rng.choice(len(weights), p=weights / weights.sum()))
    ohms = _log(rng, 0.05, 30.0)
    if chosen < len(leads):
        where: tuple[Lead, ...] = (leads[chosen],)
        cells.conductors[cell, SIX.index(leads[chosen])] += ohms
    else:
        where = ARMS["ABCD"[chosen - len(leads)]]
        cells.arms[cell, chosen - len(leads)] += ohms
    _note(cells, cell, Fault.LOOSE_JOINT, where, ohms)


def _not_soaked(rng: Rng, cells: Drawn, cell: int) -> None:
    kelvin = _sign(rng) * _log(rng, 0.5, 20.0)
    cells.body_kelvin[cell] = kelvin
    _note(cells, cell, Fault.NOT_SOAKED, (), kelvin)


def _thermal_emf(rng: Rng, cells: Drawn, cell: int) -> None:
    volts = _sign(rng) * _log(rng, 1.5e-6, 3e-4)
    cells.emf[cell] += volts
    _note(cells, cell, Fault.THERMAL_EMF, (), volts)


def _wrong_cable(rng: Rng, cells: Drawn, cell: int) -> None:
    conductor = cells.type.conductor_ohms
    if rng.uniform() < 0.7:
        share = _log(rng, 0.05, max(1.0, 4.0 / conductor))
    else:
        share = -_log(rng, 0.05, 0.95)
    # the same sort of cable, longer or shorter; the clips stay as they are
    cells.conductors[cell] += share * cells.cable[cell]
    _note(cells, cell, Fault.WRONG_CABLE_LENGTH, (), share)


def _wrong_papers(rng: Rng, cells: Drawn, cell: int) -> None:
    """Another sound cell: the same or another nominal, legs and cable of its own."""
    of, nominal = cells.type, cells.type.nominal_ohms
    factor = 1.0 + rng.uniform(-0.006, 0.006)
    if rng.uniform() >= 0.5:
        others = [x for x in (120.0, 350.0, 700.0, 1000.0, 2000.0) if abs(x / nominal - 1) > 0.1]
        factor = others[rng.integers(len(others))] / nominal * (1 + rng.uniform(-0.015, 0.015))
    cells.arms[cell] *= factor
    total = factor * sum(of.legs_ohms) + 0.05 * nominal * factor * rng.normal()
    share = of.legs_ohms[0] / sum(of.legs_ohms)
    cells.legs[cell] = max(total, 0.01) * np.array([share, 1.0 - share])
    change = 0.5 * rng.normal()
    while change < 0.01 - cells.conductors[cell].min():
        change = 0.5 * rng.normal()
    cells.conductors[cell] += change
    cells.mean[cell] = cells.mean[rng.integers(cells.count)]
    _note(cells, cell, Fault.WRONG_PAPERS, (), factor - 1.0)


MAKERS: dict[Fault, Callable[[Rng, Drawn, int], None]] = {
    Fault.OPEN_LEAD: _open_lead,
    Fault.OPEN_SENSE_LEAD: _open_sense_lead,
    Fault.LEAD_SHORT: _lead_short,
    Fault.OPEN_ARM: _open_arm,
    Fault.SHORTED_ARM: _shorted_arm,
    Fault.ARM_CHANGED: _arm_changed,
    Fault.MOISTURE_IN_CELL: _moisture_in_cell,
    Fault.MOISTURE_IN_CABLE: _moisture_in_cable,
    Fault.SHIELD_TO_HOUSING: _shield_to_housing,
    Fault.PLASTIC_SET: _plastic_set,
    Fault.SWAPPED_LEADS: _swapped,
    Fault.COMPENSATION_FAILED: _compensation,
    Fault.ZERO_COMPENSATION_FAILED: _zero_compensation,
    Fault.LOOSE_JOINT: _loose_joint,
    Fault.NOT_SOAKED: _not_soaked,
    Fault.THERMAL_EMF: _thermal_emf,
    Fault.WRONG_CABLE_LENGTH: _wrong_cable,
    Fault.WRONG_PAPERS: _wrong_papers,
}
