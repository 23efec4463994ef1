"""What a run on a weighing chain freezes: its file as it was written, and the papers it names."""

from __future__ import annotations

from pydantic import Field

from acq.cells.cell import Cell
from acq.cells.data_sheet import DataSheet
from drivers.written_file import Written


class ChainPapers(Written):
    """A chain as the subject of a run; `acq.cells.chain_visit.visit_of` reads it.

    The text is kept as it stands, because people write units that a table of numbers would lose.
    """

    serial: str  # the chain's name
    text: str
    cells: dict[str, Cell] = Field(default_factory=dict)  # by serial
    types: dict[str, DataSheet] = Field(default_factory=dict)
