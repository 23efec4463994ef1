"""Curves: what they refuse, how they choose, and that units do not matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.calibration_data import CalibrationData, calibration_data
from acq.analysis.degree_choice import choose_degree
from acq.analysis.load_series import Direction, SeriesError
from acq.analysis.polynomial import fit_polynomial
from acq.analysis.propagation import Floats, Influence, Readings, Shared
from acq.errors import WrongInput
from tests.acq.analysis.constructed import CAPACITY, RATED, series

LOADS = np.tile(np.linspace(50.0, 500.0, 10), 2)


def data(outputs: Floats) -> CalibrationData:
    return CalibrationData.plain(Readings(outputs, LOADS, np.repeat([1, 2], 10)))


def scattered(seed: int, *coefficients: float) -> CalibrationData:
    rng = np.random.default_rng(seed)
    shape = sum(c * (LOADS / 500.0) ** k for k, c in enumerate(coefficients))
    return data(RATED * (shape + 1e-6 * rng.normal(size=20)))


@pytest.mark.parametrize(
    ("coefficients", "degree"),
    [((0.0, 1.0), 1), ((0.0, 1.0, 3e-4), 2), ((0.0, 1.0, 3e-4, -4e-4), 3)],
)
def test_the_lowest_degree_without_lack_of_fit_is_chosen(
    coefficients: tuple[float, ...], degree: int
) -> None:
    choice = choose_degree(scattered(3, *coefficients))
    assert choice.chosen.degree == degree
    assert "lack of fit" in choice.because


def test_without_replicates_terms_are_added_while_they_matter() -> None:
    rng = np.random.default_rng(1)
    loads = np.linspace(0.0, 500.0, 12)
    for bend, degree in ((0.0, 1), (1e-3, 2)):
        outputs = RATED * (loads / 500 + bend * (loads / 500) ** 2 + 1e-6 * rng.normal(size=12))
        alone = CalibrationData.plain(Readings(outputs, loads, np.ones(12, dtype=np.int64)))
        choice = choose_degree(alone)
        assert choice.chosen.degree == degree
        assert "no replicates" in choice.because


@given(st.integers(0, 999), st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
@settings(max_examples=30, deadline=None)
def test_units_of_load_and_output_do_not_matter(seed: int, load: float, output: float) -> None:
    flat = scattered(seed, 0.0, 1.0, 3e-4)
    scaled = CalibrationData.plain(
        Readings(flat.outputs * output, flat.loads * load, flat.readings.runs)
    )
    one, other = fit_polynomial(flat, 2), fit_polynomial(scaled, 2)
    factors = output / load ** np.arange(3)
    assert other.coefficients / factors == pytest.approx(one.coefficients, rel=1e-6, abs=1e-15)
    solved = other.load_for(RATED * 0.6 * output)
    expected = one.load_for(RATED * 0.6)
    assert solved.value == pytest.approx(expected.value * load, rel=1e-9)
    assert solved.expanded == pytest.approx((expected.expanded or 0.0) * load, rel=1e-6)


@given(st.integers(0, 999), st.floats(60.0, 490.0))
@settings(max_examples=50, deadline=None)
def test_solving_undoes_the_curve(seed: int, load: float) -> None:
    curve = fit_polynomial(scattered(seed, 0.0, 1.0, 3e-4, 1e-4), 3)
    assert curve.load_for(curve.at(load)).value == pytest.approx(load, rel=1e-12)


@pytest.mark.parametrize("load", [100.0, 275.0, 480.0])
def test_a_solved_load_carries_the_curve_and_the_new_reading(load: float) -> None:
    """The textbook interval of inverse regression: s/b sqrt(1 + 1/n + (x - mean)^2 / Sxx)."""
    flat = scattered(4, 0.0, 1.0)
    line = fit_polynomial(flat, 1)
    found = line.load_for(line.at(load))
    apart = flat.loads - flat.loads.mean()
    inside = 1 + 1 / len(apart) + (load - flat.loads.mean()) ** 2 / float(apart @ apart)
    expected = line.residual_deviation / line.coefficients[1] * inside**0.5
    assert found.uncertainty is not None
    assert found.uncertainty.standard == pytest.approx(expected, rel=1e-9)
    assert found.uncertainty.degrees_of_freedom == 18


def test_residuals_are_orthogonal_to_the_curve() -> None:
    curve = fit_polynomial(scattered(5, 0.0, 1.0), 2)
    assert curve.basis.T @ curve.residuals == pytest.approx(np.zeros(3), abs=1e-16)


def test_an_output_outside_the_calibrated_range_is_refused() -> None:
    curve = fit_polynomial(scattered(1, 0.0, 1.0), 1)
    with pytest.raises(WrongInput, match="outside the calibrated range"):
        curve.load_for(RATED * 1.2)


def test_a_curve_that_turns_back_cannot_be_solved() -> None:
    curve = fit_polynomial(scattered(1, 0.0, 1.0, -1.0), 2)
    with pytest.raises(WrongInput, match="turns back"):
        curve.load_for(RATED * 0.2)


def few(levels: int) -> CalibrationData:
    loads = np.arange(1.0, levels + 1)
    return CalibrationData.plain(Readings(loads, loads, np.ones(levels, dtype=np.int64)))


def test_too_few_loads_for_a_degree_are_counted() -> None:
    with pytest.raises(SeriesError, match="degree 3 needs at least 4 different loads"):
        fit_polynomial(few(3), 3)
    with pytest.raises(SeriesError, match="at least 3 different loads, there are 2"):
        choose_degree(few(2))
    with pytest.raises(SeriesError, match="degree 0"):
        fit_polynomial(few(5), 0)


def test_a_curve_through_every_level_has_no_lack_of_fit_to_test() -> None:
    loads = np.tile([100.0, 200.0, 300.0], 2)
    outputs = loads * 4e-6 + np.array([1, -1, 2, 0, 1, -2]) * 1e-9
    twice = CalibrationData.plain(Readings(outputs, loads, np.repeat([1, 2], 3)))
    assert fit_polynomial(twice, 2).lack_of_fit() is None
    assert fit_polynomial(twice, 1).lack_of_fit() is not None


def _straight(u: float, direction: Direction) -> float:  # noqa: ARG001
    return u


def test_points_of_a_series_are_net_and_rising_without_the_zeros() -> None:
    found = calibration_data(series(_straight, runs=2, zero=3e-5))
    assert found.loads.tolist() == [100.0, 200.0, 300.0, 400.0, 500.0] * 2
    assert found.outputs == pytest.approx(RATED * found.loads / CAPACITY, abs=1e-18)


def test_an_offset_cancels_in_net_points_and_a_common_load_error_does_not() -> None:
    rng = np.random.default_rng(2)
    noise = [float(x) for x in 1e-9 * rng.normal(size=22)]
    curve = fit_polynomial(calibration_data(series(_straight, runs=2, noise=noise)), 1)
    offset = Influence(name="offset", standard_uncertainty=1e-3, shared=Shared.SERIES)
    loads = Influence(
        name="loads", standard_uncertainty=5e-5, on="load", relative=True, shared=Shared.SERIES
    )
    found = curve.load_for(RATED / 2, [offset, loads])
    assert found.uncertainty is not None
    parts = {part.name: part.standard_uncertainty for part in found.uncertainty.budget}
    assert parts["offset"] == pytest.approx(0.0, abs=1e-9)
    assert parts["loads"] == pytest.approx(5e-5 * 250.0, rel=1e-3)
