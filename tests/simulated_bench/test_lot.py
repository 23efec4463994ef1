"""A lot of sixty cells: each its own, all within the type, and one that only the lot betrays."""

from __future__ import annotations

import numpy as np

from simulated_bench.on_the_bench import true_papers
from simulated_bench.scenario import read_scenario

LOT = range(1, 61)
SEED = 1
TOLERANCE = (349.0, 353.0)  # ohm, data sheet of the type
HELD_FROM = 4.0  # robust sigma: common practice, no source


def output_ohms(drawn: int) -> float:
    _, scenario = read_scenario("lot")
    return true_papers(scenario.cell.model_copy(update={"drawn": drawn}), SEED).output_ohms


def test_no_two_cells_of_a_lot_are_alike_and_the_same_seed_gives_them_again() -> None:
    lot = [output_ohms(number) for number in LOT]
    assert len(set(lot)) == len(lot)
    assert lot == [output_ohms(number) for number in LOT]


def test_the_outlier_is_within_its_data_sheet_and_far_from_its_lot() -> None:
    _, scenario = read_scenario("lot-outlier")
    number = scenario.cell.drawn
    assert number in LOT
    outlier = true_papers(scenario.cell, SEED).output_ohms
    lot = np.array([outlier if each == number else output_ohms(each) for each in LOT])
    assert ((TOLERANCE[0] < lot) & (lot < TOLERANCE[1])).all()
    centre = np.median(lot)
    # 1.4826 times the median absolute deviation estimates sigma of a normal population
    sigma = 1.4826 * np.median(np.abs(lot - centre))
    held = [
        each for each, ohms in zip(LOT, lot, strict=True) if abs(ohms - centre) > HELD_FROM * sigma
    ]
    assert held == [number]
