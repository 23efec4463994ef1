from __future__ import annotations

import numpy as np
import pytest

from acq.analysis.detection import DetectionLimit, detection_limits
from acq.analysis.expectation import COUNT, ExpectedCell
from acq.analysis.faults import NONE_FOUND, UNKNOWN, Fault, FaultAt
from acq.analysis.insulation_evidence import InsulationReadings
from acq.analysis.leads import ARMS, Lead, lead_pairs
from acq.analysis.network import Floats
from acq.analysis.population import Population
from acq.analysis.ranking import CellReadings, Ranker

CELL = ExpectedCell(wires=4, arm_ohms=350.0, legs_ohms=(17.0, 17.0), conductor_ohms=0.35)
RANKER = Ranker(CELL, Population(), lead_pairs(4))
LINES = {line.shares[0][0]: line for line in RANKER.lines}


def readings(ohms: Floats, **more: Floats) -> CellReadings:
    """Return cells from readings (cells, 7): pairs, then the zero in ohm."""
    bound = np.full((len(ohms), 3), 10.3)
    return CellReadings(
        pairs=np.maximum(ohms[:, :-1], 0.0),
        zero=ohms[:, -1] / (2.0 * ohms[:, 0]),
        emf=np.zeros(len(ohms)),
        insulation=InsulationReadings(bound, np.ones((len(ohms), 3), bool)),
        **more,
    )


def on_line(place: FaultAt, size: float) -> Floats:
    line = LINES[place]
    return np.asarray((line.base + size * line.step)[None])


def test_a_cell_as_expected_is_sound() -> None:
    ranking = RANKER.rank(readings(RANKER.lines[0].base[None]))
    assert ranking.faults[ranking.first[0]] == NONE_FOUND
    assert ranking.probability.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("arm", "ABCD")
@pytest.mark.parametrize("size", [0.02, -0.05, 0.4])
def test_a_changed_arm_is_found_with_its_size(arm: str, size: float) -> None:
    place = FaultAt(Fault.ARM_CHANGED, ARMS[arm])
    ranking = RANKER.rank(readings(on_line(place, size)))
    number = ranking.faults.index(place)
    assert ranking.faults[ranking.first[0]] == place
    assert ranking.size[0, number] == pytest.approx(size, abs=5 * ranking.sigma[0, number])
    assert ranking.chi_square[0, number] < 10.0


def test_many_cells_are_ranked_as_each_alone() -> None:
    rng = np.random.default_rng(4)
    places = list(LINES)
    rows = []
    for _ in range(150):
        line = LINES[places[rng.integers(len(places))]]
        at = 0.5 * (line.prior.lower + line.prior.upper)
        row = line.base + at[rng.integers(len(at))] * line.step + 0.05 * rng.normal(size=7)
        rows.append(np.where(line.open, np.inf, row))
    ohms = np.array(rows)
    zero = np.where(np.isfinite(ohms[:, -1]) & np.isfinite(ohms[:, 0]), ohms[:, -1], 0.0)
    pairs = np.maximum(ohms[:, :-1], 0.0)
    double = np.where(np.isfinite(pairs[:, 0]) & (pairs[:, 0] > 1.0), 2.0 * pairs[:, 0], 1.0)
    together = RANKER.rank(CellReadings(pairs=pairs, zero=zero / double))
    for cell in range(0, 150, 7):
        alone = RANKER.rank(
            CellReadings(pairs=pairs[cell : cell + 1], zero=zero[cell : cell + 1] / double[cell])
        )
        # sizes are integrated out by tables where there are many cells
        assert together.probability[cell] == pytest.approx(alone.probability[0], abs=0.03)


def test_without_a_zero_and_with_pairs_missing_the_rest_is_ranked() -> None:
    place = FaultAt(Fault.OPEN_ARM, ARMS["A"])
    pairs = on_line(place, 1.0)[:, :-1]
    pairs[0, [2, 5]] = np.nan
    ranking = RANKER.rank(CellReadings(pairs=pairs))
    assert ranking.faults[ranking.first[0]] == place


def test_opens_that_no_broken_lead_explains_are_unknown() -> None:
    pairs = RANKER.lines[0].base[None, :-1].copy()
    pairs[0, 1] = np.inf
    ranking = RANKER.rank(CellReadings(pairs=pairs))
    assert ranking.faults[ranking.first[0]] == UNKNOWN


def test_a_known_deviation_of_the_cell_is_not_taken_for_a_fault() -> None:
    """The same readings are a fault for one cell, and another cell's own papers explain them."""
    mean = np.zeros((1, COUNT))
    mean[0, 0] = 5.0  # arms five standard deviations up
    line = RANKER.lines[0]
    ohms = line.base[None] + mean @ line.base_slopes.T
    root = np.eye(COUNT)
    root[0, 0] = 0.1
    narrow = Ranker(CELL, Population(), lead_pairs(4), root=root)
    known = narrow.rank(readings(ohms, mean=mean))
    unknown = narrow.rank(readings(ohms, mean=np.zeros((1, COUNT))))
    assert known.faults[known.first[0]] == NONE_FOUND
    assert unknown.faults[unknown.first[0]] != NONE_FOUND


def test_none_found_stands_unless_a_fault_is_three_times_as_probable() -> None:
    place = FaultAt(Fault.ARM_CHANGED, ARMS["A"])
    sound = RANKER.faults.index(NONE_FOUND)
    sizes = np.linspace(0.0005, 0.004, 60)
    ranking = RANKER.rank(readings(np.concatenate([on_line(place, s) for s in sizes])))
    best = ranking.probability.max(-1)
    named = ranking.first != sound
    assert (best[named] > 3.0 * ranking.probability[named, sound]).all()
    doubtful = (best > ranking.probability[:, sound]) & (best < 3.0 * ranking.probability[:, sound])
    assert (ranking.first[doubtful] == sound).all()


def test_beyond_its_detection_limit_a_fault_is_named_and_short_of_it_not_always() -> None:
    limits = detection_limits(RANKER)
    place = FaultAt(Fault.ARM_CHANGED, ARMS["B"])
    (limit,) = limits[place]
    assert limit.size is not None
    assert 0.1 < limit.size < 3.0  # percent
    for factor, found in ((2.0, True), (0.05, False)):
        change = factor * limit.size / 100.0
        ranking = RANKER.rank(readings(on_line(place, change / (4.0 + change))))
        assert (ranking.faults[ranking.first[0]] == place) is found
    assert limit.detects(3.0 * limit.size)
    assert not limit.detects(0.3 * limit.size)


def test_what_readings_cannot_show_has_no_detection_limit() -> None:
    limits = detection_limits(RANKER)
    (turned,) = limits[FaultAt(Fault.SWAPPED_LEADS, (Lead.S_PLUS, Lead.S_MINUS))]
    assert turned.size is None
    assert turned.text == "not from these readings"
    (wet,) = limits[FaultAt(Fault.MOISTURE_IN_CELL, (Lead.HOUSING,))]
    assert wet.size is not None
    assert wet.size > 1e8
    assert wet.text.startswith("up to")


def test_a_limit_holds_up_to_a_part_of_the_cable() -> None:
    place = FaultAt(Fault.LEAD_SHORT, (Lead.EX_PLUS, Lead.S_MINUS))
    limit = DetectionLimit(place, 18.8, "ohm", smaller_is_worse=True, reach=0.6)
    assert limit.detects(5.0, along=0.5)
    assert not limit.detects(5.0, along=0.7)
    assert not limit.detects(25.0, along=0.1)
    assert limit.text == "up to 18.8 ohm, in the 60% of the cable next to the plug"
