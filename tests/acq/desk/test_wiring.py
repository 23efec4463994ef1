"""`bridgebench wiring SERIAL`: text, drawings, one document, and measured pairs compared."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]


def test_all_four_tests_of_a_shipped_cell(capsys: Capture, tmp_path: Path) -> None:
    code = run_command(["wiring", "B-011902", "--json", "--drawings", str(tmp_path)])
    document = json.loads(capsys.readouterr().out)

    assert code is ExitCode.DONE
    assert [plan["test"] for plan in document["plans"]] == ["ohms", "insulation", "zero", "load"]
    assert len(document["drawings"]) == len(list(tmp_path.glob("*.svg"))) > 10
    clips = document["plans"][2]["situations"][0]["clips"]
    ex_plus = next(clip for clip in clips if clip["terminal"] == "supply +")
    assert ex_plus == {
        "terminal": "supply +",
        "lead": "Ex+",
        "colour": "red",
        "guessed": True,
        "evidence": "guess",
    }


def test_a_measured_pair_by_colour_turns_a_guess_into_a_finding(capsys: Capture) -> None:
    arguments = ["wiring", "B-011902", "--test", "zero", "--pair", "red black=385.1"]
    assert run_command(arguments) is ExitCode.DONE
    text = capsys.readouterr().out

    assert "red  (385.1 ohm to Ex-, as on the papers; sign not shown yet)" in text
    assert "green?  (guess)" in text


def test_a_pair_that_does_not_agree_is_said_first_and_leaves_the_guess(capsys: Capture) -> None:
    arguments = ["wiring", "B-011902", "--test", "zero", "--pair", "red black=281"]
    assert run_command(arguments) is ExitCode.UNDECIDED
    text = capsys.readouterr().out

    assert text.startswith("DOES NOT AGREE: Ex+ Ex-: 281 ohm measured, 373 to 397 expected")
    assert "red?  (guess)" in text


@pytest.mark.parametrize("pair", ["red pink=385", "red black", "red black=x", "red red=385"])
def test_a_pair_that_cannot_be_read_says_what_can(pair: str, capsys: Capture) -> None:
    assert run_command(["wiring", "B-011902", "--pair", pair]) is ExitCode.WRONG_INPUT
    assert "write two of" in capsys.readouterr().err


def test_an_unknown_serial_is_one_line(capsys: Capture) -> None:
    assert run_command(["wiring", "B-011903"]) is ExitCode.WRONG_INPUT
    assert "B-011902" in capsys.readouterr().err


def test_a_long_cable_without_sense_is_reckoned(capsys: Capture) -> None:
    arguments = ["wiring", "A-000417", "--test", "zero", "--instrument-wires", "4"]
    run_command([*arguments, "--cable", "1.75 ohm"])
    text = capsys.readouterr().out

    # by hand, lowest input resistance of the papers 391 ohm: 3.5 / 394.5 = 0.89 %
    assert "0.89%" in text
    assert run_command([*arguments, "--cable", "1.75"]) is ExitCode.WRONG_INPUT
