"""Rules over whole populations: the same words as for one result, and what drawing leaves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.errors import WrongInput
from acq.readings.conformity import judge
from acq.readings.measured import Expanded
from acq.readings.population import (
    DecisionPlan,
    Population,
    curve_values,
    operating_curve,
    risks,
)
from acq.readings.rules import Limit, Rule, RuleName
from acq.readings.statements import WORDS, statements

BOTH = Limit(373.0, 397.0, "ohm", "data sheet")
SIDES = st.sampled_from([BOTH, Limit(373.0, None, "ohm", "x"), Limit(None, 397.0, "ohm", "x")])


@given(
    st.lists(st.floats(300.0, 450.0), min_size=1, max_size=5),
    st.floats(1e-3, 40.0),
    SIDES,
    st.sampled_from(list(RuleName)[:4]),
    st.floats(0.0, 3.0),
    st.sampled_from([None, 0.1, 1.0 / 3.0]),
)
def test_many_at_once_get_the_words_that_each_would_get_alone(
    values: list[float], U: float, limit: Limit, name: RuleName, r: float, share: float | None
) -> None:
    rule = Rule(name, r)
    codes = statements(np.array(values), U, limit, rule, share)
    for value, code in zip(values, codes, strict=True):
        alone = judge(Expanded(value, U, 2.0, math.inf), limit, rule, share)
        assert WORDS[code] is alone.conformity


def test_without_uncertainty_nothing_is_judged_wrongly() -> None:
    plan = DecisionPlan(limit=BOTH, U=0.0, rule=Rule.named("simple acceptance"))
    found = risks(plan, Population(mean=385.0, deviation=8.0), 10_000, seed=3)
    assert found.consumers == found.producers == found.undecided == 0.0
    assert sum(found.words.values()) == pytest.approx(1.0)


def test_a_guard_band_buys_consumers_safety_with_producers_loss() -> None:
    people = Population(mean=385.0, deviation=8.0)
    found = [
        risks(DecisionPlan(limit=BOTH, U=2.0, rule=Rule.named(name)), people, 100_000, seed=3)
        for name in ("guarded rejection", "simple acceptance", "guarded acceptance")
    ]
    consumers = [each.consumers for each in found]
    producers = [each.producers for each in found]
    assert consumers == sorted(consumers, reverse=True)
    assert producers == sorted(producers)


def test_the_same_seed_gives_the_same_risks_and_another_about_the_same() -> None:
    plan = DecisionPlan(limit=BOTH, U=2.0, rule=Rule.named("simple acceptance"))
    people = Population(mean=385.0, deviation=8.0, shape="rectangular")
    one, again = (risks(plan, people, 300_000, seed=3) for _ in range(2))
    other = risks(plan, people, 300_000, seed=4)
    assert one == again
    apart = 5.0 * math.sqrt(2.0) * one.standard_error(one.consumers)
    assert abs(one.consumers - other.consumers) <= apart


def test_the_operating_curve_is_half_at_the_limit_of_simple_acceptance() -> None:
    plan = DecisionPlan(limit=BOTH, U=2.0, rule=Rule.named("simple acceptance"))
    curve = operating_curve(plan, np.array([373.0, 385.0, 397.0, 399.0]), 200_000, seed=5)
    assert [point.accepted for point in curve] == pytest.approx([0.5, 1.0, 0.5, 0.0228], abs=0.005)
    values = curve_values(plan, 11)
    assert values[0] < 373.0 - 2.0
    assert values[-1] > 397.0 + 2.0


def test_what_makes_no_population_or_plan_is_refused() -> None:
    with pytest.raises(WrongInput, match="allowed are normal, rectangular"):
        Population(mean=1.0, deviation=1.0, shape="odd")
    with pytest.raises(WrongInput, match="0 or more"):
        Population(mean=1.0, deviation=-1.0)
    with pytest.raises(WrongInput, match="uncertainty must be 0 or more"):
        DecisionPlan(limit=BOTH, U=-1.0, rule=Rule.named("simple acceptance"))
    plan = DecisionPlan(limit=BOTH, U=1.0, rule=Rule.named("normalised error"))
    with pytest.raises(WrongInput, match="no risk of a limit"):
        risks(plan, Population(mean=1.0, deviation=1.0), 1000, seed=0)
    with pytest.raises(WrongInput, match="1000 at least"):
        risks(plan, Population(mean=1.0, deviation=1.0), 999, seed=0)
