"""Reference lines, beside numpy and a linear program as independent references."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from acq.analysis.load_series import SeriesError
from acq.analysis.reference_lines import Line, interpolation, line_weights

sizes = st.floats(-1.0, 1.0).map(lambda value: round(value, 6))
bends = st.lists(sizes, min_size=3, max_size=12)


def points(bend: list[float]) -> tuple[list[float], list[float]]:
    """Return loads from 0 up and a line with a small bend at every point."""
    loads = [25.0 * k for k in range(len(bend))]
    return loads, [1e-5 + 4e-6 * x + 1e-6 * b for x, b in zip(loads, bend, strict=True)]


def largest(line: Line, loads: list[float], outputs: list[float]) -> float:
    weights = line_weights(line, loads, outputs)
    return max(
        abs(y - float(weights.at(x) @ np.array(outputs)))
        for x, y in zip(loads, outputs, strict=True)
    )


@settings(deadline=None)
@given(bends)
def test_the_minimax_line_is_the_optimum_of_a_linear_program(bend: list[float]) -> None:
    loads, outputs = points(bend)
    x, y = np.array(loads), np.array(outputs) * 1e6
    ones = np.ones_like(x)
    above = np.column_stack([-ones, -x, -ones])
    below = np.column_stack([ones, x, -ones])
    found = linprog(
        [0.0, 0.0, 1.0],
        A_ub=np.vstack([above, below]),
        b_ub=np.concatenate([-y, y]),
        bounds=[(None, None), (None, None), (0, None)],
        method="highs",
    )
    assert 1e6 * largest(Line.MINIMAX, loads, outputs) == pytest.approx(found.fun, abs=1e-7)


@settings(deadline=None)
@given(bends)
def test_least_squares_agrees_with_numpy(bend: list[float]) -> None:
    loads, outputs = points(bend)
    weights = line_weights(Line.LEAST_SQUARES, loads, outputs)
    fitted = np.polynomial.Polynomial.fit(loads, outputs, 1)
    for load in (loads[0], loads[-1], 10.0):
        assert weights.at(load) @ outputs == pytest.approx(fitted(load), abs=1e-15)


@settings(deadline=None)
@given(bends)
def test_no_line_beats_minimax_and_no_line_beats_least_squares(bend: list[float]) -> None:
    loads, outputs = points(bend)
    assume(np.ptp(bend) > 1e-3)
    deviations = {line: largest(line, loads, outputs) for line in Line}
    assert deviations[Line.MINIMAX] <= min(deviations.values()) * (1 + 1e-9)

    def squares(line: Line) -> float:
        weights = line_weights(line, loads, outputs)
        fitted = np.array([weights.at(x) @ np.array(outputs) for x in loads])
        return float(((np.array(outputs) - fitted) ** 2).sum())

    assert squares(Line.LEAST_SQUARES) <= min(map(squares, Line)) * (1 + 1e-9)


@settings(deadline=None)
@given(bends, st.sampled_from(Line))
def test_every_line_reproduces_a_straight_line(bend: list[float], line: Line) -> None:
    """Weights of a line at any load sum to one, and give a straight line back."""
    loads, outputs = points(bend)
    weights = line_weights(line, loads, outputs)
    for load in (loads[0], 33.0, loads[-1] * 1.1):
        assert weights.at(load).sum() == pytest.approx(1.0)
        assert weights.at(load) @ np.array(loads) == pytest.approx(load, abs=1e-9)


def test_lines_pass_where_their_names_say() -> None:
    loads, outputs = points([0.0, 0.4, -0.3, 0.8, 0.1, 0.5])
    held = {
        Line.TERMINAL: (loads[0], loads[-1]),
        Line.ZERO: (loads[0],),
        Line.SEVENTY_FIVE: (loads[0],),
    }
    for line, where in held.items():
        weights = line_weights(line, loads, outputs)
        for load in where:
            expected = outputs[loads.index(load)]
            assert weights.at(load) @ outputs == pytest.approx(expected, rel=1e-12)


def test_a_75_percent_point_that_was_loaded_is_taken_as_it_is() -> None:
    loads, outputs = points([0.0, 0.4, -0.3, 0.8, 0.1])  # the fourth is at 75 %
    weights = line_weights(Line.SEVENTY_FIVE, loads, outputs)
    assert weights.at(75.0) @ outputs == pytest.approx(outputs[3], rel=1e-12)


def test_interpolation_works_for_compression_too() -> None:
    x = np.array([0.0, -100.0, -200.0])
    assert interpolation(x, -150.0) == pytest.approx([0.0, 0.5, 0.5])


@pytest.mark.parametrize("line", [Line.LEAST_SQUARES, Line.ZERO, Line.MINIMAX])
def test_a_fitted_line_needs_three_loads(line: Line) -> None:
    with pytest.raises(SeriesError, match=f"the {line.value} line needs at least 3"):
        line_weights(line, [0.0, 1.0], [0.0, 1.0])
