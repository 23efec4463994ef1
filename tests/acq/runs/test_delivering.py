"""What a run's delivery does while the records do not answer."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from acq.records import engines
from acq.records.records import Records
from acq.runs.delivering import Delivery
from acq.runs.journal import Journal
from tests.acq.records.journals import small_run


def seconds_of(action: Callable[[], None]) -> float:
    began = time.monotonic()
    action()
    return time.monotonic() - began


def test_records_that_let_a_run_wait_are_tried_again_only_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engines, "PATIENCE_S", 1.0)
    path = tmp_path / "journal.jsonl"
    path.write_bytes(small_run().data)
    journal = Journal(path, new=False)
    closed = next(line for line in journal.lines if line.what == "check-closed")
    database = tmp_path / "records.sqlite"
    with Records.open(f"sqlite:///{database}", simulated=True) as records:
        delivery = Delivery(records, journal)
        other = sqlite3.connect(database)
        other.execute("BEGIN EXCLUSIVE")  # another program writes, and goes on writing
        waited = seconds_of(lambda: delivery.see(closed))
        assert "locked" in delivery.failed
        assert seconds_of(lambda: delivery.see(closed)) < waited / 10  # not tried
        assert delivery.failed != ""
        other.rollback()
        other.close()
        delivery.see(closed)
        assert records.delivered_up_to("r-1") == 0  # still not: it is not its time yet
        delivery.close()  # the end of a run is always tried
        assert delivery.failed == ""
        assert records.delivered_up_to("r-1") == len(journal.lines)
    journal.close()


def test_records_that_answer_get_every_check(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(small_run().data)
    journal = Journal(path, new=False)
    with Records.open(f"sqlite:///{tmp_path / 'records.sqlite'}", simulated=True) as records:
        delivery = Delivery(records, journal)
        for line in journal.lines[:-1]:
            delivery.see(line)
        assert records.delivered_up_to("r-1") > 0
        assert delivery.failed == ""
    journal.close()
