"""A live display on the simulated bench: orders, what the journal keeps, what a kill leaves."""

from __future__ import annotations

import os
import re
import signal
import time
from pathlib import Path

from acq.runs.control_socket import Told, tell
from acq.runs.journal import read_journal
from acq.runs.logged import blocks
from acq.runs.reading_log import Kind
from tests.acq.desk.live_picture import LIVE, Script
from tests.bench_watch import BenchWatch
from tests.conducting import Trial


def outcomes(trial: Trial) -> list[dict[str, object]]:
    lines, _ = read_journal(trial.folder.journal)
    effects = [line.content for line in lines if line.what == "effect"]
    return [each["got"] for each in effects if each["kind"] == "weighing"]


def test_a_session_of_weighing(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-live")
    script = Script({
        2.0: "zero because mounting plate", 2.1: "calibrate zero", 2.2: "load 250 kg",
        14.0: "calibrate 250 kg", 14.1: "calibrate 400 kg", 14.2: "tare", 14.3: "mark tapped",
        14.4: "unit lb", 14.5: "filter none", 15.0: "quit",
    })  # fmt: skip
    assert trial.conduct(plan=str(LIVE), sequence="live", desk=script) == 0
    found = outcomes(trial)
    assert [each["taken"] for each in found] == [True, True, True, False, True, True, True, True]
    # the weight may still swing a little
    assert re.match(r"span is (100|99)\.\d\d% of that of the papers", str(found[2]["said"]))
    assert re.search(r"span is 6[123]% of expected", str(found[3]["said"]))  # 250 kg, told as 400
    last = script.pictures[-1]
    assert (last["unit"], last["filter"]) == ("lb", "none")
    assert abs(last["net"]) < 3.0
    assert abs(last["gross"] - 250.0 / 0.45359237) < 3.0
    marks = [b.note()["mark"] for b in blocks(trial.folder.path / "readings.log")
             if b.kind is Kind.NOTE and "mark" in b.note()]  # fmt: skip
    assert "mark tapped" in marks
    with BenchWatch(trial.control) as watch:
        assert watch.energised() == []
        watch.end()


def test_a_killed_session_has_its_trim_and_tare_again_and_the_bench_is_off(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-live")
    child = os.fork()
    if child == 0:
        script = Script({2.0: "zero because plate", 3.0: "tare", 4.0: "mark here"})
        try:
            trial.conduct(plan=str(LIVE), sequence="live", desk=script)
        finally:
            os._exit(70)
    while len(_orders(trial)) < 3:
        time.sleep(0.05)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with BenchWatch(trial.control) as watch:
        watch.seconds_until_off(10.0)
    before = [line.raw for line in read_journal(trial.folder.journal)[0]]
    told = Script({1.0: "quit"})
    assert trial.conduct(desk=told) == 0
    lines, _ = read_journal(trial.folder.journal)
    assert [line.raw for line in lines[: len(before)]] == before
    assert told.pictures[-1]["tare"] != 0.0
    assert told.pictures[-1]["trim"] != 0.0
    gaps = [b for b in blocks(trial.folder.path / "readings.log") if b.kind is Kind.GAP]
    assert [gap.content for gap in gaps] == [b"the run was interrupted"]
    with BenchWatch(trial.control) as watch:
        watch.end()


def _orders(trial: Trial) -> list[dict[str, object]]:
    if not trial.folder.journal.exists():
        return []
    return outcomes(trial)


def test_a_second_terminal_orders_through_the_control_socket(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-live")
    child = os.fork()
    if child == 0:
        code = 70
        try:
            code = trial.conduct(plan=str(LIVE), sequence="live", hear=True)
        finally:
            os._exit(code)
    while not (trial.folder.path / "readings.log").exists():
        time.sleep(0.05)
    for text in ("mark from afar", "unit t", "quit"):
        tell(trial.folder.control_socket, Told("answer", "colleague", text))
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    assert [each["said"] for each in outcomes(trial)] == ["mark: from afar", "unit t"]
    with BenchWatch(trial.control) as watch:
        watch.end()
