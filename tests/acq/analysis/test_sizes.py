from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from acq.analysis.sizes import SizeIntegral, exactly, log_uniform, mixture

PRIOR = log_uniform(0.01, 2.0, lambda x: x)


def test_the_density_of_sizes_integrates_to_one() -> None:
    both = mixture((0.3, PRIOR), (0.7, log_uniform(0.5, 4.0, lambda x: x, signs=(1,))))
    assert both.share.sum() == pytest.approx(1.0)
    for prior in (PRIOR, both):
        ends = np.concatenate([prior.lower, prior.upper[-1:]])
        total = sum(
            quad(lambda s, p=prior: float(np.exp(p.log_density(np.array(s)))), a, b)[0]
            for a, b in zip(prior.lower, prior.upper, strict=True)
        )
        assert total == pytest.approx(1.0, rel=1e-6)
        assert np.isneginf(prior.log_density(np.array([2.0 * np.abs(ends).max()])))


@settings(max_examples=60, deadline=None)
@given(estimate=st.floats(-3.0, 3.0), sigma=st.floats(1e-3, 1.0))
def test_the_integral_over_the_prior_agrees_with_numerical_quadrature(
    estimate: float, sigma: float
) -> None:
    def integrand(s: float) -> float:
        density = np.exp(PRIOR.log_density(np.array(s)))
        return float(density * np.exp(-0.5 * ((s - estimate) / sigma) ** 2))

    expected = sum(
        quad(integrand, a, b, points=[np.clip(estimate, a, b)], epsabs=0.0, epsrel=1e-10)[0]
        for a, b in zip(PRIOR.lower, PRIOR.upper, strict=True)
    )
    if expected < 1e-280:
        return  # beyond what quadrature can hold
    found = PRIOR.log_integral(np.array([estimate]), np.array([sigma]))[0]
    assert found == pytest.approx(np.log(expected), abs=1e-6)


@pytest.mark.parametrize("sigma", [1e-4, 1e-2, 0.5])
def test_the_table_for_many_cells_agrees_with_the_integral(sigma: float) -> None:
    table = SizeIntegral.of(PRIOR, sigma)
    at = np.concatenate([np.linspace(-2.5, 2.5, 400), sigma * np.linspace(-8.0, 8.0, 100)])
    exact = PRIOR.log_integral(at, np.full_like(at, sigma))
    matters = exact > exact.max() - 20.0
    assert table(at)[matters] == pytest.approx(exact[matters], abs=0.2)  # bins of 19 %


def test_far_beyond_all_sizes_the_table_stays_hopeless() -> None:
    table = SizeIntegral.of(PRIOR, 1e-3)
    assert table(np.array([50.0]))[0] < -1e6


def test_a_known_size_is_a_normal_density_at_its_place() -> None:
    found = exactly().log_integral(np.array([1.3]), np.array([0.1]))[0]
    assert found == pytest.approx(-0.5 * 3.0**2, abs=1e-4)


def test_only_priors_that_reach_the_extreme_say_so() -> None:
    assert exactly().at_end
    assert not log_uniform(0.05, 30.0, lambda x: x).at_end
    assert not log_uniform(1e-4, 1e-2, lambda x: x).at_end
