"""Uncertainty and decision rules: GUM, JCGM 106, ILAC-G8, control charts."""

from __future__ import annotations

import math
from functools import cache, partial

import GTC

from acq.readings.budget import coverage_factor, expanded
from acq.readings.conformity import Conformity, judge
from acq.readings.control_chart import D2, chart_of
from acq.readings.measured import Expanded
from acq.readings.population import DecisionPlan, Population, Risks, risks
from acq.readings.risk import conformance_probability
from acq.readings.rules import Limit, Rule, RuleName
from acq.validation.check import PublishedCheck

GUM_H1 = "JCGM 100:2008, H.1"
TRIALS = 400_000


@cache
def _end_gauge() -> Expanded:
    """The end gauge of GUM H.1, lengths in nm, at 99 %."""
    standard = GTC.ureal(50_000_623.0, 25.0, 18)
    difference = 215.0 + GTC.ureal(0.0, 5.8, 24) + GTC.ureal(0.0, 3.9, 5) + GTC.ureal(0.0, 6.7, 8)
    expansion = GTC.ureal(11.5e-6, 2e-6 / math.sqrt(3.0))
    delta_expansion = GTC.ureal(0.0, 1e-6 / math.sqrt(3.0), 50)
    temperature = GTC.ureal(-0.1, 0.2) + GTC.ureal(0.0, 0.5 / math.sqrt(2.0))
    delta_temperature = GTC.ureal(0.0, 0.05 / math.sqrt(3.0), 2)
    change = delta_expansion * temperature + expansion * delta_temperature
    return expanded(standard + difference - standard * change, 0.99)


def _breakdown_voltage() -> float:
    limit = Limit(None, -5.40, "V", "specification")
    return conformance_probability(Expanded(-5.47, 0.10, 2.0, math.inf), limit)


@cache
def _resistor_process() -> Risks:
    """JCGM 106, 9.5.3.2: 1500 +- 0.12 ohm, u 0.04 ohm, tolerance 0.2 and guard band 0.02 ohm."""
    rule = Rule(RuleName.GUARDED_ACCEPTANCE, 0.02 / 0.08)
    limit = Limit(1499.8, 1500.2, "ohm", "specification")
    plan = DecisionPlan(limit=limit, U=0.08, rule=rule, share=None)
    return risks(plan, Population(mean=1500.0, deviation=0.12), TRIALS, seed=106)


def _statements() -> float:
    """How many of the four statements of ILAC-G8, 4.2.3, come out as the guide has them."""
    limit = Limit(None, 1.0, "1", "specification")
    wanted = {
        0.85: Conformity.PASS,
        0.95: Conformity.CONDITIONAL_PASS,
        1.05: Conformity.CONDITIONAL_FAIL,
        1.15: Conformity.FAIL,
    }
    found = [
        judge(Expanded(value, 0.1, 2.0, math.inf), limit, "four statements").conformity is word
        for value, word in wanted.items()
    ]
    return float(sum(found))


def _chart_limit() -> float:
    return chart_of([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]).upper


JCGM_106_RISKS = "JCGM 106:2012, 9.5.3.2 (printed in whole per cent; digits by integration)"

CHECKS = (
    PublishedCheck(
        "end gauge, length", GUM_H1, 50_000_838.0, 0.5, "nm", lambda: _end_gauge().value
    ),
    PublishedCheck(
        "end gauge, combined standard uncertainty", GUM_H1, 32.0, 0.5, "nm", lambda: _end_gauge().u
    ),
    PublishedCheck(
        "end gauge, effective degrees of freedom",
        "JCGM 100:2008, H.1.6 and G.4.1",
        16.7,
        0.06,
        "",
        lambda: _end_gauge().dof,
    ),
    *(
        PublishedCheck(
            f"coverage factor, {dof:g} degrees of freedom, 95 %",
            "JCGM 100:2008, Table G.2",
            printed,
            0.0051,
            "",
            partial(coverage_factor, dof, 0.95),
        )
        for dof, printed in ((1, 12.71), (5, 2.57), (20, 2.09), (math.inf, 1.96))
    ),
    PublishedCheck(
        "conformance probability of a breakdown voltage",
        "JCGM 106:2012, 7.3.3 example",
        0.92,
        0.005,
        "",
        _breakdown_voltage,
    ),
    PublishedCheck(
        "consumer's risk of a resistor process", JCGM_106_RISKS, 0.00988, 0.0008, "",
        lambda: _resistor_process().consumers,
    ),
    PublishedCheck(
        "producer's risk of a resistor process", JCGM_106_RISKS, 0.06903, 0.002, "",
        lambda: _resistor_process().producers,
    ),
    PublishedCheck(
        "non-binary statements", "ILAC-G8:09/2019, 4.2.3", 4.0, 0.0, "of 4", _statements
    ),
    PublishedCheck(
        "factor d2 of moving ranges of two", "control chart tables", 1.128, 0.0005, "",
        lambda: D2, confirmed=False,
    ),
    PublishedCheck(
        "upper limit of a chart of individuals",
        "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2",
        55.8041, 0.003, "", _chart_limit, confirmed=False,
    ),
)  # fmt: skip
