"""Papers that are kept: whole, checked first, and beside what a person wrote."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.cells.baseline import baseline_table
from acq.cells.folder import find_cell, find_data_sheet
from acq.cells.keeping import check_name, keep_cell, keep_data_sheet, keep_sheet
from acq.cells.toml_text import toml_text
from acq.errors import BenchFailure, WrongInput
from drivers.written_file import FileError

SHEET = {"date": date(2025, 5, 6), "laboratory": "Lab", "rated_output": "2.0007 mV/V"}
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
SCALARS = st.one_of(
    TEXTS.filter(bool),
    st.integers(-(2**62), 2**62),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    st.dates(),
)


@given(
    st.dictionaries(
        TEXTS.filter(bool),
        st.one_of(
            SCALARS,
            st.lists(st.lists(st.floats(-1e9, 1e9), min_size=2, max_size=2), min_size=1),
            st.dictionaries(TEXTS.filter(bool), SCALARS, min_size=1, max_size=3),
            st.lists(st.dictionaries(TEXTS.filter(bool), SCALARS, min_size=1), min_size=1),
        ),
        max_size=5,
    )
)
def test_any_table_reads_back_as_it_was(table: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(table)) == table


def test_a_sheet_is_added_below_what_a_person_wrote(tmp_path: Path) -> None:
    (tmp_path / "cells").mkdir()
    own = tmp_path / "cells" / "Q-1.toml"
    own.write_text('# came back wet in May\nserial = "Q-1"\ntype = "BB-SB500"\n')
    keep_sheet("Q-1", SHEET, tmp_path)
    keep_sheet("Q-1", SHEET | {"date": date(2025, 6, 7)}, tmp_path)
    assert own.read_text().startswith("# came back wet in May\n")
    sheets = find_cell("Q-1", tmp_path).calibration_sheets
    assert [sheet.date.month for sheet in sheets] == [5, 6]
    assert list((tmp_path / "cells").iterdir()) == [own]


def test_an_invented_example_gets_its_sheet_in_the_workshops_folder(tmp_path: Path) -> None:
    where = keep_sheet("B-011902", SHEET, tmp_path)
    assert where == tmp_path / "cells" / "B-011902.toml"
    cell = find_cell("B-011902", tmp_path)
    assert cell.rated_output == pytest.approx(2.0007e-3)
    assert len(cell.calibration_sheets) == 2
    # a load table in between does not swallow the next sheet
    assert cell.calibration_sheets[0].load_table is not None


def test_the_same_sheet_twice_is_refused(tmp_path: Path) -> None:
    keep_sheet("B-011902", SHEET, tmp_path)
    with pytest.raises(WrongInput, match="has a sheet of 2025-05-06 from Lab already"):
        keep_sheet("B-011902", SHEET, tmp_path)


def test_nothing_is_kept_of_papers_that_are_wrong(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="rated_output"):
        keep_sheet("B-011902", SHEET | {"rated_output": "2 V"}, tmp_path)
    with pytest.raises(FileError, match="capacity"):
        keep_data_sheet({"type": "X", "capacity": "500"}, tmp_path)
    with pytest.raises(WrongInput, match="no data sheet of type 'nope'"):
        keep_cell({"serial": "Q-2", "type": "nope"}, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_what_is_known_is_not_written_over(tmp_path: Path) -> None:
    keep_data_sheet({"type": "X 1"}, tmp_path)
    assert find_data_sheet("X 1", tmp_path).electronics == "unknown"
    with pytest.raises(WrongInput, match="has a data sheet already"):
        keep_data_sheet({"type": "X 1"}, tmp_path)
    with pytest.raises(WrongInput, match="add to it with sheet add"):
        keep_cell({"serial": "B-011902", "type": "X 1"}, tmp_path)


def test_a_file_that_cannot_be_added_to_says_so(tmp_path: Path) -> None:
    (tmp_path / "cells").mkdir()
    own = tmp_path / "cells" / "Q-1.toml"
    text = 'serial = "Q-1"\ntype = "BB-SB500"\ncalibration_sheets = [{date = 2020-01-01}]\n'
    own.write_text(text)
    with pytest.raises(FileError, match="calibration_sheets: cannot be added to"):
        keep_sheet("Q-1", SHEET, tmp_path)
    assert own.read_text() == text


@pytest.mark.parametrize(
    "name", ["", "../x", "a/b", ".hidden", "a\\b", "x" * 81, " x", "x ", "a..b"]
)
def test_a_name_that_is_no_file_name_is_refused(name: str) -> None:
    with pytest.raises(WrongInput, match="cannot be kept as a name"):
        check_name(name)


def test_a_folder_that_cannot_be_written_is_told_in_one_line(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(BenchFailure, match="cannot be written"):
        keep_data_sheet({"type": "X"}, blocked)


def finding(name: str, value: float | None, U: float, **more: Any) -> dict[str, Any]:
    return {
        "name": name,
        "value": value,
        "limit_kind": None,
        "expanded_uncertainty": U,
        "conformity": "pass",
    } | more


def test_a_lost_sheet_is_replaced_by_a_baseline_marked_ours(tmp_path: Path) -> None:
    (tmp_path / "cells").mkdir()
    (tmp_path / "cells" / "Q-1.toml").write_text('serial = "Q-1"\ntype = "BB-SB500"\n')
    found = [
        finding("resistance Ex+ Ex-", 385.13, 0.05),
        finding("resistance S+ S-", 351.28, 0.05),
        finding("zero balance", -6.4e-6, 3e-7),
        finding("insulation leads to housing", 2e10, 2e9, limit_kind="above"),
        finding("thermal EMF", 1e-6, 1e-7, conformity=None),
    ]
    table = baseline_table(
        found, date(2026, 3, 2), run="R-7", laboratory="ours", temperature=22.4, excitation=10.0
    )
    keep_sheet("Q-1", table, tmp_path)
    cell = find_cell("Q-1", tmp_path)
    sheet = cell.sheet
    assert sheet is not None
    assert sheet.ours
    assert sheet.input_resistance == 385.13
    assert sheet.resistance_uncertainty == 0.05
    assert sheet.zero_balance == -6.4e-6
    assert sheet.insulation_resistance is not None
    assert sheet.insulation_resistance.lower == 2e10
    assert sheet.temperature == 22.4
    (limit,) = [limit for limit in cell.limits.zero_balance if not limit.decides]
    assert limit.source.startswith("our baseline of 2026-03-02: zero balance")
    assert limit.reference_uncertainty == 3e-7


def test_only_a_healthy_run_gives_a_baseline() -> None:
    sick = [finding("zero balance", 1e-4, 1e-6, conformity="fail")]
    with pytest.raises(WrongInput, match="zero balance is fail"):
        baseline_table(sick, date(2026, 3, 2), run="R-7", laboratory="")
    with pytest.raises(WrongInput, match="nothing that a calibration sheet holds"):
        baseline_table([], date(2026, 3, 2), run="R-7", laboratory="")
