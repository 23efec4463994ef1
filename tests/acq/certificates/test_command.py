"""`certificate` as a person types it."""

from __future__ import annotations

from pathlib import Path

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode
from acq.records.records import Records
from tests.acq.certificates import pdf_text, runs

RUN = "SIM-healthy-7-001"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's data folder with one simulated run in its records."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("BRIDGEBENCH_RECORDS", raising=False)
    monkeypatch.chdir(tmp_path)
    with Records.open(simulated=True) as records:
        records.deliver(runs.healthy().lines)
    return tmp_path


def test_the_same_run_gives_the_same_file_again(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = home / "first.pdf", home / "second.pdf"
    assert run_command(["certificate", RUN, "-o", str(first)]) is ExitCode.DONE
    assert f"certificate {RUN}-C (SIMULATED): {first}" in capsys.readouterr().err
    assert run_command(["certificate", RUN, "-o", str(second)]) is ExitCode.DONE
    assert first.read_bytes() == second.read_bytes()
    assert len(pdf_text.pages(first.read_bytes())) == 2


def test_without_a_name_the_file_is_called_by_its_number(home: Path) -> None:
    assert run_command(["certificate", RUN]) is ExitCode.DONE
    assert (home / f"{RUN}-C.pdf").read_bytes().startswith(b"%PDF-")


def test_an_amendment_says_why_and_gets_a_new_number(home: Path) -> None:
    assert run_command(["certificate", RUN]) is ExitCode.DONE
    amend = ["certificate", RUN, "--amend", "the approver changed", "--approved-by", "Lee Proxy"]
    assert run_command(amend) is ExitCode.DONE
    text = "".join(pdf_text.pages((home / f"{RUN}-C-2.pdf").read_bytes()))
    assert "LeeProxy" in text
    assert "Whatchanged:theapproverchanged" in text


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ([RUN.lower() + "x"], ExitCode.WRONG_INPUT, f"near it: {RUN}"),
        ([RUN, "-o", "no/such/folder/c.pdf"], ExitCode.BENCH, "cannot be written"),
        ([RUN, "-o", "."], ExitCode.WRONG_INPUT, "is a directory"),
        ([RUN, "--amend", "why not"], ExitCode.WRONG_INPUT, "no certificate yet"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], code: ExitCode, said: str
) -> None:
    assert run_command(["certificate", *arguments]) is code
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_an_open_run_gets_no_certificate(capsys: pytest.CaptureFixture[str]) -> None:
    journal = runs.leads_and_insulation(runs.begin({"id": "open", "number": "open"}))
    with Records.open(simulated=True) as records:
        records.deliver(journal.lines)
    assert run_command(["certificate", "open"]) is ExitCode.WRONG_INPUT
    assert "is not closed; resume it first" in capsys.readouterr().err


def test_a_run_moved_to_another_serial_says_so_everywhere(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_command(["certificate", RUN]) is ExitCode.DONE
    move = ["records", "correct", RUN, "--by", "Lee Proxy", "--reason"]
    assert run_command([*move, "label misread", "--serial", ""]) is ExitCode.WRONG_INPUT
    assert "needs the new serial" in capsys.readouterr().err
    assert run_command([*move, "", "--serial", "X-000001"]) is ExitCode.WRONG_INPUT
    assert run_command([*move, "label misread", "--serial", "X-000001"]) is ExitCode.DONE
    told = capsys.readouterr()
    assert "is now X-000001 (Lee Proxy: label misread)" in told.out
    assert "its limits came from the papers of" in told.err
    assert f"certificate {RUN}-C names" in told.err
    assert run_command([*move, "again", "--serial", "X-000001"]) is ExitCode.WRONG_INPUT
    assert "belongs to X-000001 already" in capsys.readouterr().err

    assert run_command(["history", "X-000001"]) is ExitCode.DONE
    assert run_command(["certificate", RUN, "--amend", "serial corrected"]) is ExitCode.DONE
    text = "".join(pdf_text.pages((home / f"{RUN}-C-2.pdf").read_bytes()))
    assert "X-000001" in text
    assert "labelmisread" in text
    assert run_command(["records", "verify"]) is ExitCode.DONE
