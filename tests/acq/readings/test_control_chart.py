"""Individuals and moving-range charts."""

from __future__ import annotations

import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.readings.control_chart import D2, D4, E2, chart_of, warnings_of


def test_values_of_one_distribution_seldom_leave_the_limits() -> None:
    # a normal value is beyond three sigma 0.27 % of the time; limits from 100 points
    drawn = random.Random(7)
    out = 0
    for _ in range(40):
        values = [drawn.gauss(0.0, 1.0) for _ in range(100)]
        chart = chart_of(values)
        assert chart.sigma == pytest.approx(1.0, abs=0.35)
        out += sum(not chart.lower <= drawn.gauss(0.0, 1.0) <= chart.upper for _ in range(100))
    assert 1 <= out <= 35  # 4000 values: 11 expected, some more as the limits are estimated


def test_a_slow_drift_does_not_widen_the_limits() -> None:
    drawn = random.Random(3)
    steady = [drawn.gauss(0.0, 1.0) for _ in range(200)]
    drifting = [value + 0.02 * place for place, value in enumerate(steady)]
    assert chart_of(drifting).sigma == pytest.approx(chart_of(steady).sigma, rel=0.02)
    assert statistics.stdev(drifting) > 1.4 * statistics.stdev(steady)


def test_readings_that_happen_to_be_alike_do_not_make_limits_of_no_width() -> None:
    chart = chart_of([385.1] * 9, smallest_sigma=0.002)
    assert chart.lower == pytest.approx(385.094)
    assert chart.largest_moving_range == pytest.approx(D4 * D2 * 0.002)


def test_one_value_makes_no_chart() -> None:
    with pytest.raises(ValueError, match="two values"):
        chart_of([1.0])


@pytest.mark.parametrize(
    ("newest", "warns"),
    [
        ([0.1, -0.2, 0.1], ""),
        ([2.5, 0.0, 2.5], "two of the last three"),
        ([2.5, 2.5, 0.0], ""),  # the newest one is back
        ([2.5, 0.0, -2.5], ""),  # not on one side
        ([0.1] * 9, "the last 9 values"),
        ([-0.1] * 8, ""),
        ([0.1] * 8 + [-0.1], ""),
    ],
)
def test_unusual_patterns_within_the_limits_are_warned_of(newest: list[float], warns: str) -> None:
    chart = chart_of([-1.0 / E2 * 1.5, 1.0 / E2 * 1.5] * 10)  # centre 0, sigma 1
    assert chart.sigma == pytest.approx(1.0)
    found = warnings_of(chart, newest)
    assert bool(found) == bool(warns)
    assert not warns or warns in found[0]


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30),
    st.floats(0.1, 100.0),
    st.floats(-1e6, 1e6),
)
def test_a_chart_goes_along_with_scale_and_origin(
    values: list[float], factor: float, shift: float
) -> None:
    chart, moved = chart_of(values), chart_of([factor * value + shift for value in values])
    rounding = 1e-9 * (abs(factor) * 1e6 + abs(shift) + 1.0)
    assert moved.centre == pytest.approx(factor * chart.centre + shift, abs=rounding)
    assert moved.sigma == pytest.approx(factor * chart.sigma, abs=rounding)
