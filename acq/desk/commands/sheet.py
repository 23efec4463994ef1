"""`bridgebench sheet add`: a calibration sheet of a serial, or the data sheet of a type."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from drivers.written_file import Written

NEEDED = (  # by the electrical test; asked first
    "electronics",
    "gauges",
    "bridge",
    "bridges",
    "capacity",
    "rated_output",
    "zero_balance",
    "input_resistance",
    "output_resistance",
    "insulation_resistance",
    "insulation_voltage_maximum",
    "excitation",
    "excitation_maximum",
    "shield_to_housing",
)


@click.group()
def sheet() -> None:
    """Data sheets and calibration sheets."""


@sheet.command()
@click.argument("name")
@click.option("--type", "of_type", is_flag=True, help="NAME is a type: add its data sheet.")
def add(name: str, of_type: bool) -> None:
    """Add a calibration sheet to the serial NAME, asked field by field; blanks are allowed."""
    from acq.cells.folder import find_cell
    from acq.cells.keeping import keep_sheet

    if of_type:
        click.echo(f"kept in {add_data_sheet(name)}")
        return
    find_cell(name)  # an unknown serial is told before anything is asked
    click.echo(f"kept in {keep_sheet(name, ask_sheet())}")


def add_data_sheet(type_: str) -> Path:
    """Ask the data sheet of a new type and keep it; return its file."""
    from acq.cells.data_sheet import Cable, Compensation, DataSheet, HazardousArea
    from acq.cells.folder import known_types
    from acq.cells.keeping import check_name, keep_data_sheet
    from acq.desk.asking import ask_model, ask_part
    from acq.errors import WrongInput

    if check_name(type_) in known_types():
        raise WrongInput(f"type {type_} has a data sheet already")
    _explain()
    click.echo("the electrical test needs the first ones; a dot after them is no loss", err=True)
    answers = ask_model(DataSheet, {"type": type_}, first=NEEDED)
    answers = ask_part(Cable, answers, "cable")
    answers = ask_part(Compensation, answers, "compensation")
    answers = _with_shunt(answers)
    if click.confirm("is it marked for hazardous areas?", err=True):
        click.echo("copy the marking as it stands; the site's own rules come first", err=True)
        marking = {"marking": click.prompt("marking", err=True)}
        answers = ask_part(HazardousArea, answers, "hazardous_area", marking)
    return keep_data_sheet(answers)


def _with_shunt(answers: dict[str, Any]) -> dict[str, Any]:
    """Ask of a calibration resistor where there is one; once more where it contradicts itself."""
    from acq.cells.data_sheet import DataSheet, Shunt
    from acq.desk.asking import ask_part

    def ask() -> dict[str, Any]:
        if not click.confirm("is there a calibration (shunt) resistor or lead?", err=True):
            return answers
        arm = click.prompt("arm that it lies across (A, B, C, D)", err=True).strip().upper()
        asked = {"lead": "Cal, as its label has it; blank: held from outside"}
        return ask_part(Shunt, answers, "shunt", {"arm": arm}, asked)

    return _until_right(ask, DataSheet)


def ask_sheet() -> dict[str, Any]:
    """Ask an individual calibration sheet; return its table."""
    from acq.cells.calibration_sheet import CalibrationSheet
    from acq.desk.asking import OF_A_SHEET, ask_model

    _explain()
    day = _day()
    answers = ask_model(CalibrationSheet, {"date": day}, leave_out=("ours",), examples=OF_A_SHEET)
    if click.confirm("is there a load table?", err=True):
        answers = _with_table(answers)
    return answers


def _with_table(answers: dict[str, Any]) -> dict[str, Any]:
    from acq.cells.calibration_sheet import CalibrationSheet
    from acq.desk.asking import ask_rows

    def ask() -> dict[str, Any]:
        table = {
            "load_unit": click.prompt("unit of the loads", default="%", err=True),
            "output_unit": click.prompt("unit of the outputs", default="mV/V", err=True),
            "rising": ask_rows("rising: load and output above zero", "20 0.40011"),
            "falling": ask_rows("falling: load and output above zero", "80 1.60088"),
        }
        return answers | {"load_table": table}

    return _until_right(ask, CalibrationSheet)


def _until_right(ask: Callable[[], dict[str, Any]], model: type[Written]) -> dict[str, Any]:
    """Ask a part of a sheet until the sheet takes it; return the sheet's answers with it."""
    from drivers.written_file import FileError, check

    while True:
        changed = ask()
        try:
            check("answers", changed, model)
        except FileError as error:
            click.echo(f"  {error.key}: {error.reason}: once more", err=True)
        else:
            return changed


def _day() -> Any:
    from datetime import date

    while True:
        text = click.prompt("date (YYYY-MM-DD)", err=True)
        try:
            return date.fromisoformat(text.strip())
        except ValueError:
            click.echo("  a date is needed, such as 2024-03-11", err=True)


def _explain() -> None:
    click.echo("a blank is a gap on the paper; a single dot ends the questions", err=True)
