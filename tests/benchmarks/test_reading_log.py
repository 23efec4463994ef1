"""The log of readings: rows per second against bare `sqlite3.executemany`, both kept on the disk.

Ratios within one run, never absolute times: machines differ, and this one is shared.
"""

from __future__ import annotations

import sqlite3
import struct
from array import array
from pathlib import Path
from statistics import median
from time import perf_counter

from acq.runs.reading_log import ReadingLog, Row
from drivers.dmm_blocks import ValueBlock

ROWS, A_SECOND = 100_000, 500
TABLE = "CREATE TABLE r (channel INT, started INT, ended INT, value REAL, reach TEXT, raw TEXT)"
INSERT = "INSERT INTO r VALUES (?, ?, ?, ?, ?, ?)"


def against_executemany(folder: Path) -> tuple[float, float]:
    """Return rows per second one by one, and in bursts, each over those of executemany."""
    ours: list[float] = []
    bursts: list[float] = []
    bare: list[float] = []
    rows = [Row(n % 3, n * 2000, n * 2000 + 1900, n * 1e-9, None, f"{n:+.8E}") for n in range(ROWS)]
    connection = sqlite3.connect(folder / "bare.sqlite")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(TABLE)
    log = ReadingLog(folder / "readings.log", new=True)
    for round_ in range(5):  # turn by turn, so that a busy machine slows both
        start = perf_counter()
        for row in rows:
            log.add(row)
        log.keep(round_, at_once=True)
        ours.append(perf_counter() - start)
        start = perf_counter()
        connection.executemany(INSERT, rows)
        connection.commit()
        bare.append(perf_counter() - start)
        start = perf_counter()
        for _ in range(ROWS // A_SECOND):
            log.add_burst(0, BLOCK)
        log.keep(round_, at_once=True)
        bursts.append(perf_counter() - start)
    connection.close()
    log.close()
    assert log.kept.rows == 10 * ROWS
    return median(bare) / median(ours), median(bare) / median(bursts)


def test_rows_are_kept_at_least_half_as_fast_as_by_executemany(tmp_path: Path) -> None:
    share, fast = against_executemany(tmp_path)
    print(f"rows one by one against executemany: {share:.2f}; in bursts: {fast:.1f}")  # noqa: T201
    assert share >= 0.5
    assert fast >= 2.0


_VALUES = [n * 1e-6 for n in range(A_SECOND)]
BLOCK = ValueBlock(
    "dc-voltage", "V", 0.1, array("d", _VALUES), {}, struct.pack(f">{A_SECOND}d", *_VALUES),
    "real-64 big", 0, 1_000_000_000,
)  # fmt: skip
