"""A saved mapping: which column of a table is which field of a sheet, and in which unit.

kind = "cells"                      # or "types": data sheets in place of serials
header_row = 3
[columns."Serial No."]
field = "serial"
[columns."Output at FS"]
field = "rated_output"
unit = "mV at {Excitation} V"       # {...} is another column of the same row
[columns.TK0]
field = "temperature_effect_zero"
unit = "%RO/10 K"
[columns.Date]
field = "date"
date_format = "%d.%m.%Y"
[constants]
type = "BB-SB500"
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, model_validator

from acq.cells import paper_units as units
from acq.cells.all_units import in_sheet_unit
from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.data_sheet import Cable, Compensation, DataSheet
from acq.cells.paper_tables import Cell, PaperRow, PaperTable
from acq.errors import WrongInput
from drivers.written_file import FileError, Written

_OTHER_COLUMN = re.compile(r"\{([^{}]+)\}")
_PLAIN_UNIT = re.compile(r"[A-Za-z][\w*/ ]*")
_DIMENSIONS = (
    *(units.OHMS, units.VOLTS, units.AMPERES, units.WATTS, units.RATIO, units.FRACTION),
    *(units.METRES, units.AREA, units.OHMS_PER_METRE, units.HERTZ, units.NEWTON_METRES),
    *(units.GRAVITY, units.PERCENT, units.MASS, units.FORCE),
)
KNOWN_UNITS = frozenset(unit for dimension in _DIMENSIONS for unit in dimension.units) | {
    "degC",
    "degF",
    "C",
    "F",
}


class Column(Written):
    """One column: the field it fills and the unit its numbers are in ("" for text)."""

    field: str
    unit: str = ""
    date_format: str = ""


class ColumnMapping(Written):
    """What the mapping file says."""

    kind: Literal["cells", "types"] = "cells"
    header_row: int = Field(default=1, ge=1)
    sheet: str = ""
    delimiter: str = Field(default="", max_length=1)
    encoding: str = "utf-8-sig"
    columns: dict[str, Column]
    constants: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _known_fields(self) -> ColumnMapping:
        known = field_names(self.kind)
        for name in (*(column.field for column in self.columns.values()), *self.constants):
            if name not in known:
                raise ValueError(f"no field {name!r}; there are {', '.join(sorted(known))}")
        return self


def field_names(kind: Literal["cells", "types"]) -> frozenset[str]:
    """Return the fields that a column may fill; nested ones as `cable.length`."""
    if kind == "cells":
        own = set(CalibrationSheet.model_fields) - {"load_table"}
        return frozenset(own | {"serial", "type"})
    names = set(DataSheet.model_fields) - {"cable", "compensation", "hazardous_area"}
    names |= {f"cable.{name}" for name in Cable.model_fields if name != "colours"}
    return frozenset(names | {f"compensation.{name}" for name in Compensation.model_fields})


def mapped_rows(table: PaperTable, mapping: ColumnMapping) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield (row number, fields) of each row, text as a sheet keeps it.

    Raises FileError that names row and column.
    """
    missing = [name for name in mapping.columns if name not in table.columns]
    if missing:
        there = ", ".join(table.columns)
        raise FileError(table.file, f"column {missing[0]!r}", f"is not there; there are {there}")
    for row in table.rows:
        yield row.number, _fields(table.file, row, mapping)


def _fields(file: Path, row: PaperRow, mapping: ColumnMapping) -> dict[str, Any]:
    fields: dict[str, Any] = dict(mapping.constants)
    for name, column in mapping.columns.items():
        try:
            value = _value(row.cells.get(name), column, row.cells)
        except (ValueError, WrongInput) as error:
            raise FileError(file, f"row {row.number}, column {name!r}", str(error)) from None
        if value is not None:
            fields[column.field] = value
    return fields


def _value(cell: Cell, column: Column, cells: Mapping[str, Cell]) -> str | date | None:
    """Return what the sheet keeps of a cell: the number with its unit, a date, or text."""
    if cell is None or cell in ("-", "n/a"):
        return None
    if column.field == "date":
        return _date(cell, column.date_format)
    if isinstance(cell, date):
        raise ValueError(f"a date stands here: {cell.isoformat()}")  # noqa: TRY004  (a file's mistake)
    text = _number_text(cell) if isinstance(cell, float) else cell
    if not column.unit:
        return text
    if not re.search(r"\d", text):
        raise ValueError(f"a number is needed, got {text!r}")
    return _with_unit(text, _OTHER_COLUMN.sub(lambda m: _other(m[1], cells), column.unit))


def _with_unit(text: str, unit: str) -> str:
    plain = units.tidy(unit)
    foreign = _PLAIN_UNIT.fullmatch(plain) and plain not in KNOWN_UNITS
    simple = re.fullmatch(units.NUMBER, text) and not re.search(r"\b(at|per)\b|/\d* ?K$", plain)
    if foreign and simple:
        return in_sheet_unit(units.number(text), plain)
    return f"{text} {unit}"


def _other(name: str, cells: Mapping[str, Cell]) -> str:
    value = cells.get(name)
    if value is None:
        raise ValueError(f"needs column {name!r}, which is blank or not there")
    return _number_text(value) if isinstance(value, float) else str(value)


def _number_text(value: float) -> str:
    return f"{value:.0f}" if value.is_integer() and abs(value) < 1e15 else repr(value)


def _date(cell: Cell, date_format: str) -> date:
    if isinstance(cell, date):
        return cell
    text = str(cell)
    try:
        if date_format:
            return datetime.strptime(text, date_format).date()  # noqa: DTZ007  (a date alone)
        return date.fromisoformat(text)
    except ValueError:
        wanted = date_format or "YYYY-MM-DD (else name date_format in the mapping)"
        raise ValueError(f"a date as {wanted} is needed, got {text!r}") from None
