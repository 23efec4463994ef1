"""A log of readings as a table: CSV, Parquet or XLSX, one row per reading, gap and mark.

CSV and Parquet are written block by block, so that a log of days needs no more memory than one of a
minute. XLSX ends at 1 048 576 rows (ECMA-376): a longer log is refused, not cut.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

from acq.errors import BenchFailure, WrongInput
from acq.runs.logged import About, LoggedBlock, blocks, rows_of
from acq.runs.reading_log import Kind

COLUMNS = (
    "count", "utc", "seconds", "until_seconds", "channel", "value", "unit", "limit", "raw", "note",
)  # fmt: skip
MOST_XLSX = 1_048_576 - 1
SUFFIXES = (".csv", ".parquet", ".xlsx")
Rows = list[tuple[Any, ...]]


def export(path: Path, target: Path) -> int:
    """Write the log at `path` to `target`, by its suffix; return the count of rows.

    Raises WrongInput for another suffix or a missing library, BenchFailure when it cannot be
    written.
    """
    writers = dict(zip(SUFFIXES, (_csv, _parquet, _xlsx), strict=True))
    writer = writers.get(target.suffix.lower())
    if writer is None:
        raise WrongInput(f"{target}: the suffix is one of {', '.join(writers)}")
    try:
        return writer(table(path), target)
    except OSError as error:
        raise BenchFailure(f"{target} cannot be written: {error.strerror}") from error


def table(path: Path) -> Iterator[Rows]:
    """Yield the rows of one block after another."""
    about = About()
    for block in blocks(path):
        if block.kind is Kind.NOTE:
            note = block.note()
            about.take(note)
            if "mark" in note:
                yield [_event(about, block, str(note["mark"]))]
        elif block.kind is Kind.GAP:
            yield [_event(about, block, f"gap: {block.content.decode()}")]
        else:
            yield _readings(about, block)


def _event(about: About, block: LoggedBlock, text: str) -> tuple[Any, ...]:
    utc = _utc(about, block.from_ns)
    seconds, until = block.from_ns / 1e9, block.to_ns / 1e9
    return (None, utc, seconds, until, "", None, "", "", "", text)


def _readings(about: About, block: LoggedBlock) -> Rows:
    rows = rows_of(block)
    found: Rows = []
    stamps = np.datetime_as_string(
        (about.start_ns + rows.started_ns).astype("datetime64[ns]"), unit="us"
    )
    for k in range(block.rows):
        channel = about.channels[int(rows.channels[k])]
        value = float(rows.values[k])
        found.append(
            (rows.first + k, f"{stamps[k]}Z", rows.started_ns[k] / 1e9, rows.ended_ns[k] / 1e9,
             channel.name, None if np.isnan(value) else value, channel.unit, rows.limits[k] or "",
             rows.raws[k], "")
        )  # fmt: skip
    return found


def _utc(about: About, bench_ns: int) -> str:
    return f"{np.datetime_as_string(about.utc(bench_ns), unit='us')}Z"


def _csv(parts: Iterator[Rows], target: Path) -> int:
    count = 0
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for rows in parts:
            for row in rows:
                cells = list(row)
                cells[2], cells[3] = f"{row[2]:.6f}", f"{row[3]:.6f}"
                writer.writerow(["" if cell is None else cell for cell in cells])
            count += len(rows)
    return count


def _parquet(parts: Iterator[Rows], target: Path) -> int:
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError:
        raise WrongInput("Parquet needs pyarrow: install bridgebench[tables]") from None
    text, number = arrow.string(), arrow.float64()
    kinds = (arrow.int64(), text, number, number, text, number, text, text, text, text)
    schema = arrow.schema(list(zip(COLUMNS, kinds, strict=True)))
    count = 0
    with parquet.ParquetWriter(target, schema) as writer:
        held: Rows = []
        for rows in parts:
            held += rows
            count += len(rows)
            if len(held) >= 50_000:
                writer.write_table(_arrow(arrow, schema, held))
                held = []
        writer.write_table(_arrow(arrow, schema, held))
    return count


def _arrow(arrow: Any, schema: Any, rows: Rows) -> Any:
    columns: list[Any] = [list(column) for column in zip(*rows, strict=True)] or [[]] * len(COLUMNS)
    return arrow.table(dict(zip(COLUMNS, columns, strict=True)), schema=schema)


def _xlsx(parts: Iterator[Rows], target: Path) -> int:
    try:
        from openpyxl import Workbook
    except ImportError:
        raise WrongInput("XLSX needs openpyxl: install bridgebench[tables]") from None
    book = Workbook(write_only=True)
    sheet = book.create_sheet("readings")
    sheet.append(COLUMNS)
    count = 0
    with ExitStack() as held:
        held.callback(book.close)
        for rows in parts:
            count += len(rows)
            if count > MOST_XLSX:
                raise WrongInput(
                    f"{target}: a sheet ends at {MOST_XLSX + 1} rows; use CSV or Parquet"
                )
            for row in rows:
                sheet.append(row)
        book.save(target)
    return count
