"""`bridgebench risk`: one document, one line for each mistake."""

from __future__ import annotations

import json

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]
RESISTOR: tuple[str, ...] = ("--lower", "1499.8", "--upper", "1500.2", "--mean", "1500")
RESISTOR += (
    "--deviation",
    "0.12",
    "--uncertainty",
    "0.08",
    "--rule",
    "guarded acceptance, w = 0.25 U",
    "--share",
    "1",
)


def test_the_resistor_process_of_jcgm_106(capsys: Capture) -> None:
    # JCGM 106:2012 9.5.3.2: about 90 % conform, consumer's risk 1 %, producer's risk 7 %
    assert run_command(["risk", *RESISTOR, "--json"]) is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)
    assert document["conforming"] == pytest.approx(0.904419, abs=0.0015)
    assert document["consumers_risk"] == pytest.approx(0.009878, abs=0.0005)
    assert document["producers_risk"] == pytest.approx(0.069027, abs=0.0013)
    accepted = [point["accepted"] for point in document["operating_curve"]]
    assert accepted[0] == pytest.approx(0.0, abs=0.01)
    assert max(accepted) > 0.95


def test_limits_may_come_from_the_papers_of_a_cell(capsys: Capture) -> None:
    arguments = ["--cell", "B-011902", "--of", "zero balance", "--mean", "0 mV/V"]
    arguments += ["--deviation", "0.01 mV/V", "--uncertainty", "0.002 mV/V", "--trials", "2000"]
    assert run_command(["risk", *arguments]) is ExitCode.DONE
    out = capsys.readouterr().out
    assert out.startswith("-0.02 mV/V to 0.02 mV/V (data sheet BB-SB500 rev 2: zero balance)")
    assert "consumer's risk" in out


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--mean", "1"], "name --lower or --upper"),
        (["--mean", "1 V", "--lower", "2 ohm"], "--mean: the unit must be ohm"),
        (["--mean", "> 1", "--lower", "2"], "--mean: a number is needed"),
        (["--mean", "1", "--lower", "2", "--upper", "1"], "--lower 2 is above --upper 1"),
        (["--mean", "1", "--lower", "2", "--rule", "strict"], "no decision rule 'strict'"),
        (["--mean", "1", "--cell", "B-011902"], "--cell needs --of"),
        (["--mean", "1", "--cell", "B-011902", "--of", "colour"], "no limits of 'colour'"),
        (["--mean", "1", "--cell", "B-011902", "--of", "resistance Ex+ Q"], "'Q' is not a valid"),
        (["--mean", "1", "--lower", "2", "--shape", "bimodal"], "allowed are normal"),
    ],
)
def test_a_mistake_gets_one_line_and_exit_code_2(
    capsys: Capture, arguments: list[str], line: str
) -> None:
    needed = ["--deviation", "1", "--uncertainty", "1"]
    assert run_command(["risk", *arguments, *needed]) is ExitCode.WRONG_INPUT
    captured = capsys.readouterr()
    assert line in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""
