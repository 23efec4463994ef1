from __future__ import annotations

import numpy as np
import pytest

from acq.analysis.expectation import COUNT, DEVIATES, PLACE, ExpectedCell, readings, zero_as_ohms
from acq.analysis.leads import INPUT, OUTPUT, lead_pairs
from acq.analysis.papers import EarlierReadings, condition, learned_legs
from acq.analysis.population import Population

CELL = ExpectedCell(
    wires=4, arm_ohms=350.0, legs_ohms=(17.0, 17.0), conductor_ohms=0.35, zero_uncertainty=2e-5
)
POPULATION = Population()
SHEET = EarlierReadings(pairs=(INPUT, OUTPUT), uncertainties=(0.25, 0.25), zero_uncertainty=2e-6)


def test_a_calibration_sheet_moves_and_narrows_what_is_expected() -> None:
    """Against brute force: drawn cells, each weighted by how well it agrees with its sheet."""
    rng = np.random.default_rng(8)
    z = np.zeros((400_000, COUNT))
    z[:, : len(DEVIATES)] = rng.normal(size=(400_000, len(DEVIATES)))
    z[:, [PLACE["gain"], PLACE["offset"], PLACE["temperature"]]] = 0.0
    sheet = readings(CELL, POPULATION, z, (INPUT, OUTPUT))
    stated = np.array([386.0, 351.5, zero_as_ohms(np.array(1.5e-5), np.array(386.0))])
    uncertain = np.array([0.25, 0.25, 2 * CELL.input_ohms * 2e-6])
    weight = np.exp(-0.5 * (((sheet - stated) / uncertain) ** 2).sum(-1))
    assert weight.sum() ** 2 / (weight**2).sum() > 300  # cells that count
    known = condition(CELL, POPULATION, [SHEET])
    mean = known.mean(stated[None])[0]
    spread = np.sqrt(np.diag(known.root @ known.root.T))
    for name in ("arms", "legs", "zero", "top-bottom"):
        column = z[:, PLACE[name]]
        expected = np.average(column, weights=weight)
        scatter = np.sqrt(np.average((column - expected) ** 2, weights=weight))
        assert mean[PLACE[name]] == pytest.approx(expected, abs=0.3 * scatter)
        assert spread[PLACE[name]] == pytest.approx(scatter, rel=0.2)


def test_what_a_sheet_cannot_know_stays_as_it_was() -> None:
    known = condition(CELL, POPULATION, [SHEET])
    spread = np.sqrt(np.diag(known.root @ known.root.T))
    for name in ("gain", "offset", "temperature", "left-right"):
        assert spread[PLACE[name]] == pytest.approx(1.0, abs=1e-6)
    assert spread[PLACE["arms"]] < 0.3


def test_an_earlier_record_of_all_pairs_knows_the_split_of_the_legs() -> None:
    pairs = lead_pairs(4)
    record = EarlierReadings(
        pairs=pairs, uncertainties=(0.004,) * 6, gain=6e-5, offset_ohms=0.006, zero_uncertainty=5e-7
    )
    known = condition(CELL, POPULATION, [record])
    z = np.zeros((1, COUNT))
    z[0, PLACE["legs"]], z[0, PLACE["split"]] = 0.8, -1.5
    mean = known.mean(readings(CELL, POPULATION, z, pairs))[0]
    own, left = learned_legs(CELL, POPULATION, mean)
    true = np.array([17.0 + 0.5 * 0.8 * 4.0 - 0.34 * 1.5, 17.0 + 0.5 * 0.8 * 4.0 + 0.34 * 1.5])
    assert own.legs_ohms == pytest.approx(true, abs=0.3)
    assert left[PLACE["legs"]] == left[PLACE["split"]] == 0.0
    assert own.arm_ohms == CELL.arm_ohms
