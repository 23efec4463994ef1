"""Decision rules and specific risk against ILAC-G8:09/2019 and JCGM 106:2012."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from acq.readings.conformity import SHARE, Conformity, Limit, Rule, RuleName, judge
from acq.readings.measured import Expanded
from acq.readings.risk import conformance_probability, normal_or_t


@pytest.mark.parametrize(
    ("value", "statement"),
    [(0.85, "pass"), (0.95, "conditional pass"), (1.05, "conditional fail"), (1.15, "fail")],
)
def test_non_binary_statements_of_ilac_g8(value: float, statement: str) -> None:
    # ILAC-G8:09/2019 4.2.3 with w = U, upper limit 1, U 0.1
    limit = Limit(None, 1.0, "1", "specification")
    judgement = judge(Expanded(value, 0.1, 2.0, math.inf), limit, "four statements")
    assert judgement.conformity.value == statement


# ILAC-G8:09/2019 Table 1: w = r U and the specific risk of a value on the acceptance limit, k = 2
@pytest.mark.parametrize(
    ("r", "risk", "digits"), [(0.0, 0.50, 1e-9), (0.83, 0.05, 0.002), (1.0, 0.025, 0.003)]
)
def test_specific_risk_on_the_acceptance_limit_of_each_guard_band(
    r: float, risk: float, digits: float
) -> None:
    limit = Limit(None, 1.0, "1", "specification")
    at_edge = Expanded(1.0 - r * 0.1, 0.1, 2.0, math.inf)
    judgement = judge(at_edge, limit, Rule(RuleName.GUARDED_ACCEPTANCE, r))
    assert judgement.conformity is Conformity.PASS
    assert judgement.specific_risk == pytest.approx(risk, abs=digits)
    assert judgement.specific_risk == pytest.approx(1.0 - stats.norm.cdf(2.0 * r), abs=1e-12)


def test_conformance_probability_of_a_breakdown_voltage() -> None:
    # JCGM 106:2012 7.3.3 example: y = -5.47 V, u = 0.05 V, upper limit -5.40 V; printed 0.92
    limit = Limit(None, -5.40, "V", "specification")
    result = Expanded(-5.47, 0.10, 2.0, math.inf)
    assert conformance_probability(result, limit) == pytest.approx(0.91924334, abs=1e-6)
    judgement = judge(result, limit, "simple acceptance", share=None)
    assert judgement.specific_risk == pytest.approx(1.0 - 0.91924334, abs=1e-6)


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_one_sided_quantiles_of_table_1(probability: float, z: float) -> None:
    # JCGM 106:2012 7.3.3 Table 1, printed to two decimals
    assert normal_or_t(z, math.inf) == pytest.approx(probability, abs=0.005)


def test_few_degrees_of_freedom_widen_the_risk() -> None:
    limit = Limit(None, 1.0, "1", "specification")
    few = Expanded(0.8, 0.4, 4.303, 2.0)
    expected = stats.t.cdf(0.2 / (0.4 / 4.303), 2)
    assert conformance_probability(few, limit) == pytest.approx(expected, abs=1e-9)


def test_the_usual_share_is_that_of_jcgm_106() -> None:
    # JCGM 106:2012 8.2.3 example: accept |e| <= E with U <= E / 3
    assert pytest.approx(1.0 / 3.0) == SHARE
    limit = Limit(-3.0, 3.0, "1", "specification")
    small = judge(Expanded(3.0, 1.0, 2.0, math.inf), limit, "simple acceptance")
    large = judge(Expanded(3.0, 1.01, 2.0, math.inf), limit, "simple acceptance")
    assert small.conformity is Conformity.PASS
    assert large.conformity is Conformity.UNDECIDED
