"""`bridgebench cell` and `bridgebench sheet`: papers typed in, shown and imported."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from acq.cells.folder import find_cell, find_data_sheet, known_types
from acq.desk.command_line import run_command
from acq.desk.exit_codes import ExitCode

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> object:
    """Return a function that lays down what a person types."""

    def lay_down(*lines: str) -> None:
        monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(lines) + "\n"))

    return lay_down


@pytest.fixture(autouse=True)
def papers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BRIDGEBENCH_CELLS", str(tmp_path / "papers"))
    return tmp_path / "papers"


def test_every_cell_is_listed(capsys: Capture) -> None:
    assert run_command(["cell", "list"]) is ExitCode.DONE
    out = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in out] == [
        "A-000417",
        "B-011902",
        "C-003358",
        "D-000096",
        "E-000052",
        "F-000310",
        "K-000001",
    ]
    assert run_command(["cell", "list", "--json"]) is ExitCode.DONE
    assert json.loads(capsys.readouterr().out)[1]["note"] == "invented"


def test_a_wrong_paper_hides_its_own_cells_only(papers: Path, capsys: Capture) -> None:
    (papers / "cells").mkdir(parents=True)
    (papers / "types").mkdir()
    for serial in ("P-1", "P-2"):
        (papers / "cells" / f"{serial}.toml").write_text(f'serial = "{serial}"\ntype = "P"\n')
    (papers / "types" / "P.toml").write_text('type = "P"\ninput_resistance = "many"\n')
    assert run_command(["cell", "list"]) is ExitCode.WRONG_INPUT
    out, err = capsys.readouterr()
    assert len(out.splitlines()) == 7
    (line,) = err.splitlines()
    assert "not listed: P-1, P-2: " in line
    assert "P.toml: input_resistance" in line


def test_a_cell_is_shown_with_its_limits_and_their_sources(capsys: Capture) -> None:
    arguments = ["cell", "show", "B-011902", "--decides", "own calibration sheet"]
    assert run_command(arguments) is ExitCode.DONE
    out = capsys.readouterr().out
    assert "never above 15 V" in out
    assert "own calibration sheet of 2023-11-27: zero balance -0.0064 mV/V" in out
    assert run_command([*arguments, "--json"]) is ExitCode.DONE
    limits = json.loads(capsys.readouterr().out)["limits"]["zero balance"]
    assert [limit["decides"] for limit in limits] == [False, True]


def test_a_wrong_source_or_serial_gets_one_line(capsys: Capture) -> None:
    assert run_command(["cell", "show", "B-011902", "--decides", "me"]) is ExitCode.WRONG_INPUT
    assert "--decides: decides: allowed is 'data sheet', 'own" in capsys.readouterr().err
    assert run_command(["cell", "show", "B-1190"]) is ExitCode.WRONG_INPUT
    assert "nearest: B-011902" in capsys.readouterr().err
    assert run_command(["sheet", "add", "B-1190"]) is ExitCode.WRONG_INPUT


def test_a_cell_of_a_new_type_is_asked_field_by_field(capsys: Capture, typed: object) -> None:
    assert callable(typed)
    typed(
        *("none", "foil", "", "", "500", "500 kg", "2 mV/V ± 0.1 %", "± 1 %RO"),
        *("", "", "", "", "", "", "", "", "", "", "shear", "beam", "C3", "", "150 %", ""),
        *("10000", "."),  # the rest is not on the paper
        *("5", "4", "5 m", "."),  # a cable has 4 or 6 wires
        *("symmetrical", "17 ohm"),
        *("y", "c", "Cal", "Ex+", "59.88 kohm", "."),  # arm C is not at Ex+: once more
        *("y", "c", "Cal", "Ex-", "59.88 kohm", "1.33 mV/V ± 1 %"),
        "n",
        *("y", "2024-13-01", "2024-03-11", "Lab", "", "", "20.011 mV at 10 V", "0.02 %RO", "."),
        *("y", "%", "mV/V", "0 0", "20 0,40011", "x", "100 2.0011", "", "80 1.6009", ""),
    )
    assert run_command(["cell", "add", "Q-1", "--type", "X-1"]) is ExitCode.DONE
    captured = capsys.readouterr()
    assert captured.out.startswith("kept in ")
    for told in (
        "allowed is 'compression', 'tension', 'beam' or 'universal', got 'shear'",
        "a load is needed, such as '500 kg'",
        "allowed is 4 or 6",
        "shunt: linked_to: a lead of its own is linked to Ex- or S+ for arm C: once more",
        "a date is needed",
        "two numbers are needed",
    ):
        assert told in captured.err
    cell = find_cell("Q-1")
    assert cell.data_sheet.y == 10000
    assert cell.wires == 4
    assert cell.data_sheet.zero_balance is not None
    assert cell.data_sheet.zero_balance.upper == pytest.approx(2e-5)
    sheet = cell.sheet
    assert sheet is not None
    assert sheet.rated_output_uncertainty == pytest.approx(0.0002 * 2.0011e-3)
    assert sheet.load_table is not None
    assert sheet.load_table.rising == ((0.0, 0.0), (20.0, 0.40011), (100.0, 2.0011))


def test_a_sheet_of_nothing_but_blanks_is_a_sheet(capsys: Capture, typed: object) -> None:
    assert callable(typed)
    typed("2025-05-06", *[""] * 40)
    assert run_command(["sheet", "add", "B-011902"]) is ExitCode.DONE
    assert "kept in" in capsys.readouterr().out
    sheet = find_cell("B-011902").sheet
    assert sheet is not None
    assert sheet.date.year == 2025
    assert sheet.rated_output is None


def test_a_marking_for_hazardous_areas_is_copied_with_its_limits(typed: object) -> None:
    assert callable(typed)
    typed(*("none", "."), ".", ".", "n", "y", "invented marking", "14 V", "100 mA", "0.8 W", "n")
    assert run_command(["sheet", "add", "--type", "X-2"]) is ExitCode.DONE
    area = find_data_sheet("X-2").hazardous_area
    assert area is not None
    assert (area.maximum_voltage, area.maximum_current) == (14.0, 0.1)
    assert area.insulation_allowed is False


def test_input_that_ends_early_keeps_nothing(papers: Path, typed: object) -> None:
    assert callable(typed)
    typed("none", "foil", "3")
    assert run_command(["sheet", "add", "--type", "X-3"]) is ExitCode.STOPPED
    assert "X-3" not in known_types()
    assert not papers.exists()


def test_a_table_is_imported_by_a_mapping_that_is_asked_once(
    capsys: Capture, tmp_path: Path, typed: object
) -> None:
    assert callable(typed)
    table = tmp_path / "lot.csv"
    table.write_text("No,Output,When,Remark\nQ-1,2.0011,27.11.2023,ok\n")
    typed(
        *("serial",),
        *("colour", "rated_output", "mV/V"),
        *("date", "%d.%m.%Y"),
        "",
        "BB-SB500",
    )
    arguments = ["cell", "import", str(table), "--save", "supplier 1", "--json"]
    assert run_command(arguments) is ExitCode.DONE
    captured = capsys.readouterr()
    assert json.loads(captured.out) == {"new": ["Q-1"], "added": []}
    assert "no field 'colour'" in captured.err
    table.write_text("No,Output,When\nQ-2,2.0012,28.11.2023\n")
    assert run_command(["cell", "import", str(table), "--map", "supplier 1"]) is ExitCode.DONE
    assert capsys.readouterr().out == "new: Q-2\n"
    assert find_cell("Q-2").rated_output == pytest.approx(2.0012e-3)
