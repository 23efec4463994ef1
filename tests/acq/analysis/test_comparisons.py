"""Comparisons: what is common to the compared series cancels, what was put in comes out."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from acq.analysis.comparisons import (
    PositionReading,
    against,
    asymmetry,
    mirrored,
    off_centre,
    set_spread,
    temperature_effect,
)
from acq.analysis.load_results import load_results
from acq.analysis.load_series import Direction, LoadSeries, SeriesError, load_series
from acq.analysis.propagation import Influence, Result, Shared
from tests.acq.analysis.constructed import RATED, series

GAIN = Influence(name="gain", standard_uncertainty=1e-3, relative=True, shared=Shared.SERIES)
LOADS = Influence(
    name="set", standard_uncertainty=1e-3, on="load", relative=True, shared=Shared.SERIES
)
NOISE = Influence(name="noise", standard_uncertainty=1e-8)


def cell(factor: float = 1.0, zero: float = 1e-5) -> LoadSeries:
    def shape(u: float, direction: Direction) -> float:  # noqa: ARG001
        return factor * u

    return series(shape, zero=zero)


def turned(flat: LoadSeries) -> LoadSeries:
    """Return the same cell pressed instead of pulled."""
    return load_series([replace(r, load=-r.load, output=-r.output) for r in flat.readings])


def standard(result: Result) -> float:
    assert result.uncertainty is not None
    return result.uncertainty.standard


def test_asymmetry_is_that_of_the_sizes_and_free_of_what_is_common() -> None:
    found = asymmetry(cell(1.0005), turned(cell(0.9995)), sources=[GAIN, LOADS])
    assert found.value == pytest.approx(1e-3, rel=1e-9)
    assert standard(found) == pytest.approx(0.0, abs=1e-9)
    noisy = asymmetry(cell(), turned(cell()), sources=[NOISE])
    assert standard(noisy) == pytest.approx(2 * 1e-8 / RATED, rel=1e-3)


def test_a_mirrored_series_has_sizes_for_loads_and_rises() -> None:
    flat = mirrored(turned(cell()))
    assert flat.loads(Direction.UP)[-1] == 500.0
    assert load_results(flat).rated_output.value == pytest.approx(RATED)


def test_temperature_effects_are_per_kelvin_and_apart() -> None:
    """Zero moves by 4e-7 V/V and span by 2e-4 of itself over 20 K."""
    found = temperature_effect(
        (20.0, cell()), (40.0, cell(1.0002, 1e-5 + 4e-7)), sources=[GAIN, LOADS]
    )
    mean = RATED * 1.0001
    assert found.zero_per_k.value == pytest.approx(4e-7 / mean / 20, rel=1e-9)
    assert found.span_per_k.value == pytest.approx(2e-4 * RATED / mean / 20, rel=1e-9)
    # gain is common, so only its part of the zero's own change is left
    assert standard(found.span_per_k) < 1e-3 * abs(found.span_per_k.value) * 1.01


def test_the_thermometer_enters_by_the_difference() -> None:
    found = temperature_effect(
        (20.0, cell()), (40.0, cell(1.0002)), sources=[NOISE], temperature_uncertainty_k=0.5
    )
    assert found.span_per_k.uncertainty is not None
    parts = {p.name: p.standard_uncertainty for p in found.span_per_k.uncertainty.budget}
    assert parts["temperature difference"] == pytest.approx(
        abs(found.span_per_k.value) * 0.5 / 20, rel=1e-6
    )


def test_equal_temperatures_are_refused() -> None:
    with pytest.raises(SeriesError, match="two different temperatures"):
        temperature_effect((20.0, cell()), (20.0, cell()))


def positions(**outputs: float) -> list[PositionReading]:
    return [
        PositionReading(position=name, output=1e-5 + value, zero=1e-5)
        for name, value in outputs.items()
    ]


def test_off_centre_errors_are_told_of_the_centre() -> None:
    third = RATED / 3
    found = off_centre(
        positions(centre=third, left=third * 1.0002, right=third * 0.9997, front=third),
        load=10.0,
        sources=[GAIN, LOADS, NOISE],
    )
    assert {each.where: round(each.value, 9) for each in found.positions} == {
        "left": 2e-4,
        "right": -3e-4,
        "front": 0.0,
    }
    assert found.largest.where == "right"
    assert found.spread.value == pytest.approx(5e-4, rel=1e-9)
    # four readings of one noise each, over a third of the rated output
    assert standard(found.largest) == pytest.approx(math.sqrt(4) * 1e-8 / third, rel=1e-3)


def test_a_turned_cell_has_the_same_off_centre_errors() -> None:
    found = off_centre(positions(centre=-1e-3, left=-1.001e-3, right=-0.999e-3), load=10.0)
    assert found.spread.value == pytest.approx(2e-3, rel=1e-9)
    # both are equally far: the first is named, whatever the last digit says
    assert found.largest.where == "left"
    assert found.largest.value == pytest.approx(1e-3)


@pytest.mark.parametrize("names", [("left", "right"), ("centre", "left"), ("centre",)])
def test_off_centre_needs_the_centre_and_two_others(names: tuple[str, ...]) -> None:
    with pytest.raises(SeriesError, match="off-centre needs 'centre' once"):
        off_centre(positions(**dict.fromkeys(names, 1e-3)), load=10.0)


def test_a_set_is_judged_together_and_the_gain_cancels() -> None:
    factors = {"one": 1.0, "two": 1.0004, "three": 0.9999, "four": 1.0001}
    found = set_spread({name: cell(f) for name, f in factors.items()}, sources=[GAIN, LOADS])
    assert found.value == pytest.approx(5e-4 / 1.0001, rel=1e-9)
    assert found.where == "two over three"
    assert standard(found) == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(SeriesError, match="at least two cells"):
        set_spread({"one": cell()})


def test_a_deviation_from_a_sheet_has_both_uncertainties() -> None:
    found = load_results(cell(1.001), sources=[GAIN]).rated_output
    alone, both = against(found, RATED), against(found, RATED, 2 * RATED * 5e-4)
    assert alone.value == pytest.approx(1e-3, rel=1e-9)
    assert standard(alone) == pytest.approx(1.001e-3, rel=1e-9)
    assert standard(both) == pytest.approx(1.001 * math.hypot(1e-3, 5e-4), rel=1e-9)
    with pytest.raises(SeriesError, match="zero"):
        against(found, 0.0)
