"""Scenarios come out as they say, by the shortest plan; the campaign runs all of them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.campaigns.scenarios import (
    SCENARIOS,
    Found,
    conduct,
    differences,
    expectation,
)
from tests.conducting import QUICK

SOME = ("healthy-c", "swapped-sense", "short-s-plus-s-minus")


@pytest.mark.parametrize("name", SOME)
def test_a_scenario_comes_out_as_expected(name: str, tmp_path: Path) -> None:
    expected = expectation(name)
    found = conduct(name, tmp_path / "run", expected["cell"], plan=str(QUICK))
    assert not differences(expected, found)


def test_every_shipped_scenario_says_what_it_expects_of_which_sequence() -> None:
    for path in SCENARIOS.glob("*.toml"):
        expected = tomllib.loads(path.read_text(encoding="utf-8")).get("expectation", {})
        assert "sequence" in expected, path.name


def test_another_outcome_is_told() -> None:
    expected = {
        "exit_code": 1,
        "conformity": "fail",
        "faults": ["open-arm"],
        "where": ["S+", "Ex+"],
    }
    assert differences(expected, Found(1, "fail", ("open-arm",), ("Ex+", "S+"))) == []
    assert len(differences(expected, Found(0, "pass", ("none-found",), ()))) == 3
    assert len(differences(expected, Found(1, "fail", ("open-arm",), ("Ex-", "S+")))) == 1
    assert len(differences(expected, Found(3, None))) == 3
