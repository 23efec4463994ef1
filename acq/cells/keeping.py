"""Papers into the workshop's folder: written whole or not at all, checked before they are kept."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.cell import Cell
from acq.cells.data_sheet import DataSheet
from acq.cells.folder import CellFile, find_cell, known_serials, known_types, own_folder, paper
from acq.cells.toml_text import array_entry, toml_text
from acq.errors import BenchFailure, WrongInput
from drivers.written_file import FileError, check

_NAME = re.compile(r"[^\W_][\w .+()-]{0,79}")


def check_name(name: str) -> str:
    """Return a serial or type that can be a file's name; raises WrongInput for others."""
    if not _NAME.fullmatch(name) or name.strip() != name or ".." in name:
        raise WrongInput(
            f"{name!r} cannot be kept as a name: letters, digits, space and . + - _ ( ) are allowed"
        )
    return name


def keep_data_sheet(table: Mapping[str, Any], folder: Path | None = None) -> Path:
    """Write the data sheet of a new type. Raises WrongInput when the type has one already."""
    name = check_name(str(table.get("type", "")))
    if name in known_types(folder):
        raise WrongInput(f"type {name} has a data sheet already: {paper('types', name, folder)}")
    check(f"types/{name}.toml", dict(table), DataSheet)
    return _keep(f"types/{name}.toml", toml_text(table), folder)


def keep_cell(table: Mapping[str, Any], folder: Path | None = None) -> Path:
    """Write a new serial with its sheets. Raises WrongInput when it is known already."""
    serial = check_name(str(table.get("serial", "")))
    if serial in known_serials(folder):
        where = paper("cells", serial, folder)
        raise WrongInput(f"cell {serial} is known already ({where}); add to it with sheet add")
    file = check(f"cells/{serial}.toml", dict(table), CellFile)
    if file.type not in known_types(folder):
        raise WrongInput(f"no data sheet of type {file.type!r}: add it first")
    return _keep(f"cells/{serial}.toml", toml_text(table), folder)


def keep_sheet(serial: str, table: Mapping[str, Any], folder: Path | None = None) -> Path:
    """Add one calibration sheet to a serial; what a person wrote in its file stays as it is.

    Raises WrongInput for an unknown serial or a second sheet of the same day and laboratory.
    """
    cell = find_cell(serial, folder)
    name = f"cells/{serial}.toml"
    sheet = check(name, dict(table), CalibrationSheet)
    _refuse_twice(cell, sheet)
    where = paper("cells", serial, folder)
    assert where is not None  # find_cell found it
    text = where.read_text(encoding="utf-8").rstrip() + "\n\n"
    text += array_entry("calibration_sheets", table)
    try:
        check(name, tomllib.loads(text), CellFile)
    except tomllib.TOMLDecodeError as error:
        raise FileError(where, "calibration_sheets", f"cannot be added to: {error}") from None
    return _keep(name, text, folder)


def _refuse_twice(cell: Cell, sheet: CalibrationSheet) -> None:
    for known in cell.calibration_sheets:
        if (known.date, known.laboratory) == (sheet.date, sheet.laboratory):
            raise WrongInput(
                f"cell {cell.serial} has a sheet of {sheet.date.isoformat()} from "
                f"{sheet.laboratory or 'nobody named'} already"
            )


def _keep(name: str, text: str, folder: Path | None) -> Path:
    """Write beside, then rename: a cut-off write never leaves half a sheet."""
    path = (folder or own_folder()) / name
    part = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise BenchFailure(f"{path}: cannot be written: {error.strerror}") from error
    return path
