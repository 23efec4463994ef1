"""Files of readings: rows of text in, checked readings out; a mistake names row and rule.

Rows are counted as an editor counts lines. Comma, semicolon or tab separate;
with the last two a comma may stand before the decimals. Lines that begin with # are comments.
Nothing is dropped: an unknown column, an empty cell or a number that is none is refused.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from acq.analysis.creep import CreepReading
from acq.analysis.load_series import Direction, LoadReading, SeriesError, with_directions
from acq.cells.paper_units import NUMBER
from acq.desk.load_units import Units, checked_units
from acq.errors import WrongInput

REMARKS = "note"  # a column for people; the one that is not computed with
OVER_RANGE = 9.9e36  # instruments write 9.9E37 and 9.91E37 for over-range and not-a-number
EXCITATION_UNITS = {"": 1.0, "V": 1.0, "mV": 1e-3}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the file by its number and its cells by column name."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A read file; `units` are those that stand in the heading, as in `load [kg]`."""

    file: str
    columns: tuple[str, ...]
    units: dict[str, str]
    rows: tuple[Row, ...]


def read_sheet(path: Path, needed: Sequence[str], optional: Sequence[str]) -> Sheet:
    """Return the file's rows; raises WrongInput naming the file and what is wrong with it."""
    lines = list(_numbered_lines(path))
    if not lines:
        raise WrongInput(f"{path}: is empty")
    heading, separator = lines[0][1], _separator(lines[0][1])
    columns, units = _columns(path, next(csv.reader([heading], delimiter=separator)))
    _check_columns(path, columns, needed, optional)
    rows = tuple(_row(path, number, text, separator, columns) for number, text in lines[1:])
    if not rows:
        raise WrongInput(f"{path}: has a heading but no rows")
    return Sheet(str(path), columns, units, rows)


def stream_sheet(
    path: Path, needed: Sequence[str], optional: Sequence[str]
) -> tuple[Sheet, Iterator[Row]]:
    """Return the heading, and the rows one by one: for files that are longer than memory.

    Raises WrongInput as `read_sheet` does, for a row when it is reached.
    """
    lines = _lines_one_by_one(path)
    first = next(lines, None)
    if first is None:
        raise WrongInput(f"{path}: is empty")
    heading, separator = first[1], _separator(first[1])
    columns, units = _columns(path, next(csv.reader([heading], delimiter=separator)))
    _check_columns(path, columns, needed, optional)
    rows = (_row(path, number, text, separator, columns) for number, text in lines)
    return Sheet(str(path), columns, units, ()), rows


def _lines_one_by_one(path: Path) -> Iterator[tuple[int, str]]:
    try:
        with path.open(encoding="utf-8-sig", newline=None) as file:
            for number, line in enumerate(file, start=1):
                if line.strip() and not line.lstrip().startswith("#"):
                    yield number, line.rstrip("\n")
    except FileNotFoundError:
        raise WrongInput(f"{path}: no such file") from None
    except UnicodeDecodeError:
        raise WrongInput(f"{path}: is not UTF-8 text") from None
    except OSError as error:
        raise WrongInput(f"{path}: cannot be read: {error.strerror}") from error


def _numbered_lines(path: Path) -> Iterator[tuple[int, str]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise WrongInput(f"{path}: no such file") from None
    except UnicodeDecodeError:
        raise WrongInput(f"{path}: is not UTF-8 text") from None
    except OSError as error:
        raise WrongInput(f"{path}: cannot be read: {error.strerror}") from error
    for number, line in enumerate(text.splitlines(), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, line


def _separator(heading: str) -> str:
    return next((mark for mark in (";", "\t") if mark in heading), ",")


def _columns(path: Path, names: Sequence[str]) -> tuple[tuple[str, ...], dict[str, str]]:
    columns, units = [], {}
    for name in names:
        match = re.fullmatch(r"\s*(\w+)\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*", name)
        if match is None:
            raise WrongInput(f"{path}: heading: {name!r} is no column name")
        columns.append(match[1].lower())
        if match[2]:
            units[match[1].lower()] = match[2]
    return tuple(columns), units


def _check_columns(
    path: Path, columns: Sequence[str], needed: Sequence[str], optional: Sequence[str]
) -> None:
    allowed = (*needed, *optional, REMARKS)
    for name in columns:
        if name not in allowed:
            raise WrongInput(
                f"{path}: heading: column {name!r} is not known; columns are {', '.join(allowed)}"
            )
        if columns.count(name) > 1:
            raise WrongInput(f"{path}: heading: column {name!r} stands twice")
    for name in needed:
        if name not in columns:
            raise WrongInput(f"{path}: heading: column {name!r} is missing")


def _row(path: Path, number: int, text: str, separator: str, columns: Sequence[str]) -> Row:
    cells = next(csv.reader([text], delimiter=separator))
    if len(cells) != len(columns):
        raise WrongInput(
            f"{path}: row {number}: has {len(cells)} cells, the heading has {len(columns)}"
        )
    return Row(number, {name: cell.strip() for name, cell in zip(columns, cells, strict=True)})


def load_readings(
    sheet: Sheet, load_unit: str | None, output_unit: str | None
) -> tuple[tuple[LoadReading, ...], Units]:
    """Return the readings of a load series, loads in the file's unit and outputs in V/V.

    Units given as options must not contradict those in the file. Raises WrongInput.
    """
    reader = _Reader(sheet, load_unit, output_unit)
    readings = tuple(
        LoadReading(
            run=_run(reader, row),
            direction=_direction(reader, row),
            load=reader.load(row),
            output=reader.output(row),
            time_s=reader.time(row),
            row=row.number,
        )
        for row in sheet.rows
    )
    if "direction" not in sheet.columns:
        readings = with_directions(readings)
    return readings, reader.units


def creep_readings(
    sheet: Sheet, load_unit: str | None, output_unit: str | None
) -> tuple[tuple[CreepReading, ...], Units]:
    """Return the readings of a creep record, loads in the file's unit and outputs in V/V."""
    reader = _Reader(sheet, load_unit, output_unit)
    readings = tuple(
        CreepReading(
            time_s=reader.time(row) or 0.0,
            load=reader.load(row),
            output=reader.output(row),
            row=row.number,
        )
        for row in sheet.rows
    )
    return readings, reader.units


def _run(reader: _Reader, row: Row) -> int:
    text = row.cells["run"]
    if not re.fullmatch(r"\d{1,9}", text):
        raise reader.wrong(row, f"run {text!r} is not a whole number")
    return int(text)


def _direction(reader: _Reader, row: Row) -> Direction:
    text = row.cells.get("direction", "up").lower()
    if text not in ("up", "down"):
        raise reader.wrong(row, f"direction {text!r}: allowed are up and down")
    return Direction(text)


class _Reader:
    """Cells as numbers. Units may stand in the heading, in every cell, or in an option."""

    def __init__(self, sheet: Sheet, load_unit: str | None, output_unit: str | None) -> None:
        self.sheet = sheet
        excitation = "excitation" in sheet.columns
        usual = "mV" if excitation else "mV/V"
        self.units = checked_units(
            self._unit("load", load_unit, "kg"),
            self._unit("output", output_unit, usual),
            excitation,
        )
        self.excitation_unit = self._unit("excitation", None, "V") if excitation else "V"
        if self.excitation_unit not in EXCITATION_UNITS:
            raise WrongInput(f"{sheet.file}: excitation in {self.excitation_unit!r}: V or mV")
        self._day: datetime | None = None

    def wrong(self, row: Row, reason: str) -> WrongInput:
        return WrongInput(f"{self.sheet.file}: row {row.number}: {reason}")

    def _unit(self, column: str, option: str | None, usual: str) -> str:
        """Return the one unit of a column; cells, heading and option must agree."""
        found = self.sheet.units.get(column, "")
        first = self.sheet.rows[0]
        for row in self.sheet.rows:
            unit = self._split(row, column)[1]
            if row is first:
                first_unit = unit
            if unit != first_unit:
                raise self.wrong(
                    row,
                    f"mixed units: {column} in {unit or 'no unit'}, "
                    f"row {first.number} in {first_unit or 'no unit'}",
                )
        for source, unit in (("heading", found), ("option", option or "")):
            if first_unit and unit and unit != first_unit:
                raise self.wrong(first, f"mixed units: {column} in {first_unit}, {source} {unit}")
        if found and option and found != option:
            raise WrongInput(
                f"{self.sheet.file}: heading: {column} in {found}, option says {option}"
            )
        return first_unit or found or option or usual

    def _split(self, row: Row, column: str) -> tuple[float, str]:
        text = row.cells[column]
        if not text:
            raise self.wrong(row, f"{column} is empty")
        match = re.fullmatch(rf"({NUMBER})\s*([^\d\s].*)?", text)
        if match is None:
            raise self.wrong(row, f"{column} {text!r} is not a number")
        number = float(match[1].replace(",", "."))
        if abs(number) >= OVER_RANGE:
            raise self.wrong(row, f"{column} {text} is an instrument's mark for over-range")
        return number, (match[2] or "").strip()

    def load(self, row: Row) -> float:
        return self._split(row, "load")[0]

    def output(self, row: Row) -> float:
        """Return the ratio (or counts): a voltage is divided by the excitation of its own row."""
        value = self._split(row, "output")[0] * self.units.output_factor
        if not self.units.in_volts:
            return value
        volts = self._split(row, "excitation")[0] * EXCITATION_UNITS[self.excitation_unit]
        if volts == 0.0:
            raise self.wrong(row, "excitation is 0 V: no ratio can be formed")
        return value / volts

    def time(self, row: Row) -> float | None:
        """Return seconds of "12.5", "08:15:30" or an ISO 8601 date and time; None: no column."""
        text = row.cells.get("time")
        if text is None:
            return None
        if not text:
            raise self.wrong(row, "time is empty")
        for form in (_seconds, _clock, self._date):
            seconds = form(text)
            if seconds is not None:
                return seconds
        raise self.wrong(row, f"time {text!r}: allowed are seconds, hh:mm:ss or ISO 8601")

    def _date(self, text: str) -> float | None:
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            return None
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        self._day = self._day or moment
        return (moment - self._day) / timedelta(seconds=1)


def _seconds(text: str) -> float | None:
    return float(text.replace(",", ".")) if re.fullmatch(NUMBER, text) else None


def _clock(text: str) -> float | None:
    match = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?", text)
    if match is None:
        return None
    hours, minutes, seconds = match.groups()
    return 3600.0 * int(hours) + 60.0 * int(minutes) + float((seconds or "0").replace(",", "."))


@contextmanager
def naming(sheet: Sheet) -> Iterator[None]:
    """Tell a broken rule of the series with the name of the file that breaks it."""
    try:
        yield
    except SeriesError as error:
        raise WrongInput(f"{sheet.file}: {error}") from error
