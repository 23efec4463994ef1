"""`bridgebench analyse creep`: a record in, figures, document, picture and codes out."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]
SIZE = 1.8e-4
TERMS = ((0.4, 120.0), (0.6, 1980.0))


def crept(seconds: float) -> float:
    return SIZE * sum(part * (1 - math.exp(-seconds / tau)) for part, tau in TERMS)


def rows(*, clock: bool = False, factor: float = 1.0) -> list[str]:
    """Return an invented record of 500 kg, 2 mV/V, a reading a minute from 30 s on."""
    times = [60.0 * k for k in range(31)]
    made = [(0.0, 0, 0.0)]
    made += [(60 + t, 500, 2 * (1 + factor * crept(30 + t))) for t in times]
    made += [(1950 + t, 0, 2 * factor * (crept(1920 + t) - crept(30 + t))) for t in times]
    return [f"{_time(t, clock)},{load},{output:.9f}" for t, load, output in made]


def _time(seconds: float, clock: bool) -> str:
    if not clock:
        return f"{seconds:g}"
    minutes, rest = divmod(int(seconds), 60)
    return f"{9 + minutes // 60:02d}:{minutes % 60:02d}:{rest:02d}"


def write(folder: Path, *lines: str) -> Path:
    path = folder / "creep.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


HEAD = "time,load,output"


def document(capsys: Capture, *arguments: str) -> dict[str, Any]:
    run_command(["analyse", "creep", *arguments, "--json"])
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


@pytest.mark.parametrize("clock", [False, True])
def test_creep_is_told_from_seconds_and_from_a_clock(
    clock: bool, tmp_path: Path, capsys: Capture
) -> None:
    told = document(capsys, str(write(tmp_path, HEAD, *rows(clock=clock))))
    found = {each["name"]: each for each in told["results"]}
    applied = 1 + crept(30)
    expected = (crept(1830) - crept(30)) / applied
    assert found["creep 30 min"]["value"] == pytest.approx(expected, abs=2e-9)
    returned = (crept(1920) - crept(30)) / applied
    measured = found["minimum dead load output return"]["value"]
    assert measured == pytest.approx(returned, abs=2e-9)
    taus = [term["time_constant"]["value"] for term in told["time_constants"]]
    assert taus == pytest.approx([120.0, 1980.0], rel=0.02)


def test_creep_is_judged_with_07_and_worded(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    arguments = ["analyse", "creep", str(path), "--class", "C3", "--capacity", "500"]
    arguments += ["--temperature", "21.5", "--reading-uncertainty", "0.000002"]
    assert run_command(arguments) is ExitCode.DONE
    text = capsys.readouterr().out
    assert "creep tested to the limits of class C3 at 21.5 degC: pass" in text
    assert "0.735" in text
    assert "reading times not stated" in text


def test_too_much_creep_fails(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows(factor=3.0))
    arguments = ["analyse", "creep", str(path), "--class", "C3", "--capacity", "500"]
    assert run_command([*arguments, "--reading-uncertainty", "0.000002"]) is ExitCode.FAILED
    assert "class C3: fail" in capsys.readouterr().out


@pytest.mark.parametrize(("seconds", "limit"), [("30", 0.5), ("37.5", 0.375), ("45", 0.25)])
def test_a_slow_return_has_a_smaller_limit(
    seconds: str, limit: float, tmp_path: Path, capsys: Capture
) -> None:
    """R 60-2:2021, table 1: a change of 500 kg is read after 30 s in class C."""
    path = write(tmp_path, HEAD, *rows())
    told = document(
        capsys, str(path), "--class", "C3", "--capacity", "500", "--return-time", seconds
    )
    found = next(each for each in told["class"]["findings"] if each["name"] == "C_DR")
    assert found["limits"][0]["upper"] == pytest.approx(limit)


def test_a_return_read_far_too_late_leaves_the_class_undecided(
    tmp_path: Path, capsys: Capture
) -> None:
    path = write(tmp_path, HEAD, *rows())
    arguments = ["analyse", "creep", str(path), "--class", "C3", "--capacity", "500"]
    assert run_command([*arguments, "--return-time", "60"]) is ExitCode.UNDECIDED
    text = capsys.readouterr().out
    assert "withheld" in text
    assert "beyond 1.5" in text


def test_the_picture_is_written(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    told = document(capsys, str(path), "--plots", str(tmp_path / "pictures"))
    (picture,) = told["plots"]
    assert ET.parse(picture).getroot().tag.endswith("svg")


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([HEAD, *rows()[1:]], "the record begins loaded"),
        ([HEAD, *rows()[:20]], "up to 30 min under load, they end at 18.0"),
        ([HEAD, rows()[0], rows()[2], rows()[1]], "row 4: the time does not rise"),
        ([HEAD, *rows()[:5], "400,250,1.0"], "row 7: load 250 does not belong"),
        ([HEAD, "noon,0,0.0"], "row 2: time 'noon': allowed are seconds"),
        (["load,output", "0,0"], "column 'time' is missing"),
    ],
)
def test_bad_records_are_one_line(
    lines: list[str], message: str, tmp_path: Path, capsys: Capture
) -> None:
    path = write(tmp_path, *lines)
    assert run_command(["analyse", "creep", str(path)]) is ExitCode.WRONG_INPUT
    told = capsys.readouterr()
    assert told.out == ""
    assert message in told.err
    assert told.err.count("\n") == 1


def test_times_by_kilograms_need_loads_in_mass(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    arguments = ["analyse", "creep", str(path), "--load-unit", "N", "--class", "C3"]
    arguments += ["--capacity", "500 N", "--return-time", "30"]
    assert run_command(arguments) is ExitCode.WRONG_INPUT
    assert "needs loads in mass" in capsys.readouterr().err
