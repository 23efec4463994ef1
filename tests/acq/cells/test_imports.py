"""Papers from tables: units as papers have them, mistakes by row and column, all or nothing."""

from __future__ import annotations

import re
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from acq.cells import imports
from acq.cells.folder import find_cell, find_data_sheet, known_serials
from acq.cells.imports import find_mapping, import_papers, keep_mapping
from acq.cells.mapping import ColumnMapping
from acq.errors import WrongInput
from drivers.written_file import FileError, check

CELLS: dict[str, Any] = {
    "columns": {
        "Serial No.": {"field": "serial"},
        "Signal mV": {"field": "rated_output", "unit": "mV at {Excitation V} V"},
        "Zero %": {"field": "zero_balance", "unit": "%RO"},
        "Rin": {"field": "input_resistance", "unit": "ohm"},
        "Date": {"field": "date", "date_format": "%d.%m.%Y"},
        "T": {"field": "temperature", "unit": "degF"},
    },
    "constants": {"type": "BB-SB500", "laboratory": "Lab"},
}
HEAD = "Serial No.;Signal mV;Excitation V;Zero %;Rin;Date;T\n"
ROWS = "Q-1;20,011;10;-0,32;385,1;27.11.2023;72,14\nQ-2;10.0055;5;;;28.11.2023;-\n"


def mapping(**changed: Any) -> ColumnMapping:
    return check("mapping", CELLS | changed, ColumnMapping)


def table(folder: Path, text: str, name: str = "lot.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def test_a_table_of_cells_is_read_in_the_units_of_its_papers(tmp_path: Path) -> None:
    found = import_papers(table(tmp_path, HEAD + ROWS), mapping(), tmp_path)
    assert found.new == ("Q-1", "Q-2")
    first, second = find_cell("Q-1", tmp_path).sheet, find_cell("Q-2", tmp_path).sheet
    assert first is not None
    assert second is not None
    assert first.rated_output == pytest.approx(2.0011e-3)
    assert first.zero_balance == pytest.approx(-0.0032 * 2.0011e-3)
    assert first.input_resistance == 385.1
    assert first.date == date(2023, 11, 27)
    assert first.temperature == pytest.approx(22.3)
    assert second.rated_output == pytest.approx(2.0011e-3)  # 10.0055 mV at 5 V
    assert second.zero_balance is None
    assert second.temperature is None


def test_the_documented_mapping_reads_the_documented_table(tmp_path: Path) -> None:
    text = Path(imports.__file__).with_name("papers.md").read_text(encoding="utf-8")
    (of_mapping,), (of_table,) = (
        re.findall(rf"```{kind}\n(.*?)```", text, re.DOTALL) for kind in ("toml", "csv")
    )
    (tmp_path / "incoming.toml").write_text(of_mapping, encoding="utf-8")
    found = import_papers(
        table(tmp_path, of_table), find_mapping(str(tmp_path / "incoming.toml")), tmp_path
    )
    assert found.new == ("Q-1", "Q-2")
    sheets = [find_cell(serial, tmp_path).sheet for serial in found.new]
    assert [sheet.rated_output for sheet in sheets if sheet] == pytest.approx([2.0011e-3] * 2)


def test_a_known_serial_gets_the_row_as_a_further_sheet(tmp_path: Path) -> None:
    rows = ROWS.replace("Q-2", "B-011902")
    found = import_papers(table(tmp_path, HEAD + rows), mapping(), tmp_path)
    assert (found.new, found.added) == (("Q-1",), ("B-011902",))
    assert len(find_cell("B-011902", tmp_path).calibration_sheets) == 2
    with pytest.raises(FileError, match=r"row 3, serial: B-011902 is known, with this sheet"):
        import_papers(table(tmp_path, HEAD + rows.replace("Q-1", "Q-9")), mapping(), tmp_path)


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        ("Q-1;x;10;;;27.11.2023;\n", "row 2, column 'Signal mV': a number is needed, got 'x'"),
        ("Q-1;20;;;;27.11.2023;\n", "row 2, column 'Signal mV': needs column 'Excitation V'"),
        ("Q-1;20;10;;;2023-11-27;\n", "row 2, column 'Date': a date as %d.%m.%Y is needed"),
        (";20;10;;;27.11.2023;\n", "row 2, serial: '' cannot be kept as a name"),
        (ROWS + "Q-1;20;10;;;29.11.2023;\n", "row 4, serial: Q-1 stands here twice"),
        ("Q-1;20;10;;385 V;27.11.2023;\n", "row 2, input_resistance: unit 'V ohm'"),
        ("Q-1;20;10;;;;\n", "row 2, date: is missing"),
        ("", "has a header but no rows"),
    ],
)
def test_a_mistake_names_row_and_column_and_nothing_is_kept(
    tmp_path: Path, rows: str, line: str
) -> None:
    before = known_serials(tmp_path)
    with pytest.raises(FileError) as caught:
        import_papers(table(tmp_path, HEAD + rows), mapping(), tmp_path)
    assert line in str(caught.value)
    assert known_serials(tmp_path) == before


def test_a_missing_column_names_those_there_are(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="column 'Rin': is not there; there are Serial No"):
        import_papers(table(tmp_path, (HEAD + ROWS).replace("Rin", "R in")), mapping(), tmp_path)


def test_a_type_without_data_sheet_is_refused(tmp_path: Path) -> None:
    chosen = mapping(constants={"type": "nope"})
    with pytest.raises(FileError, match="row 2, type: no data sheet of type 'nope'"):
        import_papers(table(tmp_path, HEAD + ROWS), chosen, tmp_path)


def test_data_sheets_come_from_tables_too(tmp_path: Path) -> None:
    chosen = check(
        "mapping",
        {
            "kind": "types",
            "columns": {
                "Type": {"field": "type"},
                "Cap": {"field": "capacity", "unit": "lb"},
                "Ult": {"field": "minimum_dead_load", "unit": "cwt"},
                "FSO": {"field": "rated_output", "unit": "mV/V"},
                "TK0": {"field": "temperature_effect_zero", "unit": "%RO/10 K"},
                "TKC": {"field": "temperature_effect_span", "unit": "ppm/K"},
                "IR": {"field": "insulation_resistance", "unit": "Mohm"},
                "Cable ft": {"field": "cable.length", "unit": "ft"},
                "Wires": {"field": "cable.wires"},
                "Y": {"field": "y"},
            },
            "constants": {"electronics": "none", "compensation.layout": "symmetrical"},
        },
        ColumnMapping,
    )
    text = "Type,Cap,Ult,FSO,TK0,TKC,IR,Cable ft,Wires,Y\n"
    text += 'X-1,1000,1,"2 ± 0.002",0.014,11,>= 5000,20,6,10000\nX-2,2000,,3,,,,,,\n'
    found = import_papers(table(tmp_path, text), chosen, tmp_path)
    assert found.new == ("X-1", "X-2")
    sheet = find_data_sheet("X-1", tmp_path)
    assert sheet.capacity is not None
    assert sheet.capacity.value == pytest.approx(453.59237)
    assert sheet.minimum_dead_load is not None
    assert sheet.minimum_dead_load.value == pytest.approx(45.359237)  # 100 lb
    assert sheet.rated_output is not None
    assert sheet.rated_output.upper == pytest.approx(2.002e-3)
    assert sheet.temperature_effect_zero == pytest.approx(1.4e-5)
    assert sheet.temperature_effect_span == pytest.approx(1.1e-5)
    assert sheet.insulation_resistance is not None
    assert sheet.insulation_resistance.lower == 5e9
    assert sheet.cable.length == pytest.approx(6.096)
    assert sheet.cable.wires == 6
    assert sheet.y == 10000
    assert sheet.compensation.layout == "symmetrical"
    with pytest.raises(FileError, match="row 2, type: X-1 is known already"):
        import_papers(table(tmp_path, text), chosen, tmp_path)


def test_a_workbook_gives_its_numbers_and_dates(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.append(["nothing here"])
    page = book.create_sheet("Lot 7")
    page.append(["Delivery of May"])
    page.append([])
    page.append(["Serial No.", "Signal mV", "Excitation V", "Zero %", "Rin", "Date", "T"])
    page.append(["Q-1", 20.011, 10, -0.32, 385.1, datetime(2023, 11, 27, 8, 0), 72.14])  # noqa: DTZ001
    page.append([4711, 20.003, 10, None, None, date(2023, 11, 28), None])
    path = tmp_path / "lot.xlsx"
    book.save(path)
    book.close()
    found = import_papers(path, mapping(sheet="Lot 7", header_row=3), tmp_path)
    assert found.new == ("Q-1", "4711")
    sheet = find_cell("Q-1", tmp_path).sheet
    assert sheet is not None
    assert sheet.rated_output == pytest.approx(2.0011e-3)
    assert sheet.date == date(2023, 11, 27)
    with pytest.raises(FileError, match="no sheet 'Lot 8'; there are Sheet, Lot 7"):
        import_papers(path, mapping(sheet="Lot 8"), tmp_path)


def test_a_file_that_is_no_table_is_told_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is not an XLSX file"):
        import_papers(table(tmp_path, "no book", "lot.xlsx"), mapping(), tmp_path)
    with pytest.raises(FileError, match="cannot be read"):
        import_papers(tmp_path / "missing.csv", mapping(), tmp_path)
    latin = table(tmp_path, HEAD.replace("T", "T °F") + ROWS, encoding="cp1252")
    with pytest.raises(FileError, match="name its encoding in the mapping"):
        import_papers(latin, mapping(), tmp_path)
    columns = CELLS["columns"] | {"T °F": {"field": "temperature", "unit": "degF"}}
    columns.pop("T")
    chosen = mapping(encoding="cp1252", columns=columns)
    assert import_papers(latin, chosen, tmp_path).new == ("Q-1", "Q-2")
    with pytest.raises(FileError, match="column 'a' stands here twice"):
        import_papers(table(tmp_path, "a,a\n1,2\n"), mapping(), tmp_path)


def test_a_mapping_is_saved_and_found_by_its_name(tmp_path: Path) -> None:
    keep_mapping("supplier 1", mapping(), tmp_path)
    assert find_mapping("supplier 1", tmp_path) == mapping()
    assert find_mapping(str(tmp_path / "mappings" / "supplier 1.toml")) == mapping()
    with pytest.raises(WrongInput, match="no mapping 'supplier 2'; there are supplier 1"):
        find_mapping("supplier 2", tmp_path)


def test_a_mapping_to_an_unknown_field_names_those_there_are(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text('[columns.A]\nfield = "colour"\n')
    with pytest.raises(FileError, match="no field 'colour'; there are cable_length, capacity"):
        find_mapping(str(path))
