"""Many papers at once: every row of a table is checked before the first one is kept."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acq.cells.calibration_sheet import CalibrationSheet
from acq.cells.data_sheet import DataSheet
from acq.cells.folder import find_cell, known_serials, known_types, own_folder
from acq.cells.keeping import check_name, keep_cell, keep_data_sheet, keep_sheet
from acq.cells.mapping import ColumnMapping, mapped_rows
from acq.cells.paper_tables import read_paper_table
from acq.cells.toml_text import toml_text
from acq.errors import WrongInput
from drivers.written_file import FileError, check, read_file


@dataclass(frozen=True, slots=True)
class Imported:
    """What was kept: new serials or types, and serials that got a further sheet."""

    new: tuple[str, ...]
    added: tuple[str, ...]


def find_mapping(name: str, folder: Path | None = None) -> ColumnMapping:
    """Return a mapping by the path of its file, or by its name in the workshop's folder."""
    path = Path(name)
    if path.suffix != ".toml":
        path = (folder or own_folder()) / "mappings" / f"{check_name(name)}.toml"
        if not path.is_file():
            known = sorted(each.stem for each in path.parent.glob("*.toml"))
            there = f"there are {', '.join(known)}" if known else "there are none yet"
            raise WrongInput(f"no mapping {name!r}; {there}")
    return read_file(path, ColumnMapping)


def keep_mapping(name: str, mapping: ColumnMapping, folder: Path | None = None) -> Path:
    """Save a mapping for the next table of this kind."""
    path = (folder or own_folder()) / "mappings" / f"{check_name(name)}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(toml_text(mapping.model_dump(exclude_defaults=True)), encoding="utf-8")
    return path


def import_papers(path: Path, mapping: ColumnMapping, folder: Path | None = None) -> Imported:
    """Keep what the table holds. Raises FileError that names row and column; then nothing is kept.

    A known serial gets the row as a further sheet; a known type is refused.
    """
    table = read_paper_table(
        path,
        header_row=mapping.header_row,
        sheet=mapping.sheet,
        delimiter=mapping.delimiter,
        encoding=mapping.encoding,
    )
    rows = list(mapped_rows(table, mapping))
    if not rows:
        raise FileError(path, "", "has a header but no rows")
    if mapping.kind == "types":
        return _types(path, rows, folder)
    return _cells(path, rows, folder)


def _types(path: Path, rows: list[tuple[int, dict[str, Any]]], folder: Path | None) -> Imported:
    tables = [(number, _nested(fields)) for number, fields in rows]
    seen = set(known_types(folder))
    for number, table in tables:
        _checked(path, number, table, DataSheet)
        _new(path, number, "type", table, seen)
    for _, table in tables:
        keep_data_sheet(table, folder)
    return Imported(tuple(table["type"] for _, table in tables), ())


def _cells(path: Path, rows: list[tuple[int, dict[str, Any]]], folder: Path | None) -> Imported:
    known, types, seen = set(known_serials(folder)), set(known_types(folder)), set[str]()
    planned: list[tuple[str, str, dict[str, Any]]] = []
    for number, fields in rows:
        serial = _name(path, number, "serial", fields)
        type_ = str(fields.pop("type", "")) or _known_type(serial, known, folder)
        if type_ not in types:
            reason = f"no data sheet of type {type_!r}" if type_ else "is missing"
            raise FileError(path, f"row {number}, type", reason)
        if serial in seen:
            raise FileError(path, f"row {number}, serial", f"{serial} stands here twice")
        seen.add(serial)
        _check_sheet(path, number, serial, fields, known, folder)
        planned.append((serial, type_, fields))
    for serial, type_, sheet in planned:
        _keep(serial, type_, sheet, known, folder)
    return Imported(
        tuple(serial for serial, _, _ in planned if serial not in known),
        tuple(serial for serial, _, _ in planned if serial in known),
    )


def _keep(
    serial: str, type_: str, sheet: dict[str, Any], known: set[str], folder: Path | None
) -> None:
    if serial in known:
        keep_sheet(serial, sheet, folder)
    else:
        sheets = [sheet] if sheet else []
        keep_cell({"serial": serial, "type": type_, "calibration_sheets": sheets}, folder)


def _check_sheet(
    path: Path,
    number: int,
    serial: str,
    sheet: dict[str, Any],
    known: set[str],
    folder: Path | None,
) -> None:
    if sheet and "date" not in sheet:
        raise FileError(
            path,
            f"row {number}, date",
            "is missing: a sheet has one; give it in the table, or for all rows under [constants]",
        )
    if sheet:
        _checked(path, number, sheet, CalibrationSheet)
    if serial not in known:
        return
    dates = {each.date for each in find_cell(serial, folder).calibration_sheets}
    if not sheet or sheet.get("date") in dates:
        raise FileError(path, f"row {number}, serial", f"{serial} is known, with this sheet")


def _known_type(serial: str, known: set[str], folder: Path | None) -> str:
    return find_cell(serial, folder).data_sheet.type if serial in known else ""


def _checked(path: Path, number: int, table: dict[str, Any], model: type[Any]) -> None:
    try:
        check(path, table, model)
    except FileError as error:
        where = f"row {number}, {error.key}" if error.key else f"row {number}"
        raise FileError(path, where, error.reason) from None


def _new(path: Path, number: int, key: str, table: dict[str, Any], seen: set[str]) -> None:
    name = _name(path, number, key, dict(table))
    if name in seen:
        raise FileError(
            path, f"row {number}, {key}", f"{name} is known already, or stands here twice"
        )
    seen.add(name)


def _name(path: Path, number: int, key: str, fields: dict[str, Any]) -> str:
    try:
        return check_name(str(fields.pop(key, "")))
    except WrongInput as error:
        raise FileError(path, f"row {number}, {key}", str(error)) from None


def _nested(fields: dict[str, Any]) -> dict[str, Any]:
    """Return fields named `cable.length` as tables."""
    table: dict[str, Any] = {}
    for name, value in fields.items():
        outer, dot, inner = name.partition(".")
        if dot:
            table.setdefault(outer, {})[inner] = value
        else:
            table[name] = value
    return table
