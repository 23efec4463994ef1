"""Global risks of a resistor process: JCGM 106:2012 9.5.3.2, and the integral done by scipy."""

from __future__ import annotations

import math

import pytest
from scipy import integrate, stats

from acq.readings.population import DecisionPlan, Population, risks
from acq.readings.rules import Limit, Rule, RuleName

# ohm: process 1500 +- 0.12, measured with u = 0.04, tolerance 1500 +- 0.2
PROCESS = Population(mean=1500.0, deviation=0.12)
TOLERANCE = Limit(1499.8, 1500.2, "ohm", "specification")
U = 0.04
TRIALS = 2_000_000


def plan(guard_band: float) -> DecisionPlan:
    rule = Rule(RuleName.GUARDED_ACCEPTANCE, guard_band / (2.0 * U))
    return DecisionPlan(limit=TOLERANCE, U=2.0 * U, rule=rule, share=None)


# printed about 90 %, 1 % and 7 % with acceptance limits 1500 +- 0.18; the digits by integration
@pytest.mark.parametrize(
    ("guard_band", "consumers", "producers"),
    [(0.02, 0.009878292, 0.069026511), (0.0, 0.018942207, 0.0372078)],
)
def test_risks_of_the_resistor_process(
    guard_band: float, consumers: float, producers: float
) -> None:
    found = risks(plan(guard_band), PROCESS, TRIALS, seed=106)
    for drawn, published in (
        (found.conforming, 0.904419295),
        (found.consumers, consumers),
        (found.producers, producers),
    ):
        assert abs(drawn - published) <= 4.5 * found.standard_error(published)


@pytest.mark.parametrize(("U_share", "guard"), [(0.1, 0.0), (0.3, 1.0), (0.6, -1.0)])
def test_risks_of_other_processes_are_those_of_the_integral(U_share: float, guard: float) -> None:
    name = RuleName.GUARDED_REJECTION if guard < 0.0 else RuleName.GUARDED_ACCEPTANCE
    limit = Limit(-1.0, 1.0, "1", "specification")
    chosen = DecisionPlan(limit=limit, U=U_share, rule=Rule(name, abs(guard)), share=None)
    found = risks(chosen, Population(mean=0.3, deviation=0.5), TRIALS, seed=7)
    edge = 1.0 - guard * U_share

    def accepted(x: float) -> float:
        z = stats.norm(x, U_share / 2.0)
        return float((z.cdf(edge) - z.cdf(-edge)) * stats.norm.pdf(x, 0.3, 0.5))

    outside = sum(
        integrate.quad(accepted, low, high, epsabs=1e-9, limit=200)[0]
        for low, high in ((-4.0, -1.0), (1.0, 4.0))
    )
    assert abs(found.consumers - outside) <= 4.5 * found.standard_error(outside)
    assert math.isclose(sum(found.words.values()), 1.0)
