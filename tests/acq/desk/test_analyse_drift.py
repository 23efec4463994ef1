"""`bridgebench analyse drift`: a log in, one answer out."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]


def written(tmp_path: Path, rows: list[str], heading: str) -> Path:
    path = tmp_path / "log.csv"
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    return path


def warming(tmp_path: Path) -> Path:
    rng = np.random.default_rng(4)
    start = datetime(2026, 3, 2, 8, tzinfo=UTC)
    rows = []
    for k in range(600):
        value = 5.0 + 0.5 * (1 - np.exp(-k / 50)) + 0.01 * rng.standard_normal()
        text = "" if k == 100 else f"{value:.4f}"
        moment = (start + timedelta(seconds=10 * k)).isoformat()
        rows.append(f"{moment},{text},{20 + 0.1 * np.sin(k / 90):.3f}")
    return written(tmp_path, rows, "time,value [uV/V],temperature")


def test_a_log_is_judged_with_its_gap_said_and_pictures_written(
    tmp_path: Path, capsys: Capture
) -> None:
    path, pictures = warming(tmp_path), tmp_path / "pictures"
    arguments = ["analyse", "drift", str(path), "--excited", "2026-03-02T08:00:00Z", "--json"]
    assert run_command([*arguments, "--plots", str(pictures)]) is ExitCode.DONE
    document = json.loads(capsys.readouterr().out)

    assert document["cause"] == "warm-up"
    assert document["unit"] == "uV/V"
    assert document["gaps"] == 1
    assert document["seconds"] == pytest.approx(5990.0)
    assert len(list(pictures.glob("*.svg"))) == len(document["plots"]) == 3


def test_the_text_says_the_cause_first(tmp_path: Path, capsys: Capture) -> None:
    run_command(["analyse", "drift", str(warming(tmp_path))])
    text = capsys.readouterr().out

    assert text.startswith("warm-up\n")
    assert "1 gaps without a value" in text
    assert "nobody said when the excitation came on" in text


def test_a_frozen_log_fails(tmp_path: Path, capsys: Capture) -> None:
    path = written(tmp_path, [f"{k},1.2345" for k in range(100)], "time,value")

    assert run_command(["analyse", "drift", str(path)]) is ExitCode.FAILED
    assert "frozen" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        (["1,2"], "30 readings"),
        (["x,2"] * 40, "row 2: time 'x'"),
        (["1,9.9E37"] * 40, "over-range"),
        (["1,"] * 40, "no row has a value"),
        (["1,abc"] * 40, "'abc' is not a number"),
        (["5,1"] * 40, "times must rise"),
    ],
)
def test_a_wrong_file_names_row_and_rule(
    tmp_path: Path, capsys: Capture, rows: list[str], reason: str
) -> None:
    path = written(tmp_path, rows, "time,value")

    assert run_command(["analyse", "drift", str(path)]) is ExitCode.WRONG_INPUT
    assert reason in capsys.readouterr().err
