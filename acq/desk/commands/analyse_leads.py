"""`bridgebench analyse leads FILE.csv`: what lead resistances say about a cell."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acq.desk.exit_codes import ExitCode
from acq.errors import WrongInput

if TYPE_CHECKING:
    from acq.analysis.detection import DetectionLimit
    from acq.analysis.diagnosis import Diagnosis
    from acq.analysis.lead_identification import WiringMap
    from acq.analysis.leads_report import LeadsReport
    from acq.analysis.observed import Observed
    from acq.cells.cell import Cell
    from acq.desk.leads_file import LeadsFile

CERTAIN = 0.5  # probability below which the first answer leaves the case open


@click.command("leads")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--sheet", metavar="SERIAL|FILE", help="A serial, or a cell or data sheet (TOML).")
@click.option("--json", "as_json", is_flag=True, help="One document on standard output.")
@click.option("--drawing", type=click.Path(path_type=Path), help="Write the drawing (SVG) here.")
@click.option("--limits", is_flag=True, help="Also tell how small a fault may be to be named.")
@click.option("--cells", "folder", type=click.Path(path_type=Path), help="Folder of papers.")
def leads(
    file: Path,
    sheet: str | None,
    as_json: bool,
    drawing: Path | None,
    limits: bool,
    folder: Path | None,
) -> ExitCode:
    """Find out from lead resistances what is wrong with a cell, and what to test next.

    The file has the columns from,to,ohms; leads are Ex+ Ex- Se+ Se- S+ S- shield housing, or
    colours, which are then identified by their ohms. Values like 351.2, open, >2e10. Rows
    zero_mv_v, excitation_v, temperature_c have their value under ohms.

    Exit code 1: a fault stands first; 4: it is unknown or no answer is more probable than not.
    """
    from acq.desk.leads_file import observed, read_leads

    readings = read_leads(file)
    wiring, marked = _wiring(readings), readings.marked
    if wiring is not None and not marked:
        readings = readings.renamed({x.wire: x.lead for x in wiring.wires if x.lead is not None})
    seen = observed(readings)
    cell = _cell(sheet, folder)
    report = _report(str(file), seen, cell, wiring, marked=marked)
    if drawing is not None:
        _draw(report, drawing)
    _tell(report, as_json, _limits(report, cell) if limits else None)
    return _code(report.diagnosis)


def _wiring(readings: LeadsFile) -> WiringMap | None:
    """Return which wire is which; None where marked wires do not show a whole bridge."""
    from acq.analysis.lead_identification import identify_leads
    from acq.analysis.leads import Lead

    rows = [(row.one, row.other, row.ohms) for row in readings.rows]
    marked = {wire: Lead(wire) for wire in readings.wires} if readings.marked else {}
    try:
        return identify_leads(rows, marked=marked)
    except ValueError as error:
        if readings.marked:
            return None
        raise WrongInput(f"{readings.file}: the leads cannot be identified: {error}") from None


def _cell(sheet: str | None, folder: Path | None) -> Cell | None:
    from acq.cells.cell import Cell
    from acq.cells.data_sheet import DataSheet
    from acq.cells.folder import CellFile, find_cell, find_data_sheet
    from drivers.written_file import check, read_table

    if sheet is None:
        return None
    path = Path(sheet)
    if path.suffix != ".toml":
        return find_cell(sheet, folder)
    table = read_table(path)
    if "serial" not in table:
        return Cell(serial="", data_sheet=check(path, table, DataSheet))
    file = check(path, table, CellFile)
    return Cell(
        serial=file.serial,
        data_sheet=find_data_sheet(file.type, folder),
        calibration_sheets=file.calibration_sheets,
        note=file.note,
    )


def _report(
    file: str, seen: Observed, cell: Cell | None, wiring: WiringMap | None, *, marked: bool
) -> LeadsReport:
    from acq.analysis.diagnosis import diagnose
    from acq.analysis.leads_report import LeadsReport
    from acq.cells.expectation import earlier_readings, expected_cells

    try:
        if cell is None:
            papers = "no sheet, nominal inferred"
            return LeadsReport.of(file, papers, seen, diagnose(seen), wiring, marked=marked)
        expected = expected_cells(cell, seen.celsius)
        earlier = earlier_readings(cell, expected[0][0])
        found = diagnose(seen, expected, earlier=earlier)
    except ValueError as error:
        raise WrongInput(f"{file}: {error}") from None
    papers = f"{cell.serial}, {cell.data_sheet.name}" if cell.serial else cell.data_sheet.name
    return LeadsReport.of(file, papers, seen, found, wiring, marked=marked)


def _draw(report: LeadsReport, path: Path) -> None:
    from acq.analysis.drawing import as_svg
    from acq.analysis.leads_report import picture

    try:
        path.write_text(as_svg(picture(report)), encoding="utf-8")
    except OSError as error:
        raise WrongInput(f"--drawing {path}: {error.strerror}") from None


def _limits(report: LeadsReport, cell: Cell | None) -> list[DetectionLimit]:
    from acq.analysis.limits_report import limits_of
    from acq.cells.expectation import earlier_readings

    expected = report.diagnosis.expected
    return limits_of(expected, () if cell is None else earlier_readings(cell, expected))


def _tell(report: LeadsReport, as_json: bool, limits: list[DetectionLimit] | None) -> None:
    from acq.analysis.leads_report import document, text
    from acq.analysis.limits_report import limits_document, limits_text

    if as_json:
        told = document(report)
        if limits is not None:
            told |= {"detection_limits": limits_document(limits)}
        click.echo(json.dumps(told, ensure_ascii=False, indent=2, allow_nan=False))
        return
    for line in text(report):
        click.echo(line)
    for line in () if limits is None else ("", *limits_text(limits)):
        click.echo(line)


def _code(diagnosis: Diagnosis) -> ExitCode:
    from acq.analysis.faults import Fault

    answer = diagnosis.answer
    if answer.fault.fault is Fault.UNKNOWN or answer.probability < CERTAIN:
        return ExitCode.UNDECIDED
    if answer.fault.fault is Fault.NONE_FOUND:
        return ExitCode.DONE
    return ExitCode.FAILED
