"""Lower limit factor in the manner of ASTM E74-18, on NIST's certified load cell data.

2.4 s and the conversion by the mean ratio of force and deflection: ASTM E74-18, 7.1.2 and 8.5, as
quoted in a public article; s certified by NIST (StRD Pontius). The degree factors are from
memory, unconfirmed: table and formula were remembered apart and agree.
"""

from __future__ import annotations

import pytest

from acq.analysis.astm_e74 import (
    degree_by_factors,
    degree_factor,
    e74_table,
    lower_limit_factor,
)
from acq.analysis.polynomial import fit_polynomial
from acq.validation.load_cell_data import pontius


def test_the_factor_converts_by_the_mean_ratio_and_not_by_the_slope() -> None:
    found = lower_limit_factor(fit_polynomial(pontius(), 2), e74_table())
    assert found.load_per_output == pytest.approx(1373910.49023447, rel=1e-9)
    assert found.in_load == pytest.approx(676.5489967, rel=1e-9)
    assert not found.at_resolution
    # by the slope B1 it would be 672.66, half a percent off
    assert found.in_load != pytest.approx(672.6585014, rel=1e-3)


def test_the_factor_never_falls_below_the_resolution() -> None:
    found = lower_limit_factor(fit_polynomial(pontius(), 2), e74_table(), resolution=1e-3)
    assert found.at_resolution
    assert found.in_output == 1e-3
    assert found.in_load == pytest.approx(1373.91049023447, rel=1e-9)


def test_the_loading_range_is_400_or_2000_factors() -> None:
    found = lower_limit_factor(fit_polynomial(pontius(), 2), e74_table())
    assert found.lower_limit_a == pytest.approx(400 * 676.5489967, rel=1e-9)
    assert found.lower_limit_aa == pytest.approx(2000 * 676.5489967, rel=1e-9)


def test_the_loading_range_never_reaches_below_the_lowest_load() -> None:
    data = pontius()
    coarse = e74_table().model_copy(
        update={"loading_range": e74_table().loading_range.model_copy(update={"A": 1.0})}
    )
    assert lower_limit_factor(fit_polynomial(data, 2), coarse).lower_limit_a == 150_000.0


@pytest.mark.parametrize(("degree", "factor"), [(2, 1.373), (3, 1.455), (4, 1.582), (5, 1.801)])
def test_degree_factors_for_ten_loads_are_the_remembered_ones(degree: int, factor: float) -> None:
    assert degree_factor(10, degree) == pytest.approx(factor, abs=5e-4)


def test_the_quadratic_pays_for_itself_and_the_cubic_does_not() -> None:
    assert degree_by_factors(pontius(), e74_table()) == 2


def test_what_is_from_memory_says_so() -> None:
    table = e74_table()
    assert "from memory, unconfirmed" in table.status
    assert "from memory, unconfirmed" in table.degree.source
    found = lower_limit_factor(fit_polynomial(pontius(), 2), table)
    assert any("2 runs, at least 3" in note for note in found.notes)
