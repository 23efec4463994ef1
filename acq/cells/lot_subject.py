"""A lot: cells of one type that came with one delivery, as a run freezes them."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

from pydantic import Field

from acq.cells.cell import Cell
from acq.cells.folder import EXAMPLES, find_cell, find_data_sheet, paper
from acq.errors import WrongInput
from drivers.written_file import FileError, Written, read_file

LOTS = EXAMPLES / "lots"


class LotFile(Written):
    """A lot as it is written down: `lot`, `type`, `serials`, and what the delivery says."""

    lot: Annotated[str, Field(min_length=1, pattern=r"^[\w.-]+$")]
    type: str
    serials: Annotated[tuple[str, ...], Field(min_length=1)]
    order: str = ""
    delivery_note: str = ""
    note: str = ""


class LotPapers(Written):
    """A lot as the subject of a run: the papers of every piece."""

    serial: str  # of the lot
    cells: tuple[Cell, ...]
    order: str = ""
    delivery_note: str = ""
    note: str = ""

    @property
    def type(self) -> str:
        """The type of all pieces."""
        return self.cells[0].data_sheet.type


def lot_papers(name: str) -> LotPapers:
    """Return a lot by its file, or a shipped one by its name.

    A serial without papers of its own goes by the data sheet of the type. Raises WrongInput or
    FileError for what is wrong, a piece of another type among it.
    """
    path = Path(name)
    if path.suffix != ".toml":
        path = LOTS / f"{name}.toml"
        if not path.is_file():
            known = ", ".join(sorted(each.stem for each in LOTS.glob("*.toml")))
            raise WrongInput(f"no lot {name!r}: name a file (LOT.toml); shipped are {known}")
    file = read_file(path, LotFile)
    twice = [serial for serial, times in Counter(file.serials).items() if times > 1]
    if twice:
        raise FileError(path, "serials", f"{twice[0]!r} stands here twice")
    sheet = find_data_sheet(file.type)
    cells = []
    for serial in file.serials:
        cell = (
            find_cell(serial)
            if paper("cells", serial) is not None
            else Cell(serial=serial, data_sheet=sheet)
        )
        if cell.data_sheet.type != file.type:
            kind = cell.data_sheet.type
            raise FileError(path, "serials", f"{serial!r} is of type {kind}, the lot {file.type}")
        cells.append(cell)
    return LotPapers(
        serial=file.lot,
        cells=tuple(cells),
        order=file.order,
        delivery_note=file.delivery_note,
        note=file.note,
    )
