"""A series that breaks a rule is refused; the message names the row and the rule."""

from __future__ import annotations

import math

import pytest

from acq.analysis.load_series import (
    Direction,
    LoadReading,
    SeriesError,
    at_levels,
    load_series,
    require_equal_runs,
    require_one_unit,
    require_points,
    require_zeros,
    with_directions,
)

UP, DOWN = Direction.UP, Direction.DOWN


def rows(*points: tuple[int, Direction, float], slope: float = 4e-6) -> list[LoadReading]:
    """Return readings of a straight cell, the first in row 2 of its file."""
    return [
        LoadReading(run=run, direction=way, load=load, output=slope * load, row=place)
        for place, (run, way, load) in enumerate(points, start=2)
    ]


GOOD = rows((1, UP, 0), (1, UP, 250), (1, UP, 500), (1, DOWN, 250), (1, DOWN, 0))


def test_a_good_series_knows_its_branches() -> None:
    series = load_series(GOOD, capacity=500)
    assert series.runs == (1,)
    assert series.loads(UP) == (0, 250, 500)
    assert series.loads(DOWN) == (0, 250)
    assert series.at(DOWN, 250) == (3,)
    assert (series.minimum_load, series.maximum_load) == (0, 500)


@pytest.mark.parametrize(
    ("points", "row", "rule"),
    [
        ([(1, UP, 0), (1, UP, 300), (1, UP, 250)], 4, "loads out of order: 250 after 300"),
        ([(1, UP, 0), (1, UP, 300), (1, DOWN, 350)], 4, "loads out of order: 350 after 300"),
        ([(1, UP, 0), (1, UP, 300), (1, UP, 300)], 4, "load 300 up stands twice in run 1"),
        ([(1, UP, 0), (1, UP, 3), (1, DOWN, 0), (1, UP, 3)], 5, "rises again after falling"),
        ([(1, UP, 0), (2, UP, 0), (1, UP, 3)], 4, "run 1 comes again after another run"),
        ([(1, UP, 0), (1, UP, 501)], 3, "beyond the capacity 500"),
        ([(1, UP, 0), (1, UP, -300), (1, UP, 400)], 4, "loads out of order"),
    ],
)
def test_broken_rules_are_named_with_their_row(
    points: list[tuple[int, Direction, float]], row: int, rule: str
) -> None:
    with pytest.raises(SeriesError, match=rule) as caught:
        load_series(rows(*points), capacity=500)
    assert caught.value.row == row
    assert str(caught.value).startswith(f"row {row}: ")


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("field", ["load", "output"])
def test_numbers_that_are_none_are_refused(field: str, number: float) -> None:
    values = {"load": 250.0, "output": 1e-3} | {field: number}
    broken = LoadReading(run=1, direction=UP, row=7, **values)
    with pytest.raises(SeriesError, match=f"row 7: {field}"):
        load_series([*GOOD[:1], broken])


def test_a_load_below_the_minimum_is_refused() -> None:
    with pytest.raises(SeriesError, match="row 2: load 0 is below the minimum load 25"):
        load_series(GOOD, 25.0)


def test_a_clock_that_does_not_rise_is_refused() -> None:
    readings = [
        LoadReading(run=1, direction=UP, load=load, output=0.0, time_s=time, row=row)
        for row, (load, time) in enumerate([(0.0, 0.0), (100.0, 20.0), (200.0, 20.0)], start=2)
    ]
    with pytest.raises(SeriesError, match="row 4: the time does not rise"):
        load_series(readings)


def test_an_empty_series_is_refused() -> None:
    with pytest.raises(SeriesError, match="no readings"):
        load_series([])


def test_a_run_without_a_zero_is_named() -> None:
    series = load_series(rows((1, UP, 0), (1, UP, 500), (2, UP, 100), (2, UP, 500)))
    with pytest.raises(SeriesError, match="row 4: run 2 has no zero reading: it begins at 100"):
        require_zeros(series)


def test_runs_with_different_points_are_named() -> None:
    series = load_series(rows((1, UP, 0), (1, UP, 500), (2, UP, 0), (2, UP, 250), (2, UP, 500)))
    with pytest.raises(SeriesError, match="run 1 has no reading at load 250 up"):
        require_equal_runs(series)


def test_too_few_points_are_counted_for_the_method() -> None:
    series = load_series(GOOD)
    require_points(series, 2, "this")
    with pytest.raises(SeriesError, match=r"this needs at least 3 rising loads .* there are 2"):
        require_points(series, 3, "this")


@pytest.mark.parametrize(
    ("factor", "units"),
    [
        (2.2046, "kg and lb"),
        (1 / 2.2046, "kg and lb"),
        (9.80665, "kg and N"),
        (4.448, "lbf and N"),
        (0.001, "units a thousand apart"),
        (1.5, "another cell"),
    ],
)
def test_a_row_in_another_unit_shows_in_its_output_per_load(factor: float, units: str) -> None:
    points = [(1, UP, 0.0), (1, UP, 100.0), (1, UP, 200.0), (1, UP, 300.0), (1, UP, 400.0)]
    readings = rows(*points)
    wrong = readings[2]
    readings[2] = LoadReading(
        run=1, direction=UP, load=200.0, output=wrong.output * factor, row=wrong.row
    )
    with pytest.raises(SeriesError, match=f"row 4: .*mixed units.*{units}"):
        require_one_unit(load_series(readings))


def test_a_bent_cell_is_not_taken_for_mixed_units() -> None:
    readings = [
        LoadReading(run=1, direction=UP, load=load, output=4e-6 * load * (1 + 1e-4 * load))
        for load in (0.0, 100.0, 200.0, 300.0, 500.0)
    ]
    require_one_unit(load_series(readings))


def test_directions_follow_from_the_largest_load() -> None:
    undirected = rows((1, UP, 0), (1, UP, 500), (1, UP, 250), (1, UP, 0), (2, UP, 0), (2, UP, 500))
    found = [reading.direction for reading in with_directions(undirected)]
    assert found == [UP, UP, DOWN, DOWN, UP, UP]


def test_loads_of_a_rig_that_never_meets_the_same_load_become_levels() -> None:
    met = rows(
        (1, UP, 0), (1, UP, 249.5), (1, UP, 500.2), (2, UP, 0), (2, UP, 250.5), (2, UP, 499.8)
    )
    levelled = at_levels(met, within=2.0)
    assert [reading.load for reading in levelled] == pytest.approx([0, 250, 500, 0, 250, 500])
    assert [r.output for r in levelled] == pytest.approx([4e-6 * r.load for r in levelled])


def test_levels_that_run_into_each_other_are_refused() -> None:
    chain = rows(*[(1, UP, float(load)) for load in range(10)])
    with pytest.raises(SeriesError, match="form no level within 1"):
        at_levels(chain, within=1.0)


def test_a_negative_branch_is_a_series_too() -> None:
    """Compression of a universal cell: loads and outputs below zero."""
    series = load_series(rows((1, UP, 0), (1, UP, -250), (1, UP, -500), (1, DOWN, -250)))
    assert series.maximum_load == -500
    assert series.loads(UP) == (0, -250, -500)
