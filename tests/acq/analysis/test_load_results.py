"""Results of constructed series: what was put in comes out, whatever the units and the order."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.load_results import LoadResults, load_results
from acq.analysis.load_series import Direction, LoadSeries, SeriesError, load_series
from acq.analysis.propagation import Influence, Result, Shared
from acq.analysis.reference_lines import Line
from tests.acq.analysis.constructed import CAPACITY, RATED, series

NON_LINEARITY, LOOP, RETURN = 2e-4, -1.5e-4, 5e-5
GAIN = Influence(name="gain", standard_uncertainty=3e-5, relative=True, shared=Shared.SERIES)
NOISE = Influence(name="noise", standard_uncertainty=4e-9)


def shape(u: float, direction: Direction) -> float:
    """A cell with a quadratic bend, a loop, and a return that dies out towards full load."""
    bent = u + 4 * NON_LINEARITY * u * (1 - u)
    if direction is Direction.DOWN:
        bent += 4 * LOOP * u * (1 - u) + RETURN * (1 - u)
    return bent


def result(found: LoadResults, name: str) -> Result:
    return next(each for each in found.results if each.name.startswith(name))


def test_a_constructed_cell_is_recovered() -> None:
    """Largest bend at u = 0.4 and 0.6: 4 * 0.24 of it; loop and return by their formulas."""
    found = load_results(series(shape))
    assert found.rated_output.value == pytest.approx(RATED, rel=1e-12)
    assert found.zero_balance.value == pytest.approx(1e-5, rel=1e-12)
    assert found.non_linearity.value == pytest.approx(0.96 * NON_LINEARITY, rel=1e-9)
    assert found.zero_return is not None
    assert found.zero_return.value == pytest.approx(RETURN, rel=1e-9)
    assert found.hysteresis is not None
    # 4 u (1 - u) of the loop and (1 - u) of the return: largest at u = 0.6
    assert found.hysteresis.value == pytest.approx(0.96 * LOOP + 0.4 * RETURN, rel=1e-9)
    assert found.hysteresis.where == "300 down"
    assert found.repeatability is None


def test_a_large_zero_return_is_told_as_such_and_not_as_combined_error() -> None:
    def lazy(u: float, direction: Direction) -> float:
        return shape(u, direction) + (5e-3 if u == 0 and direction is Direction.DOWN else 0.0)

    found = load_results(series(lazy))
    assert found.zero_return is not None
    assert found.zero_return.value == pytest.approx(5e-3 + RETURN, rel=1e-9)
    assert abs(found.combined_error.value) < 5e-4
    assert found.hysteresis is not None
    assert abs(found.hysteresis.value) < 5e-4


def test_the_line_is_in_the_name_and_in_the_numbers() -> None:
    by_line = {line: load_results(series(shape), line=line).non_linearity for line in Line}
    assert {found.name for found in by_line.values()} == {
        f"non-linearity ({line.words} line)" for line in Line
    }
    assert abs(by_line[Line.MINIMAX].value) < abs(by_line[Line.LEAST_SQUARES].value)
    assert abs(by_line[Line.LEAST_SQUARES].value) < abs(by_line[Line.TERMINAL].value)


def test_repeatability_is_the_largest_spread_of_the_runs_and_apart_from_linearity() -> None:
    noise = [0.0] * 33
    noise[11 + 4] = 8e-9  # the second run at 80 % rising
    found = load_results(series(shape, runs=3, noise=noise), sources=[NOISE])
    assert found.repeatability is not None
    assert found.repeatability.value == pytest.approx(8e-9 / RATED, rel=1e-3)
    assert found.repeatability.where.startswith("400 up")
    # two readings, each less its zero: four times the variance of one
    assert found.repeatability.uncertainty is not None
    assert found.repeatability.uncertainty.standard == pytest.approx(2 * 4e-9 / RATED, rel=1e-3)
    spreads = {(p.direction, p.load): p.spread for p in found.points}
    assert spreads[Direction.UP, 200.0] == pytest.approx(0.0, abs=1e-18)


def test_a_series_short_of_capacity_is_scaled_and_says_so() -> None:
    found = load_results(series(shape), capacity=CAPACITY / 0.9)
    assert found.rated_output.value == pytest.approx(RATED / 0.9, rel=1e-12)
    assert any("scaled in proportion" in note for note in found.notes)


def test_one_run_without_stated_uncertainty_has_none() -> None:
    found = load_results(series(shape))
    assert all(each.uncertainty is None for each in found.results)
    assert any("U cannot be given" in note for note in found.notes)


def test_the_scatter_of_the_runs_alone_is_told_to_be_alone() -> None:
    found = load_results(series(shape, runs=3, noise=[(-1) ** k * 1e-9 for k in range(33)]))
    assert found.rated_output.uncertainty is not None
    assert any("scatter of the runs only" in note for note in found.notes)


def test_gain_is_in_the_rated_output_and_in_nothing_told_of_it() -> None:
    found = load_results(series(shape), sources=[GAIN])
    assert found.rated_output.uncertainty is not None
    assert found.rated_output.uncertainty.standard == pytest.approx(3e-5 * RATED, rel=1e-9)
    for name in ("zero return", "non-linearity", "hysteresis", "combined error"):
        stated = result(found, name).uncertainty
        assert stated is not None
        assert stated.standard == pytest.approx(0.0, abs=1e-15)


def test_compression_gives_the_same_shares_with_both_signs_turned() -> None:
    flat = series(shape)
    turned = load_series([replace(r, load=-r.load, output=-r.output) for r in flat.readings])
    pressed, pulled = (load_results(s, capacity=CAPACITY) for s in (turned, flat))
    assert pressed.rated_output.value == pytest.approx(-pulled.rated_output.value, rel=1e-12)
    for name in ("zero return", "non-linearity", "hysteresis", "combined error"):
        assert result(pressed, name).value == pytest.approx(result(pulled, name).value, rel=1e-9)


def test_a_cell_that_gives_nothing_is_refused() -> None:
    with pytest.raises(SeriesError, match="does not follow the load"):
        load_results(series(_nothing))


def _nothing(u: float, direction: Direction) -> float:  # noqa: ARG001
    return 0.0


# invariances

noises = st.lists(st.integers(-50, 50).map(lambda n: n * 1e-10), min_size=33, max_size=33)
lines = st.sampled_from(Line)
# each example evaluates two whole series, on a busy machine in its own time
few = settings(max_examples=20, deadline=None)


def figures(found: LoadResults) -> dict[str, tuple[float, float]]:
    """Return shares of the rated output with their U; the rated output is left out."""
    return {
        each.name: (each.value, each.expanded or 0.0)
        for each in found.results
        if each.unit == "of rated output"
    }


def alike(one: LoadResults, other: LoadResults) -> None:
    for name, pair in figures(one).items():
        assert figures(other)[name] == pytest.approx(pair, abs=1e-12), name


@few
@given(noises, lines, st.floats(1e-4, 1e4))
def test_the_unit_of_the_loads_does_not_matter(
    noise: list[float], line: Line, factor: float
) -> None:
    flat = series(shape, runs=3, noise=noise)
    scaled = load_series([replace(r, load=r.load * factor) for r in flat.readings])
    one, other = (load_results(s, line=line, sources=[GAIN, NOISE]) for s in (flat, scaled))
    alike(one, other)
    assert other.rated_output.value == pytest.approx(one.rated_output.value, rel=1e-12)


@few
@given(noises, lines, st.floats(-1e-4, 1e-4))
def test_a_shifted_zero_does_not_matter(noise: list[float], line: Line, shift: float) -> None:
    flat = series(shape, runs=3, noise=noise)
    shifted = load_series([replace(r, output=r.output + shift) for r in flat.readings])
    one, other = (load_results(s, line=line, sources=[NOISE]) for s in (flat, shifted))
    alike(one, other)
    expected = one.zero_balance.value + shift
    assert other.zero_balance.value == pytest.approx(expected, abs=1e-15)


@few
@given(noises, lines, st.permutations([1, 2, 3]))
def test_the_order_of_the_runs_does_not_matter(
    noise: list[float], line: Line, order: list[int]
) -> None:
    flat = series(shape, runs=3, noise=noise)
    permuted = load_series([r for run in order for r in flat.readings if r.run == run])
    one, other = (load_results(s, line=line, sources=[GAIN, NOISE]) for s in (flat, permuted))
    alike(one, other)


@few
@given(noises, lines, st.floats(0.1, 10.0))
def test_the_unit_of_the_outputs_does_not_matter(
    noise: list[float], line: Line, factor: float
) -> None:
    flat: LoadSeries = series(shape, runs=3, noise=noise)
    scaled = load_series([replace(r, output=r.output * factor) for r in flat.readings])
    alike(load_results(flat, line=line), load_results(scaled, line=line))
