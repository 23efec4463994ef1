"""Long records brought down: means, spikes, frozen digits and memory stay what they are."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from acq.analysis.drift import DriftRecord, classify
from acq.analysis.drift_columns import Cause
from acq.analysis.thinning import MOST_POINTS, Thinning

RATE = 500.0


def thinned(values: np.ndarray, chunk: int = 500, most: int = MOST_POINTS) -> Thinning:
    thinning = Thinning(0, most)
    times = np.arange(len(values)) / RATE
    for at in range(0, len(values), chunk):
        thinning.add(times[at : at + chunk], values[at : at + chunk])
    return thinning


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 3000), st.integers(1, 700), st.integers(8, 200))
@example(538, 30, 8)  # the curve turns within its last groups
@example(488, 360, 16)
def test_points_lie_on_a_slow_curve_and_are_few(count: int, chunk: int, most: int) -> None:
    values = np.sin(np.arange(count) / 300.0)
    found = thinned(values, chunk, most).result()
    assert found.readings == count
    assert len(found.values) <= most + 1
    assert np.all(np.diff(found.times_s) > 0.0)
    truth = np.interp(found.times_s, np.arange(count) / RATE, values)
    bend = (found.group / 300.0) ** 2 / 8.0  # a mean over an arc lies inside it
    assert np.all(np.abs(found.values - truth) <= bend + 1e-9)


def test_a_short_record_is_left_as_it_is() -> None:
    values = np.random.default_rng(1).normal(size=5000)
    found = thinned(values).result()
    assert found.group == 1
    assert np.array_equal(found.values, values)


def test_spikes_of_single_readings_are_still_spikes() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(0.0, 1e-3, 400_000)
    places = [50_000, 123_456, 300_001]
    values[places] += 0.1
    found = thinned(values).result()
    assert found.group >= 16
    assert found.noise == pytest.approx(1e-3, rel=0.1)
    report = classify(DriftRecord(times_s=found.times_s, values=found.values, unit="mV/V"))
    assert report.cause is Cause.SPIKES
    assert sorted(round(float(found.times_s[k]) * RATE) for k in report.spikes) == places


def test_a_step_inside_a_group_is_a_step() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(0.0, 1e-3, 400_000)
    values[200_007:] += 0.1
    found = thinned(values).result()
    report = classify(DriftRecord(times_s=found.times_s, values=found.values, unit="mV/V"))
    assert report.cause is Cause.STEPS
    assert float(found.times_s[report.steps[0].index]) == pytest.approx(200_007 / RATE, abs=0.2)


def test_frozen_digits_are_still_frozen() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(0.0, 1e-3, 400_000)
    values[250_000:] = values[250_000]
    found = thinned(values).result()
    report = classify(DriftRecord(times_s=found.times_s, values=found.values, unit="mV/V"))
    assert report.cause is Cause.FROZEN


def test_memory_does_not_grow_with_the_record() -> None:
    peaks = []
    for chunks in (400, 4000):
        tracemalloc.start()
        thinning = Thinning(1)
        for k in range(chunks):
            times = (np.arange(500) + 500 * k) / RATE
            thinning.add(times, np.sin(times), times)
        thinning.result()
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.6 * peaks[0]  # ten times the readings; points vary by two
