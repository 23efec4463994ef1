"""Tables of papers as they come: CSV of any usual kind, or one sheet of an XLSX file."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from acq.errors import WrongInput
from drivers.written_file import FileError

Cell = str | float | date | None


@dataclass(frozen=True, slots=True)
class PaperRow:
    """One row by its number in the file and its cells by column name; blanks are None."""

    number: int
    cells: dict[str, Cell]


@dataclass(frozen=True, slots=True)
class PaperTable:
    """Columns in order and the rows that hold anything."""

    file: Path
    columns: tuple[str, ...]
    rows: tuple[PaperRow, ...]


def read_paper_table(
    path: Path,
    *,
    header_row: int = 1,
    sheet: str = "",
    delimiter: str = "",
    encoding: str = "utf-8-sig",
) -> PaperTable:
    """Return the table below its header row (counted from 1).

    Raises FileError for a file that cannot be read, has no header, or names a column twice.
    """
    workbook = path.suffix.lower() in (".xlsx", ".xlsm")
    lines = list(_xlsx(path, sheet) if workbook else _csv(path, delimiter, encoding))
    if len(lines) < header_row:
        raise FileError(path, f"row {header_row}", "there is no header here")
    columns = _columns(path, header_row, lines[header_row - 1])
    rows = (
        PaperRow(number, {name: cell for name, cell in zip(columns, cells, strict=False) if name})
        for number, cells in enumerate(lines[header_row:], start=header_row + 1)
    )
    kept = tuple(row for row in rows if any(cell is not None for cell in row.cells.values()))
    return PaperTable(path, tuple(name for name in columns if name), kept)


def _columns(path: Path, number: int, cells: Sequence[Cell]) -> tuple[str, ...]:
    names = tuple("" if cell is None else " ".join(str(cell).split()) for cell in cells)
    twice = next((name for name in names if name and names.count(name) > 1), None)
    if twice is not None:
        raise FileError(path, f"row {number}", f"column {twice!r} stands here twice")
    if not any(names):
        raise FileError(path, f"row {number}", "names no column")
    return names


def _csv(path: Path, delimiter: str, encoding: str) -> Iterator[list[Cell]]:
    try:
        text = path.read_bytes().decode(encoding)
    except UnicodeDecodeError:
        reason = f"is not {encoding} text; name its encoding in the mapping, such as 'cp1252'"
        raise FileError(path, "", reason) from None
    except LookupError:
        raise FileError(path, "encoding", f"no encoding {encoding!r}") from None
    except OSError as error:
        raise FileError(path, "", f"cannot be read: {error.strerror}") from error
    first = text.partition("\n")[0]
    mark = delimiter or max(";\t,", key=lambda each: (first.count(each), each == ","))
    try:
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True):
            yield [cell.strip() or None for cell in row]
    except csv.Error as error:
        raise FileError(path, "", f"is not a table of text: {error}") from None


def _xlsx(path: Path, sheet: str) -> Iterator[list[Cell]]:
    try:
        import openpyxl
    except ImportError:
        raise WrongInput(
            f"{path}: XLSX needs the extra `tables` (pip install 'bridgebench[tables]'); "
            "or save the sheet as CSV"
        ) from None
    try:
        data = io.BytesIO(path.read_bytes())
        book = openpyxl.load_workbook(data, read_only=True, data_only=True)
    except OSError as error:
        raise FileError(path, "", f"cannot be read: {error.strerror}") from error
    except (
        zipfile.BadZipFile,
        KeyError,
        ValueError,
        openpyxl.utils.exceptions.InvalidFileException,
    ):
        raise FileError(path, "", "is not an XLSX file") from None
    try:
        names = book.sheetnames
        if sheet and sheet not in names:
            raise FileError(path, "sheet", f"no sheet {sheet!r}; there are {', '.join(names)}")
        for row in book[sheet or names[0]].iter_rows(values_only=True):
            yield [_cell(value) for value in row]
    finally:
        book.close()


def _cell(value: object) -> Cell:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, bool) or value is None:
        return None if value is None else str(value)
    if isinstance(value, int | float):
        return float(value)
    return str(value).strip() or None
