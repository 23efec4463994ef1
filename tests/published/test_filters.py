"""Filters against scipy.signal: the same responses, and the settling time that is shown."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.filters import (
    Filter,
    FirstOrder,
    MedianThenMean,
    MovingAverage,
    NoFilter,
    Settled,
    filter_named,
)

FILTERS = [
    NoFilter(),
    MovingAverage(8),
    MedianThenMean(5, 8),
    MedianThenMean(3, 1),
    FirstOrder(2.0),
]
readings = st.lists(st.floats(-1e3, 1e3, allow_nan=False), min_size=1, max_size=60)


@given(values=readings, count=st.integers(1, 12))
def test_a_moving_average_is_a_finite_filter_of_equal_taps(values: list[float], count: int) -> None:
    ours = [MovingAverage(count)]
    found = [ours[0].add(float(k), value) for k, value in enumerate(values)]
    padded = [values[0]] * (count - 1) + values
    expected = scipy.signal.lfilter(np.ones(count) / count, [1.0], padded)[count - 1 :]

    # until the window is full ours averages what is there; from then on both agree
    assert found[count - 1 :] == pytest.approx(list(expected[count - 1 :]), abs=1e-9)


@given(values=st.lists(st.floats(-1e3, 1e3), min_size=5, max_size=60), half=st.integers(0, 2))
def test_the_median_is_that_of_scipy_half_a_window_later(values: list[float], half: int) -> None:
    size = 2 * half + 1
    filter_ = MedianThenMean(size, 1)
    found = [filter_.add(float(k), value) for k, value in enumerate(values)]
    expected = scipy.signal.medfilt(values, size)

    assert found[2 * half :] == pytest.approx(list(expected[half : len(values) - half]))


@given(
    steps=st.lists(
        st.tuples(st.floats(0.01, 5.0), st.floats(-10.0, 10.0)), min_size=2, max_size=15
    ),
    tau=st.floats(0.1, 20.0),
)
@settings(max_examples=25, deadline=None)
def test_a_lag_is_the_continuous_one_at_readings_of_any_spacing(
    steps: list[tuple[float, float]], tau: float
) -> None:
    filter_ = FirstOrder(tau)
    time, value = 0.0, steps[0][1]
    filter_.add(time, value)
    state = value
    for interval, value in steps:
        time += interval
        # the exact discrete system of 1/(tau s + 1) with the input held, for this interval
        system = scipy.signal.cont2discrete(
            tuple(np.array([[x]]) for x in (-1 / tau, 1 / tau, 1.0, 0.0)), interval
        )
        state = float(system[0][0, 0] * state + system[1][0, 0] * value)
        assert filter_.add(time, value) == pytest.approx(state, abs=1e-9)


def test_a_step_into_a_lag_follows_scipys_step_response() -> None:
    filter_ = FirstOrder(3.0)
    filter_.add(0.0, 0.0)
    times = np.arange(1, 50) * 0.25
    found = [filter_.add(float(t), 1.0) for t in times]
    _, expected = scipy.signal.step(([1.0], [3.0, 1.0]), T=np.concatenate([[0.0], times]))

    assert found == pytest.approx(list(expected[1:]), abs=1e-6)


@pytest.mark.parametrize("filter_", FILTERS, ids=lambda f: f.name)
def test_after_its_settling_time_the_output_is_right_and_just_before_it_is_not(
    filter_: Filter,
) -> None:
    filter_.restart()
    interval, tolerance = 0.1, 1e-3
    for k in range(50):
        filter_.add(k * interval, 0.0)
    needed = round(filter_.settling_s(interval, tolerance) / interval)
    outputs = [filter_.add((50 + k) * interval, 1.0) for k in range(max(needed, 1) + 5)]

    # the reading at which the step is first seen counts as one interval
    last = max(needed, 1) - 1
    assert all(abs(1.0 - value) <= tolerance + 1e-12 for value in outputs[last:])
    if last > 0:
        assert abs(1.0 - outputs[last - 1]) > tolerance


def test_a_spike_passes_the_mean_but_not_the_median() -> None:
    values = [0.0] * 20 + [100.0] + [0.0] * 20
    mean, median = MovingAverage(8), MedianThenMean(5, 8)

    assert max(mean.add(float(k), v) for k, v in enumerate(values)) == 12.5
    assert max(median.add(float(k), v) for k, v in enumerate(values)) == 0.0


def test_the_time_to_settle_counts_down_after_a_step_and_not_after_a_spike() -> None:
    live = Settled(MovingAverage(10), step=0.5)
    values = [0.0] * 20 + [5.0] + [0.0] * 15 + [1.0] * 15
    found = [live.add(k * 0.1, value) for k, value in enumerate(values)]

    assert found[0].settles_in_s == 0.0 or not found[0].settled
    assert found[19].settled
    assert all(one.settled for one in found[21:36])  # the spike restarted nothing
    assert not found[38].settled
    assert found[38].settles_in_s == pytest.approx(0.7, abs=0.11)
    after = next(k for k in range(37, 51) if found[k].settled)
    assert found[after].value == pytest.approx(1.0)
    assert found[after - 2].value < 0.95


def test_filters_are_chosen_by_name() -> None:
    for name in ("none", "mean 8", "median 5 mean 8", "lag 2 s"):
        assert filter_named(name).name == name
    assert filter_named("first order 0.5 s").name == "lag 0.5 s"
    assert math.isclose(filter_named("lag 2").settling_s(0.1), 13.9, abs_tol=0.05)


@pytest.mark.parametrize(
    "name", ["mean", "mean 0", "median 4 mean 2", "lag -1 s", "kalman", "mean x"]
)
def test_a_wrong_name_says_what_there_is(name: str) -> None:
    with pytest.raises(ValueError, match="filter"):
        filter_named(name)


@pytest.mark.parametrize("filter_", FILTERS, ids=lambda f: f.name)
def test_what_is_no_number_is_refused(filter_: Filter) -> None:
    with pytest.raises(ValueError, match="only numbers"):
        filter_.add(1e9, float("nan"))
