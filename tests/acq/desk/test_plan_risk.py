"""`bridgebench risk --plan`: the risks of every check, against closed forms."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]
PLAN = ("risk", "--plan", "returned-cell", "--cell", "B-011902")
TRIALS = 200_000

BENCH = """
name = "a bench of this test"

[instruments.dmm]
by_hand = true

[[instruments.dmm.accuracy]]
quantity = "resistance"
range = 1000.0
reading_ppm = 3000.0
range_ppm = 100.0
"""


def documents(capsys: Capture, *more: str) -> dict[str, dict[str, Any]]:
    arguments = [*PLAN, "--trials", str(TRIALS), "--json", *more]
    assert run_command(arguments) is ExitCode.DONE
    told = json.loads(capsys.readouterr().out)
    return {one["check"]: one for one in told["checks"]}


def closed_form(one: dict[str, Any]) -> tuple[float, float]:
    """Consumer's and producer's risk of accepting what reads inside: JCGM 106:2012 9.5."""
    limit, u = one["limit"], one["expanded_uncertainty"] / one["coverage_factor"]
    process = stats.norm(one["population"]["mean"], one["population"]["deviation"])
    low, high = limit["lower"], limit["upper"]

    def accepted(x: float) -> float:
        inside = stats.norm.cdf((high - x) / u) - stats.norm.cdf((low - x) / u)
        return float(inside * process.pdf(x))

    def over(function: Any, start: float, end: float) -> float:
        points = np.linspace(start, end, 4001)
        return float(integrate.simpson([function(x) for x in points], x=points))

    reach = 8.0 * u
    consumers = over(accepted, low - reach, low) + over(accepted, high, high + reach)
    rejected = over(lambda x: process.pdf(x) - accepted(x), low, low + reach)
    rejected += over(lambda x: process.pdf(x) - accepted(x), high - reach, high)
    return consumers, rejected


@pytest.mark.parametrize("name", ["zero balance", "resistance S+ S-"])
def test_the_risks_of_a_check_are_those_of_the_integral(capsys: Capture, name: str) -> None:
    one = documents(capsys, "--of", name, "--spread", "1.5")[name]
    consumers, producers = closed_form(one)
    assert consumers > 1e-4
    for drawn, share in (
        (one["consumers_risk"], consumers),
        (one["producers_risk"], producers),
    ):
        assert abs(drawn - share) <= 4.5 * np.sqrt(share / TRIALS)


def test_the_operating_curve_is_the_normal_distribution_about_the_limit(capsys: Capture) -> None:
    one = documents(capsys, "--of", "zero balance")["zero balance"]
    limit, u = one["limit"], one["expanded_uncertainty"] / one["coverage_factor"]
    for point in one["operating_curve"]:
        x = point["true_value"]
        inside = stats.norm.cdf((limit["upper"] - x) / u) - stats.norm.cdf((limit["lower"] - x) / u)
        assert point["accepted"] == pytest.approx(float(inside), abs=0.005)


def test_every_check_of_the_plan_is_told_with_its_rule_limit_and_population(
    capsys: Capture,
) -> None:
    found = documents(capsys, "--points", "2")
    names = {"zero balance", "resistance Ex+ Ex-", "insulation leads to housing"}
    assert names <= set(found)
    assert len([name for name in found if name.startswith("resistance")]) == 15
    for one in found.values():
        assert one["rule"] == "four statements"
        assert "BB-SB500" in one["limit"]["source"] or "plan" in one["limit"]["source"]
        assert one["population"]["source"]
        assert 0.0 <= one["consumers_risk"] < one["conforming"]


def test_the_uncertainty_may_come_from_a_bench_file(capsys: Capture, tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(BENCH, encoding="utf-8")
    rough = documents(capsys, "--of", "resistance S+ S-", "--bench", str(file))
    fine = documents(capsys, "--of", "resistance S+ S-")
    one = rough["resistance S+ S-"]
    at = one["limit"]["upper"]
    # GUM 4.3.7: limits of error are rectangular; k of a normal distribution at 95 %
    expected = 1.959964 * np.hypot(3e-3 * at, 0.1) / np.sqrt(3.0)
    assert one["expanded_uncertainty"] == pytest.approx(expected, rel=1e-4)
    # U above the plan's share of the tolerance: near the limits nothing is decided
    assert one["undecided"] > 0.2
    assert fine["resistance S+ S-"]["undecided"] == 0.0
    assert run_command([*PLAN, "--of", "zero balance", "--bench", str(file)]) is ExitCode.DONE
    assert "left out, the bench file states no accuracy" in capsys.readouterr().out


def test_people_read_the_population_and_the_curve(capsys: Capture) -> None:
    arguments = [*PLAN, "--of", "insulation leads to housing", "--trials", "2000"]
    assert run_command(arguments) is ExitCode.DONE
    out = capsys.readouterr().out
    assert "log-normal, median" in out
    assert "limits of B-011902" in out
    assert "consumer" in out
    assert "###" in out


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--plan", "returned-cell"], "--plan needs --cell SERIAL"),
        ([*PLAN[1:], "--mean", "1"], "--mean does not go with --plan"),
        (["--plan", "no-such", "--cell", "B-011902"], "no plan 'no-such'"),
        ([*PLAN[1:], "--of", "colour"], "has no check 'colour'; there are: resistance Ex+ Ex-"),
        ([*PLAN[1:], "--spread", "0"], "'--spread': 0.0 is not in the range x>0"),
        ([*PLAN[1:], "--sequence", "creep"], "returned-cell.toml: creep: is missing"),
        (["--lower", "1 ohm", "--deviation", "1", "--uncertainty", "1"], "--mean is missing"),
    ],
)
def test_a_mistake_gets_one_line_and_exit_code_2(
    capsys: Capture, arguments: list[str], line: str
) -> None:
    assert run_command(["risk", *arguments]) is ExitCode.WRONG_INPUT
    captured = capsys.readouterr()
    assert line in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""
