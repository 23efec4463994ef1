"""The installed copy's own check: every figure agrees, and none of them could not fail."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode
from acq.validation.check import PublishedCheck, compare
from acq.validation.validation import all_checks, document, run_all

Capture = pytest.CaptureFixture[str]


def test_every_published_figure_is_met() -> None:
    compared = run_all()
    assert [c.check.name for _, c in compared if not c.agrees] == []
    assert len(compared) > 40
    kept = document(compared, "T. Example")
    assert kept["agree"] == len(kept["checks"])
    assert {"bridgebench", "GTC", "numpy", "scipy", "pint"} == set(kept["versions"])


@pytest.mark.parametrize("check", [check for _, check in all_checks()], ids=lambda c: c.name)
def test_each_check_can_fail(check: PublishedCheck) -> None:
    # a tenth off is noticed everywhere: most notice far less
    wrong = PublishedCheck(
        check.name,
        check.source,
        check.published,
        check.tolerance,
        "",
        lambda: check.published * 1.1,
    )
    assert not compare(wrong).agrees
    assert len(check.source) > 8


def test_names_are_told_apart() -> None:
    names = [check.name for _, check in all_checks()]
    assert len(names) == len(set(names))


def test_what_cannot_be_computed_differs_and_says_why() -> None:
    def broken() -> float:
        raise ZeroDivisionError("no such library")

    compared = compare(PublishedCheck("x", "a standard", 1.0, 0.1, "", broken))
    assert not compared.agrees
    assert compared.as_json()["computed"] is None
    assert compared.problem == "ZeroDivisionError: no such library"
    lost = PublishedCheck("x", "a standard", 1.0, 0.1, "", lambda: math.nan)
    assert not compare(lost).agrees


def test_the_command_keeps_what_it_found(tmp_path: Path, capsys: Capture) -> None:
    there = ["--records", f"sqlite:///{tmp_path / 'records.sqlite'}"]
    assert run_command(["validate", "--kept", *there]) is ExitCode.WRONG_INPUT
    assert "no validation in" in capsys.readouterr().err

    assert run_command(["validate", "--by", "T. Example", *there]) is ExitCode.DONE
    shown = capsys.readouterr().out
    assert "agrees   end gauge, combined standard uncertainty: 31.6638791" in shown
    assert "from memory" in shown
    assert "DIFFERS" not in shown
    assert shown.splitlines()[-1].startswith("kept in /")

    assert run_command(["validate", "--kept", "--json", *there]) is ExitCode.DONE
    kept = json.loads(capsys.readouterr().out)
    assert kept["by"] == "T. Example"
    assert kept["agree"] == len(kept["checks"])
    assert run_command(["records", "verify", *there]) is ExitCode.DONE
    assert "1 ledger entries, 1 documents" in capsys.readouterr().out
