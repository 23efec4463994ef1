"""Stable by a criterion: slope, spread, a full window, and digits that still move."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from acq.readings.settling import Settling, Stability, StableCriterion, assess

CRITERION = StableCriterion(window_s=10.0, drift=1.0, spread=2.0, frozen_after_s=8.0)


def decay(tau: float, noise: float, seconds: float) -> list[tuple[float, float]]:
    chance = random.Random(4)
    times = [0.5 * i for i in range(int(seconds * 2))]
    return [(t, 100.0 * math.exp(-t / tau) + chance.gauss(0.0, noise)) for t in times]


def first_stable(record: list[tuple[float, float]], criterion: StableCriterion) -> float | None:
    settling = Settling(criterion)
    for time_s, value in record:
        if settling.add(time_s, value).stable:
            return time_s
    return None


def test_an_exponential_is_stable_when_its_slope_over_the_window_is_small_enough() -> None:
    # window 10 s, tau 20 s: the change over the window is 100 exp(-t/20) (e^0.5 - 1) <= 1 at 83.5 s
    found = first_stable(decay(20.0, 0.0, 200.0), CRITERION)
    assert found is not None
    assert found == pytest.approx(20.0 * math.log(100.0 * (math.exp(0.5) - 1.0)), abs=2.0)


def test_noise_within_the_spread_is_stable_and_beyond_it_scatters() -> None:
    assert assess(decay(1.0, 0.2, 60.0), CRITERION).state == "stable"
    assert assess(decay(1.0, 1.5, 60.0), CRITERION).state == "scattering"


def test_a_window_that_is_not_full_is_never_stable() -> None:
    record = [(0.5 * i, 5.0 + 0.001 * (i % 2)) for i in range(19)]
    assert assess(record, CRITERION).state == "too few"
    assert assess([*record, (10.0, 5.0)], CRITERION).state == "stable"


def test_few_readings_in_a_long_window_are_too_few() -> None:
    slow = StableCriterion(window_s=10.0, drift=1.0, spread=2.0, minimum_readings=5)
    assert assess([(5.0 * i, 1.0 + 0.1 * i) for i in range(9)], slow).state == "too few"


def test_the_same_digits_for_too_long_are_frozen_not_stable() -> None:
    settling = Settling(CRITERION)
    states = [settling.add(0.5 * i, 5.0, "+5.000000E+00").state for i in range(40)]
    assert "stable" not in states
    assert states[-1] == "frozen"
    assert settling.add(20.0, 5.0001, "+5.000100E+00").state == "stable"


def test_a_coarse_display_may_stand_still() -> None:
    coarse = StableCriterion(window_s=10.0, drift=1.0, spread=2.0)
    assert assess([(0.5 * i, 5.0) for i in range(40)], coarse).state == "stable"


def test_a_steady_drift_within_the_spread_still_drifts() -> None:
    drifting = assess([(0.5 * i, 0.06 * i + 0.001 * (i % 2)) for i in range(60)], CRITERION)
    assert drifting.state == "drifting"
    assert drifting.slope == pytest.approx(0.12, rel=0.01)
    assert drifting.because == "drifts 1.2 in 10 s, 1 allowed"


def test_a_restart_forgets_what_was_before_the_change() -> None:
    settling = Settling(CRITERION)
    for i in range(40):
        settling.add(0.5 * i, 5.0 + 0.01 * (i % 2))
    settling.restart()
    assert settling.add(20.0, -5.0).state == "too few"


def test_time_never_goes_backwards_and_only_numbers_settle() -> None:
    settling = Settling(CRITERION)
    settling.add(1.0, 5.0)
    with pytest.raises(ValueError, match="backwards"):
        settling.add(0.5, 5.0)
    with pytest.raises(ValueError, match="only numbers"):
        settling.add(2.0, math.inf)


@given(st.floats(-1e6, 1e6), st.floats(-50.0, 50.0))
@example(2.8, 0.0)  # where rounding once kept a reading that was as old as the window
def test_the_judgement_does_not_depend_on_where_zero_is(start_s: float, level: float) -> None:
    def judged(t0: float, y0: float) -> Stability:
        return assess([(t0 + 0.5 * i, y0 + 0.3 * (i % 3)) for i in range(60)], CRITERION)

    here, there = judged(0.0, 0.0), judged(start_s, level)
    assert here.state == there.state
    assert here.slope == pytest.approx(there.slope, abs=1e-6)


def test_memory_holds_one_window_for_ever() -> None:
    settling = Settling(CRITERION)
    counts = [settling.add(0.1 * i, math.sin(i)).readings for i in range(5000)]
    assert max(counts[200:]) <= 102
