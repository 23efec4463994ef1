"""`history` and `records` as a person types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from acq.desk.command_line import run_command
from acq.desk.commands.history import history_lines
from acq.desk.exit_codes import ExitCode
from acq.records.records import Records
from tests.acq.records.journals import finding, opened, small_run


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's empty data folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("BRIDGEBENCH_RECORDS", raising=False)
    return tmp_path


def fill(*, simulated: bool, runs: int = 2) -> None:
    with Records.open(simulated=simulated) as records:
        for number in range(1, runs + 1):
            run_id = f"{'sim' if simulated else 'r'}-{number}"
            day = f"2026-03-{number:02d}T08:00:00Z"
            journal = small_run(run_id, simulated=simulated, opened_at=day)
            records.deliver(journal.lines)


def test_a_history_shows_runs_and_values_newest_first(capsys: pytest.CaptureFixture[str]) -> None:
    fill(simulated=False)
    assert run_command(["history", "T-000123"]) is ExitCode.DONE
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "T-000123  TT-500"
    assert lines[1].split() == [
        "2026-03-02",
        "08:00",
        "UTC",
        "R-2",
        "acceptance",
        "finished",
        "pass",
    ]
    assert lines[4].split() == ["R-2", "R-1"]
    assert "385.130 ohm ± 0.050 ohm" in lines[5]


def test_on_a_narrow_terminal_fewer_runs_stand_side_by_side() -> None:
    fill(simulated=False, runs=4)
    with Records.open(simulated=False) as records:
        runs = records.history("T-000123")
    assert [run.number for run in runs] == ["R-4", "R-3", "R-2", "R-1"]
    wide = list(history_lines("T-000123", runs, simulated=False))
    narrow = list(history_lines("T-000123", runs, simulated=False, width=80))
    assert wide[6].split() == ["R-4", "R-3", "R-2", "R-1"]
    assert narrow[6].split() == ["R-4", "R-3"]
    assert max(map(len, narrow)) <= 80


def test_simulated_runs_are_shown_and_said_to_be(capsys: pytest.CaptureFixture[str]) -> None:
    fill(simulated=True, runs=1)
    assert run_command(["history", "T-000123"]) is ExitCode.DONE
    assert capsys.readouterr().out.startswith("SIMULATED runs: no real instrument")


def test_a_history_as_json_is_one_document_with_exact_values(
    capsys: pytest.CaptureFixture[str],
) -> None:
    fill(simulated=False, runs=1)
    fill(simulated=True, runs=1)
    assert run_command(["history", "T-000123", "--json"]) is ExitCode.DONE
    runs = json.loads(capsys.readouterr().out)["runs"]
    assert [(run["run"], run["simulated"]) for run in runs] == [("R-1", False), ("SIM-1", True)]
    assert runs[0]["findings"][1]["value"] == -6.4e-6


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["history", "T-000132"], "near it: T-000123"),
        (["certificate", "R-7"], "near it: R-2"),
        (["records", "export", "R-11"], "near it: R-1"),
        (["records", "verify", "--head", "12ab"], "64 digits"),
        (["records", "where", "--records", "mysql://u:geheim@h/d"], "allowed are sqlite"),
        (["records", "mend"], "No such command"),
    ],
)
def test_wrong_input_is_answered_in_one_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    fill(simulated=False)
    assert run_command(arguments) is ExitCode.WRONG_INPUT
    captured = capsys.readouterr()
    assert said in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""
    assert "geheim" not in captured.err


@pytest.mark.parametrize("command", [["history", "X"], ["records", "verify"], ["certificate", "X"]])
def test_before_the_first_run_nothing_is_made(
    home: Path, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    assert run_command(command) is ExitCode.WRONG_INPUT
    assert "no records at" in capsys.readouterr().err
    assert not (home / "data").exists()


def test_sound_records_say_their_head(capsys: pytest.CaptureFixture[str]) -> None:
    fill(simulated=False)
    with Records.open(simulated=False) as records:
        head = records.head()
    assert run_command(["records", "verify", "--head", f" {head.upper()[:32]} {head[32:]}"]) == 0
    assert f"sound; head {head}" in capsys.readouterr().out


def test_a_head_may_belong_to_either_kind_of_records(capsys: pytest.CaptureFixture[str]) -> None:
    fill(simulated=False)
    fill(simulated=True)
    with Records.open(simulated=True) as records:
        head = records.head()
    assert run_command(["records", "verify", "--head", head]) is ExitCode.DONE
    assert run_command(["records", "verify", "--head", "f" * 64, "--json"]) is ExitCode.BENCH
    reports = json.loads(capsys.readouterr().out.partition("\n[")[2].join(["[", ""]))
    assert [report["sound"] for report in reports] == [False, False]


def test_a_broken_record_is_named_with_exit_code_3(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(simulated=False)
    engine = create_engine(f"sqlite:///{home}/data/bridgebench/records.sqlite")
    with engine.begin() as connection:
        connection.execute(text("UPDATE findings SET value = 1 WHERE run_id = 'r-2'"))
    engine.dispose()
    assert run_command(["records", "verify"]) is ExitCode.BENCH
    assert "broken: run r-2 says 1.0 for value in findings" in capsys.readouterr().out


def test_where_names_the_files_and_whether_they_are_made(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(simulated=True)
    assert run_command(["records", "where"]) is ExitCode.DONE
    real, simulated = capsys.readouterr().out.splitlines()
    assert real == f"{home}/data/bridgebench/records.sqlite  (not made yet)"
    assert simulated == f"{home}/data/bridgebench/simulated-records.sqlite"


def test_an_export_can_be_checked_by_its_own_lines(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = opened("sim-9").check("a", finding("Ω µ °", 1.0)).close()
    with Records.open(simulated=True) as records:
        records.deliver(journal.lines)
    target = home / "run.json"
    assert run_command(["records", "export", "sim-9", "-o", str(target)]) is ExitCode.DONE
    document = json.loads(target.read_text(encoding="utf-8"))
    assert "".join(f"{line}\n" for line in document["journal"]).encode() == journal.data
    assert run_command(["records", "export", "sim-9"]) is ExitCode.DONE
    assert json.loads(capsys.readouterr().out) == document


def test_a_file_that_cannot_be_written_is_named(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(simulated=True)
    nowhere = str(home / "no" / "such" / "run.json")
    assert run_command(["records", "export", "SIM-1", "-o", nowhere]) is ExitCode.BENCH
    assert "cannot be written" in capsys.readouterr().err


def test_a_link_or_a_device_is_written_through_not_replaced(home: Path) -> None:
    fill(simulated=True)
    target, link = home / "target.json", home / "link.json"
    target.write_text("old")
    link.symlink_to(target)
    assert run_command(["records", "export", "SIM-1", "-o", str(link)]) is ExitCode.DONE
    assert link.is_symlink()
    assert json.loads(target.read_text())["run"]["number"] == "SIM-1"
    assert run_command(["records", "export", "SIM-1", "-o", "/dev/null"]) is ExitCode.DONE
    assert Path("/dev/null").is_char_device()


def test_what_a_lost_server_lacks_is_delivered_later(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in (1, 2):
        folder = home / "data" / "bridgebench" / "runs" / f"R-{number}"
        folder.mkdir(parents=True)
        journal = small_run(f"R-{number}", simulated=False)
        # a run that was killed while it wrote leaves half a line
        (folder / "journal.jsonl").write_bytes(journal.data + b'{"half a li')
    with Records.open(simulated=False) as records:
        records.deliver(small_run("R-1", simulated=False).lines[:5])
    assert run_command(["records", "deliver"]) is ExitCode.DONE
    assert capsys.readouterr().out.splitlines() == [
        "R-1: 5 lines delivered, recorded up to line 10 of 10",
        "R-2: 10 lines delivered, recorded up to line 10 of 10",
    ]
    assert run_command(["records", "deliver", "R-2"]) is ExitCode.DONE
    assert capsys.readouterr().out == "R-2: nothing new, recorded up to line 10 of 10\n"
    assert run_command(["records", "verify"]) is ExitCode.DONE


def test_a_journal_that_is_refused_does_not_keep_the_others_back(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in (1, 2, 3):
        folder = home / "data" / "bridgebench" / "runs" / f"R-{number}"
        folder.mkdir(parents=True)
        journal = small_run(f"R-{number}", simulated=False, seed=number)
        (folder / "journal.jsonl").write_bytes(journal.data)
    (folder / "journal.jsonl").write_bytes(b"not a line\n")
    with Records.open(simulated=False) as records:
        records.deliver(small_run("R-1", simulated=False, seed=9).lines)
    assert run_command(["records", "deliver"]) is ExitCode.BENCH
    captured = capsys.readouterr()
    assert "journal of run R-1, line 10: differs from what is recorded" in captured.err
    assert "R-3/journal.jsonl: line 1 is not JSON" in captured.err
    assert captured.out.startswith("R-2: 10 lines delivered")


def test_with_nothing_to_deliver_nothing_is_made(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_command(["records", "deliver", "--simulated"]) is ExitCode.DONE
    assert "nothing" not in capsys.readouterr().err
    assert not (home / "data").exists()
    assert run_command(["records", "deliver", "R-9"]) is ExitCode.WRONG_INPUT
