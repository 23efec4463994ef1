"""Where papers are kept: the workshop's own folder first, then the invented examples we ship.

`types/<type>.toml` is a data sheet, `cells/<serial>.toml` one serial with its own sheets.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from pydantic import Field

from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.cell import Cell
from acq.cells.data_sheet import DataSheet
from acq.cells.paper_fields import Gravity
from acq.errors import WrongInput
from drivers.written_file import FileError, Written, read_file

EXAMPLES = Path(__file__).parent / "examples"
VARIABLE = "BRIDGEBENCH_CELLS"


class CellFile(Written):
    """What stands in `cells/<serial>.toml`."""

    serial: str
    type: str
    note: str = ""
    calibration_sheets: tuple[CalibrationSheet, ...] = ()


class Workshop(Written):
    """Who tests: `workshop.toml`, printed on certificates."""

    name: str
    address: tuple[str, ...] = ()
    country: str = ""
    gravity: Gravity = None
    gravity_source: str = ""
    note: str = Field(default="")


def own_folder() -> Path:
    """Return the workshop's folder of papers; BRIDGEBENCH_CELLS names another."""
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("bridgebench")) / "cells"


def folders(folder: Path | None = None) -> tuple[Path, ...]:
    """Return where papers are looked for, in this order."""
    return (folder or own_folder(), EXAMPLES)


def find_cell(serial: str, folder: Path | None = None) -> Cell:
    """Return the cell with this serial. Raises WrongInput that names the nearest ones there are,
    FileError when its file or its type's is wrong.
    """
    path = _find(f"cells/{serial}.toml", folder)
    if path is None:
        known = known_serials(folder)
        raise WrongInput(f"no cell {serial!r}; {_nearest(serial, known)}")
    file = read_file(path, CellFile)
    if file.serial != serial:
        raise FileError(path, "serial", f"is {file.serial!r}, but the file is named {serial!r}")
    return Cell(
        serial=file.serial,
        data_sheet=find_data_sheet(file.type, folder),
        calibration_sheets=file.calibration_sheets,
        note=file.note,
    )


def find_data_sheet(type_: str, folder: Path | None = None) -> DataSheet:
    """Return the data sheet of a type. Raises WrongInput that names the nearest types."""
    path = _find(f"types/{type_}.toml", folder)
    if path is None:
        raise WrongInput(f"no data sheet of type {type_!r}; {_nearest(type_, known_types(folder))}")
    sheet = read_file(path, DataSheet)
    if sheet.type != type_:
        raise FileError(path, "type", f"is {sheet.type!r}, but the file is named {type_!r}")
    return sheet


def find_workshop(folder: Path | None = None) -> Workshop:
    """Return who tests; the invented one when the workshop wrote nothing yet."""
    path = _find("workshop.toml", folder)
    return read_file(path or EXAMPLES / "workshop.toml", Workshop)


def paper(kind: Literal["cells", "types"], name: str, folder: Path | None = None) -> Path | None:
    """Return the file of a serial or a type, wherever it is kept; None when there is none."""
    return _find(f"{kind}/{name}.toml", folder)


def known_serials(folder: Path | None = None) -> list[str]:
    """Return every serial there is, sorted."""
    return sorted(set(_names("cells", folder)))


def known_types(folder: Path | None = None) -> list[str]:
    """Return every type there is, sorted."""
    return sorted(set(_names("types", folder)))


def _find(name: str, folder: Path | None) -> Path | None:
    # a serial is a name, never a way out of the folder
    if ".." in name or name.count("/") > 1 or "\\" in name:
        return None
    return next((path for where in folders(folder) if (path := where / name).is_file()), None)


def _names(kind: str, folder: Path | None) -> Iterator[str]:
    for where in folders(folder):
        yield from (path.stem for path in (where / kind).glob("*.toml"))


def _nearest(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.3)
    if near:
        return f"nearest: {', '.join(near)}"
    return f"there are {', '.join(known[:10])}" if known else "there are none yet"
