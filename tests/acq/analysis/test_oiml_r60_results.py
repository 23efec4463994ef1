"""Load test and creep test in verification intervals, on constructed cells."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acq.analysis.creep import creep_results
from acq.analysis.load_series import Direction, SeriesError, load_series
from acq.analysis.oiml_r60 import MeasuringRange, accuracy_class, load_points
from acq.analysis.oiml_r60_results import creep_test, load_test
from acq.analysis.propagation import Influence, Shared
from acq.errors import WrongInput
from tests.acq.analysis.constructed import CAPACITY, RATED, creep, series

C3 = accuracy_class("C3")
BEND = 2e-4
EIGHTHS = tuple(k / 8 for k in range(9))  # 75 % is among them


def bent(u: float, direction: Direction) -> float:
    return u + 4 * BEND * u * (1 - u) + (5e-5 * u * (1 - u) if direction is Direction.DOWN else 0)


def test_errors_follow_the_formulas_of_the_recommendation() -> None:
    """R 60-3:2021, 2.1.2: f and E_L worked out here from the shape that was put in."""
    test = load_test(series(bent, runs=3, steps=EIGHTHS), C3, CAPACITY)
    at_75 = bent(0.75, Direction.UP)
    factor = RATED * at_75 / (0.75 * 3000)
    assert test.factor.value == pytest.approx(factor, rel=1e-12)
    for each in test.errors:
        assert each.direction is not None
        u = each.load / CAPACITY
        reference = u * 3000 * factor
        expected = (RATED * bent(u, each.direction) - reference) / factor
        assert each.result.value == pytest.approx(expected, abs=1e-9)
        assert each.limit_v == C3.mpe_v(u * 3000)
    assert len(test.errors) == 8 + 7
    assert test.runs_missing == 0


def test_the_repeatability_error_is_the_largest_difference_over_f() -> None:
    noise = [0.0] * 51
    noise[17 + 5], noise[34 + 5] = 6e-9, -3e-9
    test = load_test(series(bent, runs=3, steps=EIGHTHS, noise=noise), C3, CAPACITY)
    worst = test.worst_repeatability
    assert worst is not None
    assert worst.load == 5 / 8 * CAPACITY
    assert worst.result.value == pytest.approx(9e-9 / test.factor.value, rel=1e-9)


def test_missing_runs_are_counted() -> None:
    test = load_test(series(bent, steps=EIGHTHS), C3, CAPACITY)
    assert test.runs_missing == 2
    assert any("asks for 3 runs" in note for note in test.notes)
    assert load_test(series(bent, runs=3), accuracy_class("B5"), CAPACITY).runs_missing == 2


def test_the_share_of_the_bench_is_compared_with_a_third_of_the_limit() -> None:
    """R 60-2:2021, 1.2: U (k = 2) of rig and indicator below a third of the permissible error."""
    sizes = {3e-7: False, 1e-9: True}
    for noise, capable in sizes.items():
        source = Influence(name="noise", standard_uncertainty=noise)
        test = load_test(series(bent, runs=3), C3, CAPACITY, sources=[source])
        lowest = test.errors[0]
        assert lowest.system_uncertainty is not None
        assert lowest.capable is capable
    assert load_test(series(bent, runs=3), C3, CAPACITY).errors[0].capable is None


def test_gain_and_weights_of_one_set_do_not_enter_errors_in_v() -> None:
    common = [
        Influence(name="gain", standard_uncertainty=1e-3, relative=True, shared=Shared.SERIES),
        Influence(
            name="set", standard_uncertainty=1e-3, on="load", relative=True, shared=Shared.SERIES
        ),
    ]
    test = load_test(series(bent), C3, CAPACITY, sources=common)
    for each in test.errors:
        assert each.result.uncertainty is not None
        # of second order only: 0.1 % of an error below one interval
        assert each.result.uncertainty.standard < 2e-3


def test_too_few_rising_loads_are_refused() -> None:
    with pytest.raises(SeriesError, match="at least 5 rising loads besides the minimum load"):
        load_test(series(bent, steps=(0.0, 0.25, 0.5, 0.75, 1.0)), C3, CAPACITY)


@pytest.mark.parametrize("capacity", [CAPACITY * 1.2, CAPACITY * 0.9])
def test_a_series_for_another_capacity_is_refused(capacity: float) -> None:
    with pytest.raises(WrongInput, match="of the capacity"):
        load_test(series(bent), C3, capacity)


def test_a_load_near_where_the_limit_changes_is_asked_for() -> None:
    notes = load_test(series(bent, runs=3), C3, CAPACITY).notes
    assert any("no load near 333.333" in note for note in notes)


def test_creep_in_v_has_the_limits_with_07() -> None:
    test = creep_test(creep(2e-4), C3, CAPACITY)
    assert test.creep.limit_v == pytest.approx(0.735)
    assert test.late_creep is not None
    assert test.late_creep.limit_v == pytest.approx(0.1575)
    assert test.dead_load_return is not None
    assert test.dead_load_return.limit_v == 0.5
    # f is the record's own applied output over n, so v are its fractions times n
    fraction = creep_results(creep(2e-4)).largest_creep.value
    assert test.creep.result.value == pytest.approx(3000 * fraction, rel=1e-12)
    assert test.dead_load_return_mass == pytest.approx(
        CAPACITY * test.dead_load_return.result.value / 3000, rel=1e-12
    )


def test_a_return_read_too_late_has_no_limit_but_is_told() -> None:
    late = creep_test(creep(2e-4), C3, CAPACITY, time_ratio=1.6)
    assert late.dead_load_return is None
    assert late.return_without_limit is not None
    assert any("beyond 1.5" in note for note in late.notes)
    slower = creep_test(creep(2e-4), C3, CAPACITY, time_ratio=1.25)
    assert slower.dead_load_return is not None
    assert slower.dead_load_return.limit_v == pytest.approx(0.375)


def test_a_creep_load_below_90_percent_is_refused() -> None:
    with pytest.raises(WrongInput, match="90 % to 100 %"):
        creep_test(creep(2e-4), C3, CAPACITY * 1.2)


def test_points_unevenly_spaced_in_time_are_noted() -> None:
    flat = series(bent)
    for late, noted in ((0.0, False), (60.0, True)):
        timed = [
            replace(r, time_s=60.0 * place + (late if place > 3 else 0.0))
            for place, r in enumerate(flat.readings)
        ]
        notes = load_test(load_series(timed), C3, CAPACITY).notes
        assert any("asks for about equal intervals" in note for note in notes) is noted


@pytest.mark.parametrize("symbol", ["A60", "B10", "C1", "C3", "C6", "D0.5"])
def test_suggested_loads_are_enough_for_their_class(symbol: str) -> None:
    """A series at these loads is taken without a note on missing loads or points."""
    span = MeasuringRange(accuracy_class(symbol), 0.0, CAPACITY)
    loads = load_points(span)
    assert set(span.mpe_steps()) | {0.75 * CAPACITY} <= set(loads)
    assert list(loads) == sorted(set(loads))
    flat = series(bent, runs=5, steps=[load / CAPACITY for load in loads])
    assert load_test(flat, span.accuracy, CAPACITY).notes == ()
