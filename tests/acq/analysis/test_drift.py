"""Causes of drift apart, on records whose every part is written down here."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from acq.analysis.drift import DriftRecord, DriftReport, classify
from acq.analysis.drift_columns import Cause, lagged
from acq.analysis.drift_events import frozen_run, jumps, spikes, white_noise
from acq.analysis.drift_plot import drift_pictures

Array = NDArray[np.float64]

COUNT, INTERVAL = 2000, 5.0
TIMES: Array = np.arange(float(COUNT)) * INTERVAL  # 2.8 h
ROOM: Array = 20.0 + 1.5 * np.sin(TIMES / 2400.0) + 0.5 * np.sin(TIMES / 700.0)


def noise(size: float = 0.02, seed: int = 1, count: int = COUNT) -> Array:
    return size * np.random.default_rng(seed).standard_normal(count)


def record(values: Array, **more: object) -> DriftRecord:
    return DriftRecord(times_s=TIMES, values=values, unit="uV/V", **more)  # type: ignore[arg-type]


def share(report: DriftReport, cause: Cause) -> dict[str, float]:
    return next(s.numbers for s in report.shares if s.cause is cause)


def test_noise_alone_is_noise_with_its_deviation() -> None:
    report = classify(record(noise(), temperature=ROOM))

    assert report.cause is Cause.NOISE
    assert report.noise == pytest.approx(0.02, rel=0.1)


def test_a_wandering_zero_is_noise_and_not_a_cause() -> None:
    for seed in range(4):
        walk = np.cumsum(noise(0.004, seed + 10))
        report = classify(record(walk + noise(0.02, seed), temperature=ROOM))
        assert report.cause is Cause.NOISE, (seed, report.because)
        assert "wanders" in report.because


def test_temperature_comes_with_its_size_per_kelvin_and_its_lag() -> None:
    # the body as scipy simulates it: a first-order lag of 20 min
    tau = 1200.0
    _, body, _ = scipy.signal.lsim(([1.0], [tau, 1.0]), ROOM - ROOM[0], TIMES)
    report = classify(record(0.7 * body + noise(), temperature=ROOM))

    assert report.cause is Cause.TEMPERATURE
    numbers = share(report, Cause.TEMPERATURE)
    assert numbers["size"] == pytest.approx(0.7, rel=0.05)
    assert numbers["tau_s"] == pytest.approx(tau, rel=0.25)


def test_warm_up_and_temperature_in_one_record_are_told_apart() -> None:
    _, body, _ = scipy.signal.lsim(([1.0], [1800.0, 1.0]), ROOM - ROOM[0], TIMES)
    warming = 0.8 * -np.expm1(-TIMES / 400.0)
    values = 0.3 * body + warming + noise()
    report = classify(record(values, temperature=ROOM, excited_s=0.0))

    assert report.cause is Cause.WARM_UP
    assert share(report, Cause.WARM_UP)["size"] == pytest.approx(0.8, rel=0.1)
    assert share(report, Cause.TEMPERATURE)["size"] == pytest.approx(0.3, rel=0.1)


def test_creep_follows_a_load_step_and_the_step_itself_is_no_fault() -> None:
    since = np.maximum(TIMES - 1000.0, 0.0)
    values = 1000.0 * (TIMES >= 1000.0) + 0.4 * -np.expm1(-since / 900.0) + noise()
    report = classify(record(values, temperature=ROOM))

    assert report.cause is Cause.CREEP
    assert share(report, Cause.CREEP)["of_step"] == pytest.approx(4e-4, rel=0.15)
    assert Cause.STEPS not in [s.cause for s in report.shares]
    assert [jump.index for jump in report.steps] == [200]


def test_the_same_curve_is_warm_up_or_creep_by_what_happened() -> None:
    values = 0.5 * -np.expm1(-TIMES / 600.0) + noise()

    switched_on = classify(record(values, temperature=ROOM, excited_s=0.0))
    loaded = classify(record(values, temperature=ROOM, loaded_s=0.0))
    assert switched_on.cause is Cause.WARM_UP
    assert loaded.cause is Cause.CREEP


def test_moisture_is_slow_without_temperature_or_follows_the_humidity() -> None:
    long = replace(record(noise()), times_s=TIMES * 5.0)  # 14 h
    slow = 2.0 * -np.expm1(-long.times_s / 20_000.0)
    room = 20.0 + np.sin(long.times_s / 9000.0)
    plain = classify(replace(long, values=slow + noise(), temperature=room))
    damp = 50.0 + 20.0 * np.sin(long.times_s / 6000.0)
    driven = 0.05 * lagged(long.times_s, damp, 7200.0) + noise()
    measured = classify(replace(long, values=driven, temperature=room, humidity=damp))

    assert plain.cause is Cause.MOISTURE
    assert measured.cause is Cause.MOISTURE
    assert "follows the humidity with a lag of 2.0 h" in measured.because


def test_steps_and_spikes_are_counted_with_place_and_size() -> None:
    values = noise()
    values[500:] += 1.0
    values[1200:] -= 0.6
    values[[300, 900]] += 5.0
    report = classify(record(values, temperature=ROOM))

    assert [jump.index for jump in report.steps] == [500, 1200]
    assert [jump.size for jump in report.steps] == pytest.approx([1.0, -0.6], abs=0.05)
    assert report.spikes == (300, 900)
    assert report.cause is Cause.SPIKES
    assert share(report, Cause.SPIKES)["count"] == 2
    assert share(report, Cause.STEPS)["count"] == 2


def test_an_intermittent_joint_is_said_to_look_like_one() -> None:
    values = noise()
    for place in range(200, 1800, 200):
        values[place:] += 1.0 if place % 400 else -1.0
    report = classify(record(values, temperature=ROOM))

    assert report.cause is Cause.STEPS
    assert "intermittent" in report.because


def test_a_reading_that_stopped_changing_is_frozen_however_quiet_it_looks() -> None:
    values = np.round(noise(), 3)
    values[1200:] = values[1200]
    report = classify(record(values, temperature=ROOM))

    assert report.cause is Cause.FROZEN
    assert report.frozen is not None
    assert report.frozen.start == 1200
    whole = classify(record(np.full(COUNT, 1.234)))
    assert whole.cause is Cause.FROZEN


def test_a_coarse_last_digit_is_not_taken_for_frozen() -> None:
    coarse = np.round(noise(0.03), 1)  # the digit is three times the noise: mostly 0.0
    quiet = np.round(0.3 * np.sin(TIMES / 200.0), 1)

    for values in (coarse, quiet):
        assert frozen_run(TIMES, tuple(f"{value:+.1f}" for value in values)) is None


def test_gradient_across_the_body_shows_as_temperature() -> None:
    body = lagged(TIMES, ROOM, 1200.0)
    report = classify(record(0.5 * (ROOM - body) + noise(), temperature=ROOM))

    assert report.cause is Cause.TEMPERATURE


@given(
    size=st.floats(0.5, 50.0),
    offset=st.floats(-1e4, 1e4),
    scale=st.floats(1e-6, 1e3),
)
@settings(max_examples=8, deadline=None)
def test_offset_and_unit_do_not_change_the_answer(size: float, offset: float, scale: float) -> None:
    body = lagged(TIMES, ROOM, 1200.0) - ROOM[0]
    plain = record(size * body + noise(), temperature=ROOM)
    other = replace(plain, values=(plain.values + offset) * scale)

    assert classify(other).cause is classify(plain).cause is Cause.TEMPERATURE


def test_a_lag_is_that_of_scipy() -> None:
    _, expected, _ = scipy.signal.lsim(([1.0], [900.0, 1.0]), ROOM - ROOM[0], TIMES)

    assert lagged(TIMES, ROOM, 900.0) - ROOM[0] == pytest.approx(expected, abs=1e-6)


def test_events_do_not_see_a_slow_change() -> None:
    slow = 20.0 * np.sin(TIMES / 3000.0) + noise()

    assert white_noise(slow) == pytest.approx(0.02, rel=0.1)
    assert not spikes(slow).any()
    assert jumps(slow) == ()


def test_pictures_are_made_for_every_kind() -> None:
    values = noise()
    values[500:] += 1.0
    values[300] += 5.0
    logged = record(values, temperature=ROOM)
    for name, text in drift_pictures(logged, classify(logged)).items():
        assert name.endswith(".svg")
        assert ElementTree.fromstring(text).tag.endswith("svg")
    frozen = record(np.full(COUNT, 1.0))
    assert drift_pictures(frozen, classify(frozen))


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"values": np.zeros(10), "times_s": np.arange(10.0)}, "30 readings"),
        ({"times_s": np.zeros(COUNT)}, "reading 2 is not after"),
        ({"temperature": np.zeros(3)}, "3 for 2000"),
        ({"values": np.full(COUNT, np.nan)}, "only numbers"),
    ],
)
def test_a_record_that_is_none_is_refused(changes: dict[str, Array], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        replace(record(noise()), **changes)  # type: ignore[arg-type]


def test_a_long_fast_log_is_averaged_down_and_still_told() -> None:
    count = 120_000
    times: Array = np.arange(float(count)) * 0.5
    room = 20.0 + np.sin(times / 6000.0)
    values = 0.5 * lagged(times, room, 1200.0) + noise(0.05, 3, count)
    values[70_000] += 3.0
    report = classify(DriftRecord(times_s=times, values=values, unit="uV/V", temperature=room))

    assert report.cause is Cause.SPIKES
    assert report.spikes == (70_000,)
    assert share(report, Cause.TEMPERATURE)["size"] == pytest.approx(0.5, rel=0.05)
    assert len(report.fitted) == count


def test_a_load_step_between_two_averaged_readings_spoils_nothing() -> None:
    count = 6001  # averaged in pairs, and the step lies inside one
    times: Array = np.arange(float(count)) * 2.0
    since = np.maximum(times - times[2001], 0.0)
    values = 800.0 * (since > 0.0) + 0.4 * -np.expm1(-since / 900.0) + noise(0.02, 5, count)
    report = classify(DriftRecord(times_s=times, values=values, unit="uV/V"))

    assert report.cause is Cause.CREEP
    assert share(report, Cause.CREEP)["of_step"] == pytest.approx(5e-4, rel=0.1)
