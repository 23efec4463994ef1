"""Cells whose papers say one thing or another, for the tests of this room."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acq.cells.cell import Cell
from drivers.written_file import check

USUAL: dict[str, Any] = {
    "type": "T",
    "electronics": "none",
    "input_resistance": "385 ± 12 ohm",
    "cable": {"wires": 4},
}


def cell_of(sheet: Mapping[str, Any] | None = None, /, **type_: Any) -> Cell:
    """Return a cell of a type with these fields, and with one own sheet if it is given."""
    table: dict[str, Any] = {"serial": "S-1", "data_sheet": USUAL | type_}
    if sheet is not None:
        table["calibration_sheets"] = [{"date": "2024-01-31", **sheet}]
    return check("cell", table, Cell)
