"""Decision rules: every statement, every edge, and when the bench cannot tell."""

from __future__ import annotations

import math
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.errors import WrongInput
from acq.readings.conformity import (
    Conformity,
    Limit,
    Rule,
    RuleName,
    judge,
    judge_deciding,
    normalised_error,
)
from acq.readings.measured import Bound, Expanded

PASS, FAIL = Conformity.PASS, Conformity.FAIL
NEARLY, HARDLY = Conformity.CONDITIONAL_PASS, Conformity.CONDITIONAL_FAIL
UNDECIDED = Conformity.UNDECIDED

UPPER = Limit(None, 1.0, "V", "data sheet")
INSULATION = Limit(5e9, None, "ohm", "data sheet: insulation resistance at 50 V")


def result(value: float, U: float) -> Expanded:
    return Expanded(value, U, 2.0, math.inf)


@pytest.mark.parametrize(
    ("value", "simple", "accept", "reject", "four"),
    [
        (0.75, PASS, PASS, PASS, PASS),
        (0.875, PASS, PASS, PASS, PASS),  # exactly on limit - w: the better word
        (0.9, PASS, FAIL, PASS, NEARLY),
        (1.0, PASS, FAIL, PASS, NEARLY),  # exactly on the limit
        (1.05, FAIL, FAIL, PASS, HARDLY),
        (1.125, FAIL, FAIL, PASS, HARDLY),  # exactly on limit + w
        (1.2, FAIL, FAIL, FAIL, FAIL),
    ],
)
def test_each_rule_gives_its_word_on_either_side_of_each_edge(
    value: float, simple: Conformity, accept: Conformity, reject: Conformity, four: Conformity
) -> None:
    words = [judge(result(value, 0.125), UPPER, rule).conformity for rule in list(RuleName)[:4]]
    assert words == [simple, accept, reject, four]


@pytest.mark.parametrize("rule", list(RuleName)[:4])
def test_beyond_limit_plus_u_is_fail_and_inside_limit_minus_u_is_pass_whatever_u(
    rule: RuleName,
) -> None:
    wide = 0.8  # far above a third of the tolerance
    assert judge(result(1.81, wide), UPPER, Rule(rule)).conformity is FAIL
    assert judge(result(0.19, wide), UPPER, Rule(rule)).conformity is PASS
    for value in (0.21, 0.9, 1.0, 1.1, 1.79):
        assert judge(result(value, wide), UPPER, Rule(rule)).conformity is UNDECIDED


def test_a_small_enough_u_is_never_undecided() -> None:
    assert judge(result(1.0, 1.0 / 3.0), UPPER, "four statements").conformity is NEARLY
    assert judge(result(1.0, 0.34), UPPER, "four statements").conformity is UNDECIDED
    assert judge(result(1.0, 0.34), UPPER, "four statements", share=None).conformity is NEARLY


@given(st.floats(0.01, 100.0), st.floats(1e-6, 0.3), st.floats(0.1, 3.0), st.sampled_from([1, -1]))
def test_an_edge_is_met_whatever_floats_make_of_it(
    limit: float, part: float, r: float, side: int
) -> None:
    U = limit * part
    upper = Limit(None, limit, "V", "data sheet")
    for rule, edge, word in (
        (Rule(RuleName.GUARDED_ACCEPTANCE, r), limit - r * U, PASS),
        (Rule(RuleName.GUARDED_REJECTION, r), limit + r * U, PASS),
        (Rule(RuleName.FOUR_STATEMENTS, r), limit - r * U, PASS),
        (Rule(RuleName.FOUR_STATEMENTS, r), limit + r * U, HARDLY),
        (Rule(RuleName.SIMPLE_ACCEPTANCE), limit, PASS),
    ):
        near = math.nextafter(edge, side * math.inf)
        assert judge(result(near, U), upper, rule).conformity is word


def test_two_limits_count_with_half_their_distance() -> None:
    both = Limit(373.0, 397.0, "ohm", "data sheet")
    assert both.tolerance == 12.0
    assert judge(result(396.0, 3.9), both, "four statements").conformity is NEARLY
    assert judge(result(396.0, 4.1), both, "four statements").conformity is UNDECIDED
    assert judge(result(374.0, 4.1), both, "four statements").conformity is UNDECIDED


@pytest.mark.parametrize(
    ("bound", "expected"),
    [
        (Bound(2e9, "above"), UNDECIDED),
        (Bound(20e9, "above"), PASS),
        (Bound(20e9, "above", 2e9), PASS),
        (Bound(5.5e9, "above", 1e9), UNDECIDED),  # the tester's own accuracy spoils it
        (Bound(4e9, "below"), FAIL),
        (Bound(6e9, "below"), UNDECIDED),
    ],
)
def test_a_bound_proves_only_what_every_value_beyond_it_would_prove(
    bound: Bound, expected: Conformity
) -> None:
    judgement = judge(bound, INSULATION, "guarded acceptance")
    assert judgement.conformity is expected
    if expected is UNDECIDED:
        assert judgement.because.endswith("the reading proves neither side")
        assert judgement.specific_risk is None


@pytest.mark.parametrize("rule", list(RuleName)[:4])
def test_an_open_pair_fails_a_resistance_with_two_limits(rule: RuleName) -> None:
    pair = Limit(373.0, 397.0, "ohm", "data sheet")
    assert judge(Bound(1000.0, "above", 0.06), pair, Rule(rule)).conformity is FAIL
    below = judge(Bound(300.0, "above", 0.06), pair, Rule(rule))
    assert below.conformity is UNDECIDED
    assert below.specific_risk is None
    near = judge(Bound(397.0, "above", 5.0), pair, Rule(rule))
    assert near.conformity is UNDECIDED
    assert near.specific_risk is None


@given(
    st.floats(1.0, 100.0),
    st.floats(0.0, 0.3),
    st.sampled_from(list(RuleName)[:4]),
    st.sampled_from([(40.0, None), (None, 40.0), (30.0, 50.0)]),
    st.sampled_from(["above", "below"]),
    st.floats(0.0, 60.0),
)
def test_what_a_bound_proves_holds_for_every_value_beyond_it(
    edge: float,
    part: float,
    name: RuleName,
    sides: tuple[float | None, float | None],
    kind: Literal["above", "below"],
    further: float,
) -> None:
    limit = Limit(*sides, "V", "data sheet")
    bound = Bound(edge, kind, edge * part / 1.959963984540054)
    said = judge(bound, limit, Rule(name)).conformity
    beyond = edge + further if kind == "above" else edge - further
    there = judge(result(beyond, edge * part), limit, Rule(name)).conformity
    if said is not UNDECIDED:
        assert (there.accepted, there.rejected) == (said.accepted, said.rejected)


def test_the_risk_of_a_bound_is_that_of_its_own_accuracy() -> None:
    good = judge(Bound(7e9, "above", 1e9), INSULATION, "guarded acceptance")
    assert good.conformity is PASS
    assert good.specific_risk == pytest.approx(0.02275, abs=1e-5)  # two standard uncertainties
    bad = judge(Bound(3e9, "below", 1e9), INSULATION, "guarded acceptance", share=None)
    assert bad.conformity is FAIL
    assert bad.specific_risk == pytest.approx(0.02275, abs=1e-5)
    assert "2 Gohm outside, guard band" in bad.because


def test_a_bound_agrees_with_no_reference() -> None:
    sheet = Limit(None, None, "ohm", "sheet", reference=20e9, reference_uncertainty=2e9)
    assert judge(Bound(20e9, "above"), sheet, "normalised error").conformity is UNDECIDED


def test_normalised_error_divides_by_both_uncertainties() -> None:
    assert normalised_error(10.5, 0.3, 10.0, 0.4) == pytest.approx(1.0)
    sheet = Limit(9.0, 11.0, "ohm", "sheet", reference=10.0, reference_uncertainty=0.4)
    assert judge(result(10.49, 0.3), sheet, "normalised error").conformity is PASS
    assert judge(result(10.51, 0.3), sheet, "normalised error").conformity is FAIL
    assert "E_n = 0.98" in judge(result(10.49, 0.3), sheet, "normalised error").because


def test_a_normalised_error_needs_a_reference_with_its_uncertainty() -> None:
    with pytest.raises(ValueError, match="needs a reference"):
        judge(result(0.5, 0.1), UPPER, "normalised error")


def test_the_reason_says_value_limit_source_and_what_dominates() -> None:
    wide = judge(result(1.0, 0.5), UPPER, "four statements")
    assert wide.because == (
        "1.00 V ± 0.50 V against at most 1 V (data sheet): a limit lies within ±U, and U is more "
        "than 33.3 % of the tolerance 1 V"
    )
    near = judge(result(1.05, 0.1), UPPER, "four statements")
    assert near.because == (
        "1.05 V ± 0.10 V against at most 1 V (data sheet): 50 mV outside, guard band 100 mV"
    )


def test_rules_are_named_with_their_guard_band() -> None:
    rule = Rule.named("guarded acceptance, w = 0.83 U")
    assert rule == Rule(RuleName.GUARDED_ACCEPTANCE, 0.83)
    assert Rule.named(str(rule)) == rule
    assert str(Rule.named("four statements")) == "four statements"
    for wrong in ("accept", "guarded acceptance, w = U2", "guarded acceptance, w = -1 U"):
        with pytest.raises(WrongInput, match="there are: simple acceptance, guarded acceptance"):
            Rule.named(wrong)
    with pytest.raises(WrongInput, match="beyond limit \\+ U a result fails whatever U is"):
        Rule.named("guarded rejection, w = 1.2 U")


def test_exactly_one_limit_decides() -> None:
    beside = Limit(None, 0.5, "V", "lot", decides=False)
    assert (
        judge_deciding(result(0.6, 0.01), [beside, UPPER], "simple acceptance").conformity is PASS
    )
    with pytest.raises(ValueError, match="exactly one limit decides, got 0 of 1"):
        judge_deciding(result(0.6, 0.01), [beside], "simple acceptance")
    with pytest.raises(ValueError, match="exactly one limit decides, got 2 of 2"):
        judge_deciding(result(0.6, 0.01), [UPPER, UPPER], "simple acceptance")


def test_a_limit_needs_a_side_and_in_order() -> None:
    with pytest.raises(ValueError, match="above upper"):
        Limit(2.0, 1.0, "V", "data sheet")
    with pytest.raises(ValueError, match="needs a lower or an upper side"):
        Limit(None, None, "V", "data sheet")
