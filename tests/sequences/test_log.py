"""A log on the simulated bench: nothing lost, gaps marked, taken up after a kill."""

from __future__ import annotations

import csv
import hashlib
import os
import signal
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode
from acq.desk.log_drift import Ratios, read_run_log
from acq.desk.log_export import export
from acq.desk.log_proof import prove
from acq.errors import WrongInput
from acq.runs.journal import read_journal
from acq.runs.logged import blocks, rows_of
from acq.runs.reading_log import Kind
from tests.bench_watch import BenchWatch
from tests.campaigns.log_hour import PLAN, Sampler, run
from tests.conducting import Trial


def planned(path: Path, **more: object) -> str:
    text = PLAN.format(seconds=6.0).replace("part_s = 600.0", "part_s = 3.0")
    text += "".join(f"{key} = {str(value).lower()}\n" for key, value in more.items())
    path.write_text(text)
    return str(path)


def parts(trial: Trial) -> list[Mapping[str, Any]]:
    lines, _ = read_journal(trial.folder.journal)
    effects = [line.content for line in lines if line.what == "effect"]
    return [each["got"] for each in effects if each["kind"] == "log"]


def test_some_seconds_at_the_fastest_rate_loses_nothing() -> None:
    figures = run(8.0)
    assert figures.holes == 0
    assert figures.gaps == 0
    assert figures.counted_on
    assert figures.per_second > 500.0  # 1.9 ms each: 0.02 cycles of 20 ms, and 1.5 ms to settle
    assert figures.bytes_per_row < 9.0


def test_the_journal_knows_the_log_by_its_digest(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-log", "two-meters")
    plan = planned(tmp_path / "plan.toml", slow_every_s=2.0)
    assert trial.conduct(plan=plan, sequence="log", desk=Sampler()) == 0
    path = trial.folder.path / "readings.log"
    noted = parts(trial)
    assert len(noted) == 2
    for part in noted:
        data = path.read_bytes()[: part["bytes"]]
        assert hashlib.sha256(data).hexdigest() == part["sha256"]
    assert prove(path) == noted[1]["rows"]
    changed = bytearray(path.read_bytes())
    changed[-1] ^= 1  # a forger would mend the CRC too; the digest he cannot
    with pytest.raises(WrongInput, match="is not the log that the journal"):
        prove(_beside(trial, tmp_path, bytes(changed)))
    ratios = Ratios()
    chunks = list(ratios.chunks(path))
    assert ratios.names == {"signal", "excitation", "temperature"}
    values = np.concatenate([values for _, values, _ in chunks])
    assert np.mean(values) == pytest.approx(-0.0067, abs=0.002)  # the zero of these papers, mV/V
    assert np.all(np.abs(np.concatenate([celsius for *_, celsius in chunks]) - 22.4) < 1.0)
    report = read_run_log(path)
    assert report.readings == len(values)
    target = tmp_path / "out.csv"
    count = export(path, target)
    with target.open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == count
    signal_rows = [row for row in rows if row["channel"] == "signal"]
    assert len(signal_rows) == len(values)
    assert [int(row["count"]) for row in rows if row["count"]] == list(range(len(rows)))
    assert float(signal_rows[0]["raw"]) == float(signal_rows[0]["value"])
    assert signal_rows[0]["utc"].startswith("2026-03-02T08:00:")
    with BenchWatch(trial.control) as watch:
        assert watch.energised() == []
        watch.end()


def _beside(trial: Trial, folder: Path, log: bytes) -> Path:
    """A copy of the journal with another log beside it."""
    (folder / "journal.jsonl").write_bytes(trial.folder.journal.read_bytes())
    (folder / "readings.log").write_bytes(log)
    return folder / "readings.log"


def test_one_meter_reads_both_in_turn(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-log")
    plan = planned(tmp_path / "plan.toml", block_readings=0, every_s=0.5, slow_every_s=0.5)
    assert trial.conduct(plan=plan, sequence="log") == 0
    channels = [
        int(code)
        for block in blocks(trial.folder.path / "readings.log")
        if block.kind is Kind.ROWS
        for code in rows_of(block).channels
    ]
    assert channels == [1, 0] * (len(channels) // 2)
    assert 11 <= channels.count(0) <= 13
    with BenchWatch(trial.control) as watch:
        watch.end()


def test_a_killed_log_goes_on_where_the_file_ends(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-log")
    plan = planned(tmp_path / "plan.toml")
    told, say = os.pipe()

    class Telling(Sampler):
        def show(self, picture: Mapping[str, Any]) -> None:
            os.write(say, int(picture["rows"]).to_bytes(8, "little"))
            if picture["rows"] > 2000:  # in the second part
                os.kill(os.getpid(), signal.SIGKILL)

    child = os.fork()
    if child == 0:
        trial.conduct(plan=plan, sequence="log", desk=Telling())
        os._exit(70)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    acknowledged = int.from_bytes(os.read(told, 1 << 16)[-8:], "little")
    os.close(told)
    os.close(say)
    path = trial.folder.path / "readings.log"
    assert acknowledged > 2000
    before = path.read_bytes()
    assert sum(block.rows for block in blocks(path)) >= acknowledged
    with BenchWatch(trial.control) as watch:
        watch.seconds_until_off(10.0)
    assert trial.conduct(desk=Sampler()) == 0
    assert path.read_bytes()[: len(before)] == before
    gaps = [block for block in blocks(path) if block.kind is Kind.GAP]
    assert gaps[0].content == b"the run was interrupted"
    last = list(blocks(path))[-1]
    assert last.to_ns / 1e9 > 6.0
    assert len(parts(trial)) == 2
    with BenchWatch(trial.control) as watch:
        watch.end()


def test_a_link_that_is_lost_for_a_while_is_a_gap_and_not_the_end(tmp_path: Path) -> None:
    trial = Trial.new(tmp_path / "SIM-log")
    plan = planned(tmp_path / "plan.toml", lost_at_most_s=60.0)

    class Unplugging(Sampler):
        done = False

        def show(self, picture: Mapping[str, Any]) -> None:
            if picture["rows"] > 1000 and not self.done:
                self.done = True
                with BenchWatch(trial.control) as watch:
                    watch.hand("power-cycle", wire="dmm", seconds=1.0)

    assert trial.conduct(plan=plan, sequence="log", desk=Unplugging()) == 0
    gaps = [b.content.decode() for b in blocks(trial.folder.path / "readings.log")
            if b.kind is Kind.GAP]  # fmt: skip
    assert gaps
    assert gaps[0].startswith("dmm: ")
    with BenchWatch(trial.control) as watch:
        watch.end()


def test_an_export_says_what_it_cannot_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "readings.log").write_bytes(b"bridgebench log of readings, 1\n")
    with pytest.raises(WrongInput, match=r"the suffix is one of \.csv, \.parquet, \.xlsx"):
        export(tmp_path / "readings.log", tmp_path / "x.doc")
    wanted = ["log", "--cell", "B-011902", "--simulated", "-o", "x.doc"]
    assert run_command(wanted) is ExitCode.WRONG_INPUT
    assert "the suffix is one of" in capsys.readouterr().err
    assert run_command(["log", "--cell", "B-011902", "--for", "soon"]) is ExitCode.WRONG_INPUT
    assert "a time such as '90 s'" in capsys.readouterr().err


def test_a_log_as_a_sheet_and_as_parquet(tmp_path: Path) -> None:
    from openpyxl import load_workbook

    from acq.runs.reading_log import ReadingLog, Row

    log = ReadingLog(tmp_path / "readings.log", new=True)
    channel = {"name": "signal", "quantity": "dc-voltage", "unit": "V", "instrument": "dmm"}
    log.note({"channels": {"0": channel}, "run": "X"}, 0)
    log.note({"utc_ns": 10**18, "bench_ns": 0}, 0)
    log.add_all([Row(0, k, k + 1, k / 8, None, f"{k / 8}") for k in range(5)])
    log.gap(5, 9, "nobody there")
    log.keep(0, at_once=True)
    log.close()
    assert export(log.path, tmp_path / "x.xlsx") == 6
    book = load_workbook(tmp_path / "x.xlsx", read_only=True)
    rows = list(book["readings"].iter_rows(values_only=True))
    book.close()
    assert rows[0][:2] == ("count", "utc")
    assert [row[5] for row in rows[1:6]] == [0, 0.125, 0.25, 0.375, 0.5]
    assert rows[6][9] == "gap: nobody there"
    arrow = pytest.importorskip("pyarrow.parquet")
    assert export(log.path, tmp_path / "x.parquet") == 6
    assert arrow.read_table(tmp_path / "x.parquet")["value"].to_pylist()[1] == 0.125
