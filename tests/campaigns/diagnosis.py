"""The campaign: thousands of drawn cells diagnosed; `diagnosis_table` writes what came of it.

Cells and readings come from the simulated circuit (`drawn_cells`, `drawn_faults`), which shares
nothing with the analysis but the stated population.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.arms import Assumption, identify
from acq.analysis.detection import DetectionLimit, detection_limits
from acq.analysis.expectation import COUNT
from acq.analysis.faults import Fault, FaultAt
from acq.analysis.leads import FOUR_WIRE_PAIRS, lead_pairs
from acq.analysis.network import Floats, predicted_zero
from acq.analysis.papers import condition, learned_legs
from acq.analysis.ranking import CellReadings, Ranker, Ranking
from tests.campaigns.drawn_cells import (
    POPULATION,
    CellType,
    Drawn,
    draw,
    draw_types,
    read,
    true_zero,
)
from tests.campaigns.drawn_faults import possible, spoil

RECORD = "earlier record"
Z95 = 1.959963984540054
ARMS_KNOWN = frozenset(
    {
        Fault.NONE_FOUND,
        Fault.ARM_CHANGED,
        Fault.ZERO_COMPENSATION_FAILED,
        Fault.PLASTIC_SET,
        Fault.THERMAL_EMF,
        Fault.SHIELD_TO_HOUSING,
    }
)
"""Faults under which the assumption about the compensation still holds."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One cell: what was wrong, whether beyond the limit, what was answered and how surely."""

    papers: str
    wires: int
    nominal: float
    truth: FaultAt
    size: float
    detectable: bool
    answer: FaultAt
    chance: float

    @property
    def right(self) -> bool:
        return self.answer.fault is self.truth.fault

    @property
    def placed(self) -> bool:
        return self.answer == self.truth


@dataclass(slots=True)
class Results:
    """All outcomes, and how often 95 % intervals held what they should."""

    outcomes: list[Outcome]
    covered: Counter[str]
    intervals: Counter[str]
    limits: dict[str, list[str]]


def run(seed: int, types: int, cells: int, records: int) -> Results:
    """Draw `types` types with `cells` cells each; of each with earlier records only `records`."""
    rng = np.random.default_rng(seed)
    results = Results([], Counter(), Counter(), {})
    for of in draw_types(rng, types):
        count = records if of.papers == RECORD else cells
        drawn = draw(rng, of, count, POPULATION)
        for cell in range(count):
            if rng.uniform() < 0.5:
                faults = possible(drawn)
                spoil(rng, drawn, cell, faults[rng.integers(len(faults))])
        readings = read(rng, drawn, POPULATION)
        _judge(results, drawn, readings)
        _cover(results, drawn, readings)
    return results


def _judge(results: Results, drawn: Drawn, readings: CellReadings) -> None:
    ranker = _ranker(drawn.type)
    limits = detection_limits(ranker)
    _note_limits(results, drawn.type, limits)
    if drawn.type.papers == RECORD:
        for cell in range(drawn.count):
            own, one = _own(drawn, readings, cell)
            _take(results, drawn, own.rank(one), limits, [cell])
    else:
        _take(results, drawn, ranker.rank(readings), limits, range(drawn.count))


def _ranker(of: CellType) -> Ranker:
    root = condition(of.expected, POPULATION, of.earlier).root if of.earlier else None
    return Ranker(of.expected, POPULATION, lead_pairs(of.wires), root=root)


def _own(drawn: Drawn, readings: CellReadings, cell: int) -> tuple[Ranker, CellReadings]:
    """Return a ranker for one cell whose papers show its own legs."""
    expected, mean = learned_legs(drawn.type.expected, POPULATION, drawn.mean[cell])
    known = condition(drawn.type.expected, POPULATION, drawn.type.earlier)
    ranker = Ranker(expected, POPULATION, lead_pairs(drawn.type.wires), root=known.root)
    return ranker, one_cell(readings, cell, mean)


def one_cell(readings: CellReadings, cell: int, mean: Floats) -> CellReadings:
    """Return a batch of one."""
    assert readings.zero is not None
    assert readings.emf is not None
    assert readings.insulation is not None
    assert readings.scatter is not None
    at = slice(cell, cell + 1)
    insulation = type(readings.insulation)(
        readings.insulation.decades[at], readings.insulation.above[at]
    )
    return CellReadings(
        pairs=readings.pairs[at],
        zero=readings.zero[at],
        emf=readings.emf[at],
        insulation=insulation,
        scatter=readings.scatter[at],
        repeats=readings.repeats,
        mean=mean[None],
    )


def _take(
    results: Results,
    drawn: Drawn,
    ranking: Ranking,
    limits: Mapping[FaultAt, tuple[DetectionLimit, ...]],
    cells: Sequence[int],
) -> None:
    of = drawn.type
    for row, cell in enumerate(cells):
        answer = int(ranking.first[row])
        truth, size = drawn.truth[cell], float(drawn.size[cell])
        results.outcomes.append(
            Outcome(
                of.papers,
                of.wires,
                of.nominal_ohms,
                truth,
                size,
                beyond(limits, truth, _in_unit(of, truth.fault, size), float(drawn.along[cell])),
                ranking.faults[answer],
                float(ranking.probability[row, answer]),
            )
        )


def beyond(
    limits: Mapping[FaultAt, tuple[DetectionLimit, ...]],
    truth: FaultAt,
    size: float,
    along: float = 0.0,
) -> bool:
    """Return whether a fault is beyond its stated limit; the way that has such sizes decides."""
    ways = limits.get(truth, ())
    sized = [x for x in ways if x.unit and np.isfinite(size)]
    if truth.fault is Fault.COMPENSATION_FAILED:
        exact = abs(abs(size) - 100.0) < 1e-6 and size < 0
        sized = [x for x in sized if (x.least == x.most) == exact]
    chosen = sized or [x for x in ways if not x.unit] or list(ways)
    return bool(chosen) and all(
        x.detects(size, along) or (not x.unit and x.size is not None) for x in chosen
    )


def _in_unit(of: CellType, fault: Fault, size: float) -> float:
    """Return a drawn size in the unit of its limit."""
    match fault:
        case Fault.ARM_CHANGED | Fault.OPEN_ARM | Fault.COMPENSATION_FAILED | Fault.PLASTIC_SET:
            return 100.0 * size
        case Fault.WRONG_CABLE_LENGTH | Fault.WRONG_PAPERS:
            return 100.0 * size
        case Fault.ZERO_COMPENSATION_FAILED:
            return of.nominal_ohms * size
        case Fault.SHORTED_ARM:
            return of.nominal_ohms * (1.0 + size)
        case Fault.THERMAL_EMF:
            return 1e6 * size
    return size


SHOWN = (
    Fault.ARM_CHANGED,
    Fault.PLASTIC_SET,
    Fault.ZERO_COMPENSATION_FAILED,
    Fault.LOOSE_JOINT,
    Fault.LEAD_SHORT,
    Fault.MOISTURE_IN_CELL,
    Fault.NOT_SOAKED,
    Fault.WRONG_CABLE_LENGTH,
    Fault.THERMAL_EMF,
)


def _note_limits(
    results: Results, of: CellType, limits: Mapping[FaultAt, tuple[DetectionLimit, ...]]
) -> None:
    for place, ways in limits.items():
        for way in ways:
            if place.fault in SHOWN:
                key = f"{place.fault}|{of.papers}|{way.unit}"
                size = "never" if way.size is None else f"{way.size:.6g}"
                results.limits.setdefault(key, []).append(size)


def _cover(results: Results, drawn: Drawn, readings: CellReadings) -> None:
    """Count how often 95 % intervals of arms and of the predicted zero hold the truth."""
    fits = [
        cell
        for cell in range(drawn.count)
        if drawn.truth[cell].fault in ARMS_KNOWN and (drawn.arms[cell] < 1e4).all()
    ]
    if not fits:
        return
    of, expected = drawn.type, drawn.type.expected
    warm = 1.0 + POPULATION.spread.leg_per_kelvin * (of.celsius - 20.0)
    total = sum(of.legs_ohms) * warm
    share = of.legs_ohms[0] / sum(of.legs_ohms)
    copper = of.conductor_ohms * (230.0 + of.celsius) / 250.0
    assumption = Assumption(
        share=share,
        split_ohms=POPULATION.spread.leg_split * total * (0.0 < share < 1.0),
        conductor_ohms=copper,
        conductor_uncertainty=POPULATION.spread.conductor_common * copper,
    )
    pairs = lead_pairs(of.wires)
    found = identify(pairs, readings.pairs[fits], assumption, meters=POPULATION.meters)
    away = np.abs(found.arms - drawn.arms[fits]) / found.arm_uncertainty
    name = f"arms, {of.wires} wires"
    results.covered[name] += int((away < Z95).sum())
    results.intervals[name] += away.size
    columns = {p: readings.pairs[fits, pairs.index(p)] for p in FOUR_WIRE_PAIRS}
    spread = POPULATION.meters.noise_ohms / columns[FOUR_WIRE_PAIRS[0]]
    missed = np.abs(predicted_zero(columns) - true_zero(drawn)[fits]) / spread
    results.covered["predicted zero"] += int((missed < Z95).sum())
    results.intervals["predicted zero"] += missed.size
    assert expected.wires == of.wires
    assert drawn.mean.shape[1] == COUNT
