"""Creep of constructed records: superposed exponentials, worked out analytically."""

from __future__ import annotations

import math

import numpy as np
import pytest

from acq.analysis.creep import CreepReading, creep_record, creep_results
from acq.analysis.creep_fit import fit_creep
from acq.analysis.load_series import SeriesError
from acq.analysis.propagation import Influence
from tests.acq.analysis.constructed import RATED, creep

SIZE = 2e-4
TERMS = ((0.4, 120.0), (0.6, 1980.0))


def crept(seconds: float) -> float:
    """Creep of the load applied at 0, over its output."""
    return SIZE * sum(part * (1 - math.exp(-seconds / tau)) for part, tau in TERMS)


def test_creep_and_return_are_those_that_were_put_in() -> None:
    """Readings start 30 s after the load; the output itself has crept until then."""
    found = creep_results(creep(SIZE))
    applied = 1 + crept(30)
    assert found.applied_output.value == pytest.approx(RATED * applied, rel=1e-12)
    assert found.creep_30_min.value == pytest.approx((crept(1830) - crept(30)) / applied, rel=1e-9)
    assert found.creep_20_to_30_min is not None
    late = (crept(1830) - crept(1230)) / applied
    assert found.creep_20_to_30_min.value == pytest.approx(late, rel=1e-9)
    assert found.minimum_load_return is not None
    returned = (crept(1830 + 30) - crept(30)) / applied
    assert found.minimum_load_return.value == pytest.approx(returned, rel=1e-9)
    assert found.largest_creep.where == "30.0 min"
    assert found.recovery_30_min is not None
    recovered = (crept(3660) - crept(1830)) - (crept(1860) - crept(30))
    assert found.recovery_30_min.value == pytest.approx(recovered / applied, rel=1e-9)


def test_time_constants_are_found_and_so_is_what_was_still_to_come() -> None:
    found = creep_results(creep(SIZE)).fit
    assert found is not None
    for term, (part, tau) in zip(found.terms, TERMS, strict=True):
        assert term.time_constant.value == pytest.approx(tau, rel=1e-6)
        still = RATED * SIZE * part * math.exp(-30 / tau)
        assert term.amplitude.value == pytest.approx(still, rel=1e-6)
    assert found.at(600.0) == pytest.approx(3e-5 + RATED * (1 + crept(630)), rel=1e-12)


def test_one_term_is_not_split_in_two() -> None:
    rng = np.random.default_rng(5)
    record = creep(SIZE, ((1.0, 400.0),), noise=lambda: 2e-9 * rng.normal())
    fit = creep_results(record).fit
    assert fit is not None
    (term,) = fit.terms
    assert term.time_constant.expanded is not None
    assert abs(term.time_constant.value - 400.0) < term.time_constant.expanded


def test_noise_alone_has_no_time_constant() -> None:
    rng = np.random.default_rng(7)
    found = creep_results(creep(0.0, noise=lambda: 2e-9 * rng.normal()))
    assert found.fit is None
    assert any("no time constants" in note for note in found.notes)


def test_a_cell_that_does_not_creep_has_the_scatter_about_its_mean() -> None:
    rng = np.random.default_rng(7)
    found = creep_results(creep(0.0, every_s=10.0, noise=lambda: 2e-9 * rng.normal()))
    assert found.creep_30_min.uncertainty is not None
    expected = math.sqrt(2) * 2e-9 / RATED
    assert found.creep_30_min.uncertainty.standard == pytest.approx(expected, rel=0.2)


def test_a_constant_without_noise_is_no_creep_and_has_no_uncertainty() -> None:
    assert fit_creep([30.0 * k for k in range(61)], [1e-3] * 61) is None
    found = creep_results(creep(0.0))
    assert found.creep_30_min.uncertainty is None
    assert any("U cannot be given" in note for note in found.notes)


def test_creep_has_the_noise_of_two_readings() -> None:
    noise = Influence(name="noise", standard_uncertainty=4e-9)
    found = creep_results(creep(SIZE), [noise])
    assert found.creep_30_min.uncertainty is not None
    expected = math.sqrt(2) * 4e-9 / RATED
    assert found.creep_30_min.uncertainty.standard == pytest.approx(expected, rel=1e-3)


def test_the_scatter_about_the_fit_tells_the_noise_where_nobody_stated_it() -> None:
    rng = np.random.default_rng(11)
    found = creep_results(creep(SIZE, every_s=10.0, noise=lambda: 4e-9 * rng.normal()))
    assert found.fit is not None
    assert found.fit.residual_deviation == pytest.approx(4e-9, rel=0.2)


def test_readings_beside_20_and_30_min_are_interpolated() -> None:
    """Every 45 s, none falls on 20 min: between 19:30 and 20:15 the curve is straight enough."""
    found = creep_results(creep(SIZE, every_s=45.0))
    assert found.creep_20_to_30_min is not None
    late = (crept(1830) - crept(1230)) / (1 + crept(30))
    assert found.creep_20_to_30_min.value == pytest.approx(late, rel=1e-3)


def without(record_times: tuple[float, float]) -> list[CreepReading]:
    low, high = record_times
    return [r for r in creep(SIZE).readings if not low < r.time_s < high]


def test_a_record_without_a_reading_at_20_min_says_what_it_cannot_tell() -> None:
    found = creep_results(creep_record(without((1000.0, 1400.0))))
    assert found.creep_20_to_30_min is None
    assert any("no reading within 1 min of 20 min" in note for note in found.notes)


def test_a_record_that_ends_early_is_refused() -> None:
    with pytest.raises(SeriesError, match=r"up to 30 min under load, they end at 25\.0"):
        creep_results(creep_record(without((1500.0, 9999.0))))


def test_a_record_without_unloading_tells_creep_only() -> None:
    found = creep_results(creep_record(without((1800.5, 9999.0))))
    assert found.minimum_load_return is None
    assert any("return to minimum load cannot be given" in note for note in found.notes)


def rows(*points: tuple[float, float, float]) -> list[CreepReading]:
    return [
        CreepReading(time_s=time, load=load, output=output, row=row)
        for row, (time, load, output) in enumerate(points, start=2)
    ]


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([(0, 500, 2e-3), (60, 0, 0)], "the record begins loaded"),
        ([(0, 0, 0), (60, 0, 0)], "here is only one load"),
        ([(0, 0, 0), (60, 500, 2e-3), (120, 250, 1e-3)], "row 4: load 250 does not belong"),
        ([(0, 0, 0), (60, 500, 2e-3), (60, 500, 2e-3)], "row 4: the time does not rise"),
        ([(0, 0, 0), (60, 500, math.nan)], "row 3: output nan"),
        ([(0, 0, 0), (9, 500, 2), (99, 0, 0), (999, 500, 2)], "row 5: load 500 does not belong"),
    ],
)
def test_records_that_break_a_rule_are_refused(
    points: list[tuple[float, float, float]], message: str
) -> None:
    with pytest.raises(SeriesError, match=message):
        creep_record(rows(*points))
