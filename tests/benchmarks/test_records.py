"""Records: how fast many rows go in, and that a delivery does not grow with the run.

Ratios within one run, never absolute times: machines differ, and this one is shared.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from statistics import median
from time import perf_counter

from sqlalchemy import create_engine, text

from acq.records.bulk import insert_rows
from acq.records.records import Records
from acq.records.tables import numbers
from tests.acq.records.journals import finding, opened

ROWS = 50_000
COLUMNS = ("kind", "year", "last")


def _rows(round_: int) -> list[tuple[str, int, int]]:
    return [(f"{round_}-{number}", 2026, number) for number in range(ROWS)]


def test_many_rows_go_in_at_least_half_as_fast_as_by_the_driver_alone(tmp_path: Path) -> None:
    ours: list[float] = []
    bare: list[float] = []
    file = tmp_path / "bare.sqlite"
    with (
        Records.open(f"sqlite:///{tmp_path}/ours.sqlite", simulated=True) as records,
        Records.open(f"sqlite:///{file}", simulated=True),
        sqlite3.connect(file) as connection,
    ):
        connection.execute("PRAGMA synchronous=FULL")
        for round_ in range(5):  # turn by turn, so that a busy machine slows both
            rows = _rows(round_)
            start = perf_counter()
            with records._engines.writing() as ours_connection:
                insert_rows(ours_connection, numbers, COLUMNS, rows)
            ours.append(perf_counter() - start)
            start = perf_counter()
            connection.executemany("INSERT INTO numbers VALUES (?, ?, ?)", rows)
            connection.commit()
            bare.append(perf_counter() - start)
    connection.close()
    share = median(bare) / median(ours)
    print(f"bulk rows against the bare driver: {share:.2f}")  # noqa: T201  (the figure)
    assert share >= 0.5


def test_a_delivery_costs_the_same_early_and_late_in_a_long_run(tmp_path: Path) -> None:
    journal = opened()
    spent: list[float] = []
    with Records.open(f"sqlite:///{tmp_path}/r.sqlite", simulated=True) as records:
        for number in range(300):
            journal.check(f"check {number}", finding(), readings=20)
            start = perf_counter()
            records.deliver(journal.lines)
            spent.append(perf_counter() - start)
    ratio = median(spent[-50:]) / median(spent[10:60])
    print(f"late deliveries against early ones: {ratio:.2f}")  # noqa: T201  (the figure)
    assert ratio < 3.0


def test_a_history_is_found_by_an_index(tmp_path: Path) -> None:
    with Records.open(f"sqlite:///{tmp_path}/r.sqlite", simulated=True):
        pass
    engine = create_engine(f"sqlite:///{tmp_path}/r.sqlite")
    with engine.connect() as connection:
        plan = connection.execute(
            text("EXPLAIN QUERY PLAN SELECT * FROM runs WHERE serial = 'x' ORDER BY opened_at DESC")
        ).all()
    engine.dispose()
    assert "USING INDEX ix_runs_serial_opened_at" in plan[0][3]
    assert not any("TEMP B-TREE" in row[3] for row in plan)
