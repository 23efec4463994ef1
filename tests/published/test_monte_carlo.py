"""A ratio measurement by JCGM 101:2008 Monte Carlo, drawn forward from the meter's errors.

The simulation knows nothing of the budget: it draws the errors of meters, makes the indications
that they would show and computes the result as the bench does. Endpoints are compared within the
numerical tolerance of JCGM 101:2008 7.9.2 and 8.1.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from acq.readings.measured import is_number
from acq.readings.uncertainty import Uncertainties, expanded
from tests.acq.readings.bench import MILLIVOLTS, VOLTS, reading

TRIALS = 1_000_000
ZERO, LOADED, EXCITATION = -6.4e-5, 2.00045e-2, 10.0
SCATTER = 1.2e-8  # V, of one reading at the signal's input
READINGS = 20

Array = NDArray[np.float64]
Draw = Callable[[float], Array]


def limits_of_error(rng: np.random.Generator, *, rectangular: bool) -> Draw:
    def draw(limit: float) -> Array:
        if rectangular:
            return rng.uniform(-limit, limit, TRIALS)
        return rng.normal(0.0, limit / math.sqrt(3.0), TRIALS)

    return draw


def simulated_span(*, rectangular: bool) -> Array:
    """Draw (loaded ratio - zero ratio), both read by one meter in two ranges."""
    rng = np.random.default_rng(20260302)
    draw = limits_of_error(rng, rectangular=rectangular)
    gain, offset = draw(50e-6), draw(0.9 * 3.5e-6)
    gain_v, offset_v = draw(35e-6), draw(50e-6)
    noise = SCATTER / math.sqrt(READINGS)

    def signal(volts: float) -> Array:
        # the error at each place of the scale is its own: zero and full load are far apart
        shown = volts - volts * gain - offset - draw(0.35e-6)
        # type A: the mean is known within a t distribution (JCGM 101:2008 6.4.9)
        return shown + noise * rng.standard_t(READINGS - 1, TRIALS)

    excitation = EXCITATION - EXCITATION * gain_v - offset_v
    return (signal(LOADED) - signal(ZERO)) / excitation


def budgeted_span() -> tuple[float, float, float]:
    bench = Uncertainties({"dmm": (MILLIVOLTS, VOLTS)})
    readings = [[reading("dc-voltage", v, 0.1) for _ in range(READINGS)] for v in (LOADED, ZERO)]
    loaded, zero = (bench.mean(each, pooled=(SCATTER, READINGS - 1.0)) for each in readings)
    excitation = bench.of(reading("dc-voltage", EXCITATION, 10.0))
    assert is_number(loaded)
    assert is_number(zero)
    assert is_number(excitation)
    result = expanded((loaded - zero) / excitation)
    return result.value, result.u, result.U


def tolerance(u: float, digits: int) -> float:
    """JCGM 101:2008 7.9.2: half a unit in the last of so many significant digits of u."""
    exponent = math.floor(math.log10(u)) - (digits - 1)
    return 0.5 * 10.0**exponent


def endpoints(sample: Array) -> tuple[float, float]:
    low, high = np.quantile(sample, [0.025, 0.975])
    return float(low), float(high)


@pytest.mark.parametrize(("rectangular", "digits"), [(False, 2), (True, 1)])
def test_the_budget_agrees_with_the_propagation_of_distributions(
    rectangular: bool, digits: int
) -> None:
    value, u, U = budgeted_span()
    sample = simulated_span(rectangular=rectangular)
    delta = tolerance(u, digits)
    low, high = endpoints(sample)
    assert abs((value - U) - low) <= delta
    assert abs((value + U) - high) <= delta
    assert float(np.std(sample)) == pytest.approx(u, rel=5e-3)
