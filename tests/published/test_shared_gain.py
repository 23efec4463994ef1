"""One meter, two ranges: JCGM 101:2008 Monte Carlo of what pairs of leads have in common.

The meter's errors are drawn forward (one gain for each range, one offset, noise of each reading)
and never seen by the analysis. What it states must have the covariance of what was drawn: two
pairs read in the larger range share its gain, so that sums and differences of them are right.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acq.analysis.arms import Assumption, identify
from acq.analysis.expectation import ExpectedCell
from acq.analysis.fault_lines import LineMaker
from acq.analysis.faults import NONE_FOUND
from acq.analysis.leads import FOUR_WIRE_PAIRS, INPUT, OUTPUT
from acq.analysis.network import BridgeElements, Floats, pair_resistances
from acq.analysis.network_evidence import covariance
from acq.analysis.population import Meters, Population, Spread
from acq.analysis.reading_errors import ReadingErrors, meter_columns
from acq.readings.budget import shared_influences
from acq.readings.measured import Measured, is_number
from acq.readings.specification import Accuracy
from acq.readings.uncertainty import Uncertainties
from tests.acq.readings.bench import reading

TRIALS = 400_000
METERS = Meters()
CELL = ExpectedCell(wires=4, arm_ohms=1300.0, legs_ohms=(60.0, 60.0), conductor_ohms=0.35)
# input and output above 1200 ohm, the adjacent pairs below
READINGS = pair_resistances(
    BridgeElements(np.full(4, 1300.0), np.full(2, 60.0), np.full(6, 0.35)), FOUR_WIRE_PAIRS
)


def drawn(seed: int) -> Floats:
    """Return what the meter shows of READINGS, (TRIALS, pairs), ohm."""
    rng = np.random.default_rng(seed)
    gains = METERS.gain * rng.normal(size=(TRIALS, 2))
    upper = METERS.range_ohms < READINGS
    errors = np.where(upper, gains[:, 1:], gains[:, :1]) * READINGS
    errors += METERS.offset_ohms * rng.normal(size=(TRIALS, 1))
    return np.asarray(READINGS + errors + METERS.noise_ohms * rng.normal(size=errors.shape))


def test_the_readings_are_taken_in_two_ranges() -> None:
    upper = [pair for pair, ohms in zip(FOUR_WIRE_PAIRS, READINGS, strict=True) if ohms > 1200.0]
    assert upper == [INPUT, OUTPUT]


def test_the_assumed_meter_has_the_covariance_of_the_drawn_one() -> None:
    columns = meter_columns(METERS, READINGS)
    stated = columns @ columns.T + METERS.noise_ohms**2 * np.eye(6)
    assert stated == pytest.approx(np.cov(drawn(1).T), abs=1e-4)


def test_the_model_of_a_cell_has_the_covariance_of_the_drawn_meter() -> None:
    rows, errors = np.arange(6), ReadingErrors.alone(np.full(7, METERS.noise_ohms))

    def total(meters: Meters) -> Floats:
        maker = LineMaker(CELL, replace(Population(), meters=meters), FOUR_WIRE_PAIRS)
        return np.asarray(covariance(maker.line((NONE_FOUND, 1.0)), rows, errors, np.zeros(1))[0])

    of_the_cell = total(replace(METERS, gain=0.0, offset_ohms=0.0))
    of_the_meter = total(METERS) - of_the_cell + METERS.noise_ohms**2 * np.eye(6)
    assert of_the_meter == pytest.approx(np.cov(drawn(2).T), abs=1e-4)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_sums_and_differences_of_two_pairs_in_the_larger_range(sign: float) -> None:
    columns = meter_columns(METERS, READINGS)
    total = columns @ columns.T + METERS.noise_ohms**2 * np.eye(6)
    weights = np.array([1.0, 0.0, 0.0, 0.0, 0.0, sign])
    stated = float(np.sqrt(weights @ total @ weights))
    assert stated == pytest.approx(float(np.std(drawn(3) @ weights)), rel=0.01)


def test_arms_are_as_uncertain_as_the_drawn_meter_makes_them() -> None:
    sure = Spread(conductor_each=0.0, contact_ohms=0.0)
    assumption = Assumption(conductor_ohms=0.35, conductor_uncertainty=1e-6)
    shown = drawn(4)[:20_000]
    found = identify(FOUR_WIRE_PAIRS, shown, assumption, meters=METERS, spread=sure)
    assert found.arm_uncertainty[0] == pytest.approx(found.arms.std(axis=0), rel=0.03)
    sums = found.arms.sum(axis=-1).std()
    stated = float(np.sqrt(found.covariance[0, :4, :4].sum()))
    assert stated == pytest.approx(float(sums), rel=0.03)


# 6.5-digit figures of the trade, from memory: not those of a make
SMALLER = Accuracy(quantity="resistance", range=1e3, reading_ppm=100.0, range_ppm=10.0)
LARGER = Accuracy(quantity="resistance", range=1e4, reading_ppm=100.0, range_ppm=10.0)
EVERY = Accuracy(quantity="resistance", reading_ppm=100.0, absolute=0.01)


@pytest.mark.parametrize("entries", [(SMALLER, LARGER), (EVERY,)])
def test_the_budget_of_readings_has_the_covariance_of_a_drawn_meter(
    entries: tuple[Accuracy, ...],
) -> None:
    """Three readings in the larger range, one in the smaller, as a bench file states them."""
    values = {"a": (1420.0, 1e4), "b": (1300.0, 1e4), "c": (1310.0, 1e4), "d": (800.0, 1e3)}
    bench = Uncertainties({"dmm": entries})
    read: dict[str, Measured] = {
        name: bench.of(reading("resistance", ohms, range_))
        for name, (ohms, range_) in values.items()
    }
    found = shared_influences(read)
    columns = np.array([[each.get(name, 0.0) for name in values] for each in found.common]).T
    stated = columns @ columns.T + np.diag([found.own[name] ** 2 for name in values])
    rng = np.random.default_rng(5)
    errors = np.zeros((TRIALS, 4))
    for range_ in (1e3, 1e4):
        gain = rng.uniform(-1e-4, 1e-4, TRIALS)
        limit = 1e-5 * range_ if len(entries) == 2 else 0.01
        offset = rng.uniform(-limit, limit, TRIALS)
        for place, (ohms, used) in enumerate(values.values()):
            if used == range_:
                errors[:, place] += gain * ohms + offset
    assert stated == pytest.approx(np.cov(errors.T), rel=0.01, abs=1e-4)
    difference, total = read["a"], read["a"]
    assert is_number(difference)
    assert is_number(total)
    assert (difference - read["b"]).u == pytest.approx(
        np.std(errors[:, 0] - errors[:, 1]), rel=0.01
    )
    assert (total + read["b"]).u == pytest.approx(np.std(errors[:, 0] + errors[:, 1]), rel=0.01)
