"""Runs are found again; what is not there is answered with what is near."""

from __future__ import annotations

import pytest

from acq.errors import WrongInput
from acq.records.records import Records
from tests.acq.records.journals import finding, opened, small_run


def test_a_serials_history_starts_with_its_newest_run(records: Records) -> None:
    records.deliver(small_run("r-1", opened_at="2026-03-02T08:00:00Z").lines)
    records.deliver(small_run("r-3", opened_at="2026-03-09T08:00:00Z").lines)
    records.deliver(small_run("r-2", opened_at="2026-03-05T08:00:00Z").lines)
    records.deliver(small_run("r-4", serial="T-000999").lines)
    assert [past.id for past in records.history("T-000123")] == ["r-3", "r-2", "r-1"]


def test_an_unknown_serial_names_near_ones(records: Records) -> None:
    records.deliver(small_run().lines)
    with pytest.raises(WrongInput, match="near it: T-000123"):
        records.history("t-000132")
    with pytest.raises(WrongInput, match=r"no run of a cell 'xyz' in [^;]*$"):
        records.history("xyz")


def test_a_run_is_found_by_number_or_id_and_near_ones_are_named(records: Records) -> None:
    records.deliver(small_run("r-1", number="2026-0017").lines)
    assert records.run("r-1").id == records.run("2026-0017").id == "r-1"
    with pytest.raises(WrongInput, match="near it: 2026-0017"):
        records.run("2026-0071")


def test_a_number_that_several_runs_carry_asks_which(records: Records) -> None:
    records.deliver(small_run("r-1", number="S-1").lines)
    records.deliver(small_run("r-2", number="S-1").lines)
    with pytest.raises(WrongInput, match="2 runs carry the number S-1; say which: r-1, r-2"):
        records.run("S-1")


def test_an_exported_run_holds_its_journal_line_by_line(records: Records) -> None:
    journal = opened().check("a", finding(), because="", state="done").close()
    records.deliver(journal.lines)
    exported = records.export_run("r-1")
    assert "".join(f"{line}\n" for line in exported["journal"]).encode() == journal.data
    assert exported["checks"][0]["findings"][0]["value"] == 385.13
    assert exported["run"]["state"] == "finished"
    assert exported["ledger"]["kind"] == "run-closed"


def test_a_run_that_tests_no_cell_has_an_empty_serial(records: Records) -> None:
    journal = opened("live-1").close()
    line = journal.lines[0].replace(b'"cell":{"serial":"T-000123","type":"TT-500"}', b'"cell":null')
    again = opened("live-1")
    again.lines[0] = line
    again.close()
    records.deliver(again.lines)
    assert records.run("live-1").serial == ""
