"""A bench's check standard from its first day to the day on which it closes the bench."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import pytest

import simulated_bench
from acq.desk.command_line import run_command
from acq.records.records import Records
from acq.runs.journal import Line
from tests.acq.certificates.pdf_text import pages
from tests.bench_watch import BenchWatch
from tests.conducting import QUICK, Trial
from tests.sequences.trials import stricter

PLAN = str(Path(__file__).parent.parent / "quick_check.toml")
BOX = "K-000001"
BENCH = "Simulated bench"


class Day:
    """Runs commands on simulated benches with one file of records."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.records = f"sqlite:///{folder / 'records.sqlite'}"
        self.pdf = folder / "certificate.pdf"
        self._capsys = capsys
        self.said = ""

    def check(
        self, scenario: str = "check-standard", plan: str = PLAN
    ) -> tuple[int, dict[str, dict[str, Any]]]:
        return self._run("check-standard", BOX, scenario, plan)

    def acceptance_of(self, plan: Path, *more: str) -> int:
        arguments = ["run", "acceptance", "--cell", "B-011902", "--simulated", "--scenario"]
        plan_and_records = ["--plan", str(plan), "--records", self.records]
        return self.command(*arguments, "healthy", *plan_and_records, *more)

    def acceptance(self) -> tuple[int, dict[str, Any]]:
        code, _ = self._run("acceptance", "B-011902", "healthy", str(QUICK))
        return code, self.document

    def certificate(self) -> str:
        """The text of the newest run's certificate."""
        run = json.loads(self.out)["run"]["number"]
        arguments = ("certificate", run, "-o", str(self.pdf), "--records", self.records)
        assert self.command(*arguments) == 0, self.said
        return "".join(pages(self.pdf.read_bytes()))

    def _run(
        self, sequence: str, serial: str, scenario: str, plan: str
    ) -> tuple[int, dict[str, dict[str, Any]]]:
        arguments = ["run", sequence, "--cell", serial, "--simulated", "--scenario", scenario]
        code = self.command(*arguments, "--plan", plan, "--records", self.records, "--json")
        self.document: dict[str, Any] = json.loads(self.out)
        findings = [f for check in self.document["checks"] for f in check["findings"]]
        return code, {finding["name"]: finding for finding in findings}

    def command(self, *arguments: str) -> int:
        self._capsys.readouterr()
        code = int(run_command(list(arguments)))
        self.out, self.said = self._capsys.readouterr()
        return code


@pytest.fixture
def day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Day:
    return Day(tmp_path, capsys)


def test_from_the_first_point_to_a_closed_bench_and_its_clearing(day: Day) -> None:
    for point in (1, 2):
        code, found = day.check()
        assert code == 0, day.said
        ratio = found["ratio of the kept bridge"]
        # the box of the scenario: 1 mV/V, 385 and 351 ohm, 2 Gohm to its housing
        assert ratio["value"] == pytest.approx(1e-3, rel=5e-4)
        assert ratio["conformity"] is None
        assert f"the chart begins: point {point}" in ratio["marks"][0]
        assert found["kept resistance Ex+ Ex-"]["value"] == pytest.approx(385.0, abs=0.1)
        assert found["kept giga-ohm"]["value"] == pytest.approx(2e9, rel=0.1)
        own = found["kept resistance S+ S- against its calibration"]
        assert (own["rule"], own["conformity"]) == ("normalised error", "pass")
        assert "calibration of K-000001, 2025-11-27" in own["limits"][0]["source"]
        for short in ("short, dc volts", "short, ohms"):
            assert found[short]["conformity"] == "pass"
            assert found[short]["limits"][0]["upper"] > 0.0

    code, found = day.check()
    assert code == 0, day.said
    assert "chart of 2 points" in found["ratio of the kept bridge"]["limits"][0]["source"]
    assert found["ratio of the kept bridge"]["conformity"] == "pass"
    assert found["ratio of the kept bridge, moving range"]["conformity"] == "pass"
    code, document = day.acceptance()
    assert code == 0
    assert document["certificate"] is not None

    code, found = day.check("check-standard-shifted")
    assert code == 1
    assert found["kept resistance Ex+ Ex-"]["conformity"] == "fail"
    assert found["certificates of this bench"]["conformity"] == "withheld"
    code, document = day.acceptance()
    assert code == 0  # the cell is judged all the same
    assert document["certificate"] is None
    assert "check standard K-000001: " in document["certificate_refused"]
    assert "bridgebench bench clear" in document["certificate_refused"]

    code, found = day.check()  # good again, but nobody has said why it was not
    assert code == 4
    assert found["kept resistance Ex+ Ex-"]["conformity"] == "pass"
    assert "chart of 3 points" in found["kept resistance Ex+ Ex-"]["limits"][0]["source"]

    clear = ("bench", "clear", "--name", BENCH, "--records", day.records, "--reason")
    assert day.command(*clear, "") == 2
    assert day.command(*clear, "meter replaced", "--by", "T. Example", "--anew") == 0
    assert "by T. Example: meter replaced" in day.said
    assert day.command(*clear, "again") == 2
    assert "is not closed" in day.said
    number = document["run"]["number"]
    assert day.command("certificate", number, "-o", "/dev/null", "--records", day.records) == 0
    code, found = day.check()
    assert code == 0
    assert "point 1" in found["ratio of the kept bridge"]["marks"][0]  # charts begin anew
    with Records.open(day.records, simulated=True) as records:
        assert records.verify().sound


def test_a_plan_may_want_the_check_of_the_day(day: Day, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(QUICK.read_text() + "\n[check_of_the_day]\nwithin_hours = 12.0\n")
    assert day.acceptance_of(plan) == 3
    assert "no check of the day: bench 'Simulated bench' has no check standard" in day.said
    assert day.acceptance_of(plan, "--indication-only", "--json") == 0
    assert json.loads(day.out)["run"]["indication_only"] is True
    assert "CheckofthedayMISSING" in day.certificate()
    assert day.check()[0] == 0
    checked = day.document["run"]["number"]
    assert day.acceptance_of(plan, "--json") == 0
    assert json.loads(day.out)["run"]["indication_only"] is False
    said = f"Checkofthedaycheckstandard{BOX},run{checked},inorder"
    assert said in day.certificate()
    code, found = day.check(str(leaking(tmp_path)))
    assert code == 4
    assert found["kept giga-ohm"]["limit_kind"] == "below"
    assert found["certificates of this bench"]["conformity"] == "withheld"
    assert (
        "check standard K-000001: kept giga-ohm" in found["certificates of this bench"]["because"]
    )
    assert day.acceptance_of(plan) == 3
    assert f"check standard {BOX}, run {day.document['run']['number']}, failed" in day.said


def test_a_tester_at_another_voltage_than_the_plan_allows_closes_the_bench(
    day: Day, tmp_path: Path
) -> None:
    scenario = tmp_path / "six.toml"
    scenario.write_text(f"seed = 6\n{kept_box()}", encoding="utf-8")
    code, found = day.check(str(scenario), str(stricter(Path(PLAN), tmp_path)))
    assert code == 1, day.said
    assert found["test voltage leads to housing"]["conformity"] == "fail"
    assert "instead of 50 V" in found["kept giga-ohm"]["because"]
    assert "test voltage leads to housing" in found["certificates of this bench"]["because"]


def leaking(folder: Path) -> Path:
    """A box whose insulation no longer has a number: only a bound is read."""
    leak = '[[fault]]\nkind = "leak"\nbetween = ["S+", "housing"]\nohms = 5.0e3\n'
    scenario = folder / "leaking.toml"
    scenario.write_text(kept_box() + leak)
    return scenario


def kept_box() -> str:
    """The shipped scenario of a check standard, without what it expects."""
    shipped = Path(simulated_bench.__file__).with_name("scenarios") / "check-standard.toml"
    return shipped.read_text(encoding="utf-8").partition("[expectation]")[0]


def test_without_a_scanner_the_box_is_clipped_by_hand(day: Day, tmp_path: Path) -> None:
    shipped = Path(simulated_bench.__file__).with_name("scenarios") / "check-standard.toml"
    scenario = tmp_path / "clips.toml"
    missing = "[instruments.scanner]\nmissing = true\n\n[expectation]"
    scenario.write_text(shipped.read_text().replace("[expectation]", missing))
    code, found = day.check(str(scenario))
    assert code == 0, day.said
    assert found["short, dc volts"]["conformity"] == "pass"
    assert found["ratio of the kept bridge"]["value"] == pytest.approx(1e-3, rel=5e-4)


def test_a_run_that_was_killed_while_it_closed_the_bench_is_taken_up(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "run", "check-standard-shifted")
    wanted = (PLAN, BOX, "check-standard")

    def strike(line: Line) -> int:
        return signal.SIGKILL if line.content.get("kind") == "close-bench" else 0

    try:
        assert trial.in_child(strike, *wanted) == -signal.SIGKILL
        assert trial.conduct(lambda _: None, *wanted) == 1
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    address = f"sqlite:///{trial.folder.path / 'records.sqlite'}"
    with Records.open(address, simulated=True) as records:
        state = records.bench_state(BENCH)
        assert state is not None
        assert state.closed
        assert "against its calibration" in state.because
        assert records.verify().sound
