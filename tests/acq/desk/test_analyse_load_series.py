"""`bridgebench analyse load-series`: a file in, figures, document, pictures and codes out."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode
from acq.validation.load_cell_data import PONTIUS_LOADS, PONTIUS_RUNS

Capture = pytest.CaptureFixture[str]

# an invented cell of 20 t, mV/V above its zero, percent of capacity 0 20 .. 100 .. 20 0
TABLE = "0.00000 0.39946 0.79878 1.19800 1.59713 1.99622 1.59727 1.19821 0.79900 0.39961 0.00008"
PERCENTS = (0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0)


def write(folder: Path, *lines: str) -> Path:
    path = folder / "readings.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def rows(runs: int = 3, load: float = 0.2, zero: float = -0.009) -> list[str]:
    """Return the table as rows; `load` is one percent of the capacity, runs 0.01 uV/V apart."""
    made = []
    for run in range(1, runs + 1):
        for place, (percent, cell) in enumerate(zip(PERCENTS, TABLE.split(), strict=True)):
            way = "up" if place <= 5 else "down"
            output = float(cell) + zero + 1e-5 * ((run * 7 + place * 3) % 5 - 2)
            made.append(f"{run},{way},{percent * load:g},{output:.6f}")
    return made


HEAD = "run,direction,load,output"


def document(capsys: Capture, *arguments: str) -> dict[str, Any]:
    run_command(["analyse", "load-series", *arguments, "--json"])
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def figures(told: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {each["name"]: each for each in told["results"]}


def test_results_carry_their_line_and_their_uncertainty(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    told = document(capsys, str(path), "--load-unit", "t", "--gain-uncertainty", "30")
    found = figures(told)
    assert found["rated output"]["value"] == pytest.approx(1.99622e-3, abs=2e-8)
    assert found["rated output"]["unit"] == "V/V"
    assert found["rated output"]["budget"][0]["name"] == "gain"
    assert found["non-linearity (terminal line)"]["value"] == pytest.approx(1.46e-4, abs=1e-5)
    assert found["hysteresis"]["value"] == pytest.approx(1.10e-4, abs=1e-5)
    assert found["hysteresis"]["expanded_uncertainty"] > 0
    assert (told["load_unit"], told["maximum_load"]) == ("kg", 20000.0)
    assert len(told["residuals"]) == 11


@pytest.mark.parametrize("line", ["terminal", "zero", "least-squares", "minimax", "seventy-five"])
def test_every_line_can_be_asked_for(line: str, tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    told = document(capsys, str(path), "--line", line)
    assert told["line"] == line
    shown = "0-75 %" if line == "seventy-five" else line
    assert f"non-linearity ({shown} line)" in figures(told)


def test_units_of_the_file_change_the_numbers_only_by_their_factor(
    tmp_path: Path, capsys: Capture
) -> None:
    in_tonnes = write(tmp_path, HEAD, *rows())
    tonnes = document(capsys, str(in_tonnes), "--load-unit", "t")
    in_pounds = write(tmp_path, HEAD.replace("load", "load [lb]"), *rows(load=0.2 / 0.45359237e-3))
    pounds = document(capsys, str(in_pounds))
    assert pounds["maximum_load"] == pytest.approx(tonnes["maximum_load"], rel=1e-5)
    for name, found in figures(tonnes).items():
        assert figures(pounds)[name]["value"] == pytest.approx(found["value"], rel=1e-5)


def test_a_class_is_judged_and_worded(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    arguments = ["analyse", "load-series", str(path), "--load-unit", "t", "--capacity", "20"]
    arguments += ["--class", "C3", "--temperature", "22", "--reading-uncertainty", "0.00001"]
    assert run_command(arguments) is ExitCode.DONE
    text = capsys.readouterr().out
    assert "tested to the limits of class C3 at 22 degC: pass" in text
    assert "complies" not in text
    assert run_command([*arguments, "--class", "C6"]) is ExitCode.FAILED
    assert "tested to the limits of class C6 at 22 degC: fail" in capsys.readouterr().out


def test_a_class_with_too_few_runs_is_withheld(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows(runs=1))
    arguments = ["analyse", "load-series", str(path), "--load-unit", "t", "--capacity", "20"]
    arguments += ["--class", "C3", "--reading-uncertainty", "0.00001"]
    assert run_command(arguments) is ExitCode.UNDECIDED
    text = capsys.readouterr().out
    assert "tested to the limits of class C3: withheld" in text
    assert "class C asks for 3 runs" in text
    assert "temperature not stated" in text


def test_a_bench_that_cannot_tell_is_undecided(tmp_path: Path, capsys: Capture) -> None:
    """Falling at 40 % the error is 0.62 v of 0.70 v: U of 0.3 v cannot tell."""
    path = write(tmp_path, HEAD, *rows())
    told = document(
        capsys, str(path), "--load-unit", "t", "--capacity", "20", "--class", "C3",
        "--reading-uncertainty", "0.0002",
    )  # fmt: skip
    assert told["class"]["conformity"] == "undecided"
    words = {each["conformity"] for each in told["class"]["findings"]}
    assert words == {"pass", "undecided"}


def test_a_certified_curve_comes_through_the_command(tmp_path: Path, capsys: Capture) -> None:
    """NIST StRD Pontius, certified; e-Handbook 4.6.1.10 for the solved load."""
    lines = [
        f"{run},{load:g},{output}"
        for run, outputs in enumerate(PONTIUS_RUNS, start=1)
        for load, output in zip(PONTIUS_LOADS, outputs, strict=True)
    ]
    path = write(tmp_path, "run,load,output", *lines)
    told = document(
        capsys, str(path), "--output-unit", "counts", "--degree", "auto",
        "--solve-load", "1.239722", "--lower-limit-factor",
    )  # fmt: skip
    curve = told["polynomial"]
    certified = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
    assert curve["degree"] == 2
    assert curve["coefficients"] == pytest.approx(certified, rel=1e-9)
    assert told["solved_loads"][0]["value"] == pytest.approx(1705106, abs=0.5)
    assert told["lower_limit_factor"]["in_load"] == pytest.approx(676.5489967, rel=1e-9)
    assert "unconfirmed" in told["lower_limit_factor"]["status"]
    assert told["results"] is None
    assert "no zero reading" in told["results_missing"]


def test_coefficients_are_si_in_the_document_and_of_the_file_in_print(
    tmp_path: Path, capsys: Capture
) -> None:
    path = write(tmp_path, HEAD, *rows())
    told = document(capsys, str(path), "--load-unit", "t", "--degree", "1")
    slope = told["polynomial"]["coefficients"][1]
    assert slope == pytest.approx(1.996e-3 / 20000, rel=1e-3)
    run_command(["analyse", "load-series", str(path), "--load-unit", "t", "--degree", "1"])
    line = next(row for row in capsys.readouterr().out.splitlines() if row.startswith("  B1"))
    assert float(line.split()[1]) == pytest.approx(slope * 1e3 * 1e3, rel=1e-9)


def test_voltages_are_divided_by_the_excitation_of_their_own_row(
    tmp_path: Path, capsys: Capture
) -> None:
    volts = {0: 9.9, 1: 10.1, 2: 10.0}
    made = []
    for place, row in enumerate(rows(runs=1)):
        run, way, load, output = row.split(",")
        u = volts[place % 3]
        made.append(f"{run},{way},{load},{float(output) * u:.6f},{u}")
    path = write(tmp_path, HEAD + ",excitation", *made)
    found = figures(document(capsys, str(path), "--load-unit", "t"))
    assert found["rated output"]["value"] == pytest.approx(1.99622e-3, abs=3e-8)


def test_semicolons_and_decimal_commas_are_read(tmp_path: Path, capsys: Capture) -> None:
    made = [row.replace(",", ";").replace(".", ",") for row in rows()]
    path = write(tmp_path, HEAD.replace(",", ";"), "# invented", *made)
    found = figures(document(capsys, str(path), "--load-unit", "t"))
    assert found["rated output"]["value"] == pytest.approx(1.99622e-3, abs=2e-8)


def test_directions_may_be_left_out(tmp_path: Path, capsys: Capture) -> None:
    bare = [",".join(c for k, c in enumerate(row.split(",")) if k != 1) for row in rows()]
    without = document(capsys, str(write(tmp_path, "run,load,output", *bare)))
    assert figures(without)["hysteresis"]["value"] == pytest.approx(1.10e-4, abs=1e-5)


def test_loads_of_a_rig_are_put_to_levels_when_asked(tmp_path: Path, capsys: Capture) -> None:
    made = []
    for place, row in enumerate(rows()):
        run, way, load, output = row.split(",")
        off = 0.0 if load == "0" else 0.01 * (place % 3 - 1)
        moved = float(output) + 1.99622 / 20 * off
        made.append(f"{run},{way},{float(load) + off:.3f},{moved:.6f}")
    path = write(tmp_path, HEAD, *made)
    assert run_command(["analyse", "load-series", str(path)]) is ExitCode.WRONG_INPUT
    assert "has no reading at load" in capsys.readouterr().err
    found = figures(document(capsys, str(path), "--same-load-within", "0.05"))
    assert found["non-linearity (terminal line)"]["value"] == pytest.approx(1.46e-4, abs=1e-5)


def test_influences_of_a_file_are_named_in_the_budget(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    toml = tmp_path / "influences.toml"
    toml.write_text(
        '[[influence]]\nname = "weights M1"\non = "load"\nstandard_uncertainty = 29.0\n'
        'unit = "ppm"\nshared = "series"\n'
        '[[influence]]\nname = "indicator linearity"\non = "output"\n'
        'standard_uncertainty = 0.002\nunit = "uV/V"\nshared = "level"\n',
        encoding="utf-8",
    )
    found = figures(document(capsys, str(path), "--influences", str(toml)))
    parts = {p["name"]: p["standard_uncertainty"] for p in found["rated output"]["budget"]}
    assert parts["weights M1"] == pytest.approx(29e-6 * 1.99622e-3, rel=1e-4)
    assert parts["indicator linearity"] == pytest.approx(2e-9 * 2**0.5, rel=1e-9)


def test_pictures_are_written_on_request(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows())
    told = document(
        capsys, str(path), "--load-unit", "t", "--class", "C3", "--capacity", "20 t",
        "--plots", str(tmp_path / "pictures"),
    )  # fmt: skip
    names = {Path(each).name for each in told["plots"]}
    assert names == {"deviation.svg", "hysteresis.svg", "class.svg"}
    for each in told["plots"]:
        assert ET.parse(each).getroot().tag.endswith("svg")


def test_positions_give_indices_labelled_as_from_memory(tmp_path: Path, capsys: Capture) -> None:
    path = write(tmp_path, HEAD, *rows(runs=4))
    told = document(capsys, str(path), "--load-unit", "kN", "--positions", "0,0,120,240")
    assert "from memory, unconfirmed" in told["force_indices"]["status"]
    assert len(told["force_indices"]["indices"]) == 5


def test_the_printed_indices_never_claim_the_standard(tmp_path: Path, capsys: Capture) -> None:
    """Every value of the table is from memory: whoever reads the print sees it at the figures."""
    path = write(tmp_path, HEAD, *rows(runs=4))
    arguments = ["analyse", "load-series", str(path), "--load-unit", "kN"]
    assert run_command([*arguments, "--positions", "0,0,120,240"]) is ExitCode.DONE
    printed = capsys.readouterr().out
    heading, reached = (
        next(line for line in printed.splitlines() if line.startswith(start))
        for start in ("Indices;", "reached:")
    )
    assert "from memory, unconfirmed" in heading
    assert "from memory, unconfirmed" in reached
    assert "ISO 376" not in printed


# bad input


def refused(capsys: Capture, *arguments: str) -> str:
    """Return the one line that a refused command says."""
    assert run_command(["analyse", "load-series", *arguments]) is ExitCode.WRONG_INPUT
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    return told.err


GOOD = rows(runs=1)


@pytest.mark.parametrize(
    ("row", "text", "message"),
    [
        (6, "1,up,nan,1.2", "row 6: load 'nan' is not a number"),
        (6, "1,up,12,inf", "row 6: output 'inf' is not a number"),
        (6, "1,up,12,", "row 6: output is empty"),
        (6, "1,up,12,9.9E37", "row 6: output 9.9E37 is an instrument's mark for over-range"),
        (6, "1,up,12", "row 6: has 3 cells, the heading has 4"),
        (6, "one,up,12,1.2", "row 6: run 'one' is not a whole number"),
        (6, "1,sideways,12,1.2", "row 6: direction 'sideways': allowed are up and down"),
        (6, "1,up,12,1.189", "row 6: load 12 up stands twice in run 1"),
        (6, "1,up,3,0.3", "row 6: loads out of order: 3 after 12"),
        (
            6,
            "1,up,26.4555,1.189",
            "row 6: load 26.4555 gives 0.4535 times the output per load",
        ),
        (6, "1,up,12 lb,1.189", "row 6: mixed units: load in lb, row 2 in no unit"),
    ],
)
def test_a_bad_row_is_named_with_its_rule(
    row: int, text: str, message: str, tmp_path: Path, capsys: Capture
) -> None:
    made = list(GOOD)
    made[row - 2] = text
    told = refused(capsys, str(write(tmp_path, HEAD, *made)))
    assert message in told


def test_a_file_of_zeros_alone_is_refused(tmp_path: Path, capsys: Capture) -> None:
    told = refused(capsys, str(write(tmp_path, HEAD, GOOD[0])))
    assert "no reading under load" in told


def test_pounds_among_kilograms_show_in_the_output_per_load(
    tmp_path: Path, capsys: Capture
) -> None:
    made = list(GOOD)
    made[2] = "1,up,8,1.7525"  # 17.6 lb were on, 8 kg were written
    told = refused(capsys, str(write(tmp_path, HEAD, *made)))
    assert "row 4: load 8 gives 2.2" in told
    assert "mixed units, kg and lb?" in told


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--capacity", "10"], "row 5: load 12 is beyond the capacity 10"),
        (["--class", "C3", "--capacity", "25"], "largest load 20 is 80.0% of the capacity 25"),
        (["--class", "C3"], "--class needs --capacity"),
        (["--class", "X3", "--capacity", "20"], "is not like C3"),
        (["--class", "C30", "--capacity", "20"], "table 1"),
        (["--class", "C3", "--capacity", "20", "--apportioning", "0.9"], "0.3 to 0.8"),
        (["--minimum-load", "2"], "row 2: load 0 is below the minimum load 2"),
        (["--capacity", "20 kN"], "the loads of the file are a mass in kg"),
        (["--degree", "9"], "--degree '9': allowed are 1 to 5, or auto"),
        (["--degree", "5"], "degree 5 needs at least 6 different loads and 7 readings"),
        (["--solve-load", "3.0"], "range, 0.399448 mV/V to 1.99622 mV/V"),
        (["--solve-load", "two"], "'two' is not a number"),
        (["--load-unit", "stone"], "load unit 'stone': allowed are"),
        (["--output-unit", "mV"], "outputs in mV need the column excitation"),
        (["--rule", "by eye"], "no decision rule 'by eye'"),
        (["--positions", "0,120"], "--positions names 2 positions, the file has 1 runs"),
        (["--influences", "nowhere.toml"], "nowhere.toml: no such file"),
    ],
)
def test_bad_options_are_one_line(
    arguments: list[str], message: str, tmp_path: Path, capsys: Capture
) -> None:
    assert message in refused(capsys, str(write(tmp_path, HEAD, *GOOD)), *arguments)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["run,direction,load,output"], "has a heading but no rows"),
        ([""], "is empty"),
        (["run,load", "1,0"], "column 'output' is missing"),
        (["run,load,output,colour", "1,0,0,red"], "column 'colour' is not known"),
        (["run,load,output,load", "1,0,0,0"], "column 'load' stands twice"),
        ([HEAD, *[r for r in GOOD if ",0," not in r[:7]]], "run 1 has no zero reading"),
        ([HEAD, "1,up,0,0", "1,up,20,2"], "needs at least 2 rising loads"),
        ([HEAD, *GOOD, *GOOD], "row 13: run 1 rises again after falling"),
    ],
)
def test_bad_files_are_one_line(
    lines: list[str], message: str, tmp_path: Path, capsys: Capture
) -> None:
    assert message in refused(capsys, str(write(tmp_path, *lines)))


def test_a_missing_file_is_one_line(tmp_path: Path, capsys: Capture) -> None:
    assert "no such file" in refused(capsys, str(tmp_path / "nothing.csv"))


# where it is printed


def test_a_pipe_gets_plain_text(tmp_path: Path, capsys: Capture) -> None:
    run_command(["analyse", "load-series", str(write(tmp_path, HEAD, *rows()))])
    text = capsys.readouterr().out
    assert "\x1b" not in text
    assert "rated output" in text
    assert "Residuals from the terminal line" in text


def test_a_terminal_gets_drawn_tables(tmp_path: Path) -> None:
    path = write(tmp_path, HEAD, *rows())
    leader, follower = pty.openpty()
    command = [sys.executable, "-c", "from acq.desk.command_line import main; main()"]
    with subprocess.Popen(
        [*command, "analyse", "load-series", str(path)],
        stdout=follower,
        stdin=subprocess.DEVNULL,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "120"},
    ) as process:
        os.close(follower)
        drawn = b""
        try:
            while chunk := os.read(leader, 4096):
                drawn += chunk
        except OSError:
            pass  # the other end is gone: all was read
        assert process.wait(60) == 0
    os.close(leader)
    text = drawn.decode()
    assert "rated output" in text
    assert "─" in text
