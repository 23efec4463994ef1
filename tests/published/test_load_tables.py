"""Four load tables, judged by the end-point line and by the line of OIML R 60, never mixed.

The tables are invented, the figures beside them were worked out by hand from finer tables: they
agree within what five decimals of a mV/V can carry. Formulas of R 60-3:2021, 2.1.2.
"""

from __future__ import annotations

import pytest

from acq.analysis.load_results import load_results
from acq.analysis.load_series import Direction, LoadReading, LoadSeries, load_series
from acq.analysis.oiml_r60 import accuracy_class
from acq.analysis.oiml_r60_results import load_test
from acq.analysis.reference_lines import Line

# percent of capacity: 0 20 40 60 80 100 80 60 40 20 0, mV/V above zero
TABLES = {
    "A": (30.0, "0.00000 0.39989 0.79968 1.19940 1.59907 1.99869 "
          "1.59895 1.19923 0.79951 0.39978 0.00008"),
    "B": (500.0, "0.00000 0.40011 0.80026 1.20048 1.60074 2.00109 "
          "1.60088 1.20069 0.80048 0.40025 0.00009"),
    "C": (2000.0, "0.00000 0.59915 1.19820 1.79716 2.39600 2.99462 "
          "2.39570 1.79675 1.19781 0.59888 0.00012"),
    "D": (20000.0, "0.00000 0.39946 0.79878 1.19800 1.59713 1.99622 "
          "1.59727 1.19821 0.79900 0.39961 0.00008"),
}  # fmt: skip
PERCENTS = (0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0)
HALF_DIGIT = 0.5e-8  # V/V


def series(name: str) -> LoadSeries:
    """Return a table as one run."""
    capacity, text = TABLES[name]
    outputs = [float(cell) * 1e-3 for cell in text.split()]
    readings = [
        LoadReading(
            run=1,
            direction=Direction.UP if place <= 5 else Direction.DOWN,
            load=percent / 100 * capacity,
            output=output,
        )
        for place, (percent, output) in enumerate(zip(PERCENTS, outputs, strict=True))
    ]
    return load_series(readings, capacity=capacity)


@pytest.mark.parametrize(
    ("name", "non_linearity", "hysteresis"),
    [
        ("A", +0.0102, -0.0088),
        ("B", -0.0090, +0.0109),
        ("C", +0.0127, -0.0137),
        ("D", +0.0148, +0.0112),
    ],
)
def test_end_point_figures_are_those_of_the_sheet(
    name: str, non_linearity: float, hysteresis: float
) -> None:
    found = load_results(series(name), line=Line.TERMINAL)
    # two readings, or a reading and the line, each half a digit off, and half a printed digit
    carried = 100 * 2 * HALF_DIGIT / found.rated_output.value + 0.5e-4
    assert found.hysteresis is not None
    assert 100 * found.non_linearity.value == pytest.approx(non_linearity, abs=carried)
    assert 100 * found.hysteresis.value == pytest.approx(hysteresis, abs=carried)


def test_one_cell_looks_comfortable_on_one_line_and_is_close_on_the_other() -> None:
    """Cell D falling at 40 %: 0.021 % of Emax against 0.0233 %, end-point figure 0.0148 %."""
    test = load_test(series("D"), accuracy_class("C3"), 20000.0)
    error = next(
        each for each in test.errors if each.load == 8000.0 and each.direction is Direction.DOWN
    )
    in_percent = 100 / 3000
    assert error.result.value * in_percent == pytest.approx(0.021, abs=5e-4)
    assert error.limit_v * in_percent == pytest.approx(0.0233, abs=5e-5)
    worst = load_results(series("D"), line=Line.TERMINAL).non_linearity
    assert 100 * worst.value < 0.0149


@pytest.mark.parametrize("name", TABLES)
def test_the_error_at_75_percent_is_nothing_by_construction(name: str) -> None:
    """R 60-3:2021, 2.1.2.3: the reference at 75 % is the mean of the outputs beside it."""
    capacity, text = TABLES[name]
    outputs = [float(cell) * 1e-3 for cell in text.split()]
    test = load_test(series(name), accuracy_class("C3"), capacity)
    at_75 = outputs[3] + 0.75 * (outputs[4] - outputs[3])
    assert test.factor.value == pytest.approx(at_75 / (0.75 * 3000), rel=1e-12)
    at = {each.load: each.result.value for each in test.errors if each.direction is Direction.UP}
    low, high = at[0.6 * capacity], at[0.8 * capacity]
    assert low + 0.75 * (high - low) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("name", "returned"), [("A", 8e-8), ("B", 9e-8), ("C", 12e-8)])
def test_zero_return_is_told_apart_from_hysteresis(name: str, returned: float) -> None:
    found = load_results(series(name))
    assert found.zero_return is not None
    expected = returned / found.rated_output.value
    assert found.zero_return.value == pytest.approx(expected, rel=1e-9)
    assert found.hysteresis is not None
    assert not found.hysteresis.where.startswith("0 ")
