"""Every shipped scenario comes out as it says; by the shortest plan that can show it."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulated_bench.scenario import Expectation
from tests.campaigns.scenarios import NAMES, Found, conduct, differences, expectation

# chains with the same faults and quicker filters are in tests/sequences/test_weighing_chain.py, a
# lot is in tests/sequences/test_lot.py
ELSEWHERE = ("weighing-chain", "lot")
AT_THE_BENCH = [name for name in NAMES if expectation(name).sequence not in ELSEWHERE]


@pytest.mark.parametrize("name", AT_THE_BENCH)
def test_a_scenario_comes_out_as_expected(name: str, tmp_path: Path) -> None:
    found = conduct(name, tmp_path / "run", short=True)
    assert not differences(expectation(name), found)


def test_another_outcome_is_told() -> None:
    expected = Expectation(
        exit_code=1, conformity="fail", faults=("open-arm",), where=("S+", "Ex+")
    )
    assert differences(expected, Found(1, "fail", ("open-arm",), ("Ex+", "S+"))) == []
    assert len(differences(expected, Found(0, "pass", ("none-found",), ()))) == 3
    assert len(differences(expected, Found(1, "fail", ("open-arm",), ("Ex-", "S+")))) == 1
    assert len(differences(expected, Found(3, None))) == 3


def test_another_block_is_told() -> None:
    healthy, leak = Expectation(block=""), Expectation(block="junction box")
    assert differences(healthy, Found(0, "pass")) == []
    assert len(differences(healthy, Found(0, "pass", block="loop"))) == 1
    assert differences(leak, Found(1, "fail", block="junction box")) == []
    assert len(differences(leak, Found(1, "fail"))) == 1
