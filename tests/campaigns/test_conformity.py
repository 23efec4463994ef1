"""The short form of the campaign of statements; the long one writes the table."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from acq.readings.conformity import Conformity
from acq.readings.rules import RuleName
from tests.campaigns.conformity import (
    RISK_OF_A_CONDITIONAL_PASS,
    RISK_OF_A_PASS,
    RULES,
    TABLE,
    Results,
    Statement,
    accepted_and_out,
    foretold,
    passes,
    run,
    table,
)


@cache
def results() -> Results:
    return run(seed=5, types=4, cells=60)


def slack(share: float, count: int) -> float:
    """Four standard errors of a drawn share."""
    return 4.0 * float(np.sqrt(max(share * (1.0 - share), 1.0 / count) / count))


def near(rule: RuleName) -> list[Statement]:
    return [
        x
        for x in results().statements
        if x.rule is rule and x.share is None and -x.U < x.inside < 0.0
    ]


@pytest.mark.parametrize("rule", RULES)
def test_cells_just_out_of_tolerance_pass_no_more_often_than_the_rule_risks(rule: RuleName) -> None:
    out = near(rule)
    assert len(out) > 40
    for word, risk in (
        (Conformity.PASS, RISK_OF_A_PASS[rule]),
        (Conformity.CONDITIONAL_PASS, RISK_OF_A_CONDITIONAL_PASS),
    ):
        assert np.mean([x.word is word for x in out]) <= risk + slack(risk, len(out))


def test_a_lax_rule_lets_more_pass_than_a_strict_one() -> None:
    found = [np.mean([x.word.accepted for x in near(rule)]) for rule in RULES[:3]]
    simple, accepting, rejecting = found
    assert accepting < simple < rejecting
    assert rejecting > 0.5


@pytest.mark.parametrize("rule", RULES)
def test_statements_are_wrong_no_more_often_than_they_say(rule: RuleName) -> None:
    for check in ("input resistance", "output resistance", "zero balance"):
        passed = passes(results().statements, check, rule)
        stated = float(np.mean([x.risk for x in passed]))
        wrong = float(np.mean([x.inside < 0.0 for x in passed]))
        assert wrong <= stated + slack(stated, len(passed)), check


@pytest.mark.parametrize("rule", RULES)
def test_the_risk_calculation_foretells_what_is_found(rule: RuleName) -> None:
    for check in ("input resistance", "output resistance", "zero balance"):
        found = accepted_and_out(results().statements, check, rule)
        said = foretold(results(), check, rule)
        assert np.mean(found) == pytest.approx(said, abs=slack(said, len(found)) + 0.01), check


def test_the_table_tells_every_rule_and_check() -> None:
    text = table(results(), seed=5)
    for rule in RULES:
        assert f"| {rule} |" in text
    for check in ("input resistance", "insulation resistance", "zero balance"):
        assert f"| {check} |" in text


def test_the_kept_table_holds_what_is_claimed() -> None:
    """No share of cells out of tolerance that pass is above its rule's risk."""
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in TABLE.read_text(encoding="utf-8").splitlines()
        if line.count("|") == 8 and line.rstrip().endswith(" % |")
    ]
    assert len(rows) == 2 * (len(RULES) + 1)
    for row in rows:
        risk = float(row[6].removesuffix(" %"))
        for share in (row[3], row[5]):
            assert float(share.partition(" ")[0]) <= risk, row
