"""The ledger can be recomputed by anyone, and nobody can change it quietly."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import create_engine, exc, text

from acq.errors import WrongInput
from acq.records.ledger import EntryKind
from acq.records.records import Records
from tests.acq.records.journals import small_run

STATEMENTS = [
    "UPDATE {table} SET {column} = {column}",
    "DELETE FROM {table}",
]
COLUMNS = {"ledger": "subject", "journal_parts": "packed", "documents": "media_type"}


def test_every_link_can_be_computed_from_the_other_columns(records: Records) -> None:
    records.deliver(small_run("r-1").lines)
    records.deliver(small_run("r-2").lines)
    entries = [*records.run("r-1").entries, *records.run("r-2").entries]
    previous = "0" * 64
    for entry in entries:
        said = dict(entry.as_json())
        link = said.pop("link")
        assert said["previous"] == previous
        # the stated form: JSON, sorted keys, no spaces, UTF-8
        text_form = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert link == hashlib.sha256(text_form.encode()).hexdigest()
        previous = str(link)
    assert records.head() == previous


def test_the_entries_of_a_run_carry_its_journals_digests(records: Records) -> None:
    journal = small_run()
    records.deliver(journal.lines)
    first, last = records.run("r-1").entries
    assert (first.kind, first.subject, first.position) == (EntryKind.RUN_OPENED, "r-1", 1)
    assert first.content_sha256 == hashlib.sha256(journal.lines[0]).hexdigest()
    assert (last.kind, last.subject, last.position) == (EntryKind.RUN_CLOSED, "r-1", 2)
    assert last.content_sha256 == hashlib.sha256(journal.data).hexdigest()


def test_simulated_runs_give_the_same_links_again(records: Records, tmp_path: object) -> None:
    records.deliver(small_run().lines)
    with Records.open(f"sqlite:///{tmp_path}/again.sqlite", simulated=True) as again:
        again.deliver(small_run().lines)
        assert again.head() == records.head()


@pytest.mark.parametrize("table", COLUMNS)
@pytest.mark.parametrize("statement", STATEMENTS)
def test_what_was_entered_cannot_be_changed_or_deleted(
    records: Records, url: str, table: str, statement: str
) -> None:
    records.deliver(small_run().lines)
    records.enter(EntryKind.JOB, "job", b"{}", "application/json")
    engine = create_engine(url)
    with pytest.raises(exc.DBAPIError, match="only ever added to"), engine.begin() as connection:
        connection.execute(text(statement.format(table=table, column=COLUMNS[table])))
    engine.dispose()
    assert records.verify().sound


@pytest.mark.parametrize("table", COLUMNS)
def test_what_was_entered_cannot_be_replaced_or_emptied(
    records: Records, url: str, table: str
) -> None:
    records.deliver(small_run().lines)
    records.enter(EntryKind.JOB, "job", b"{}", "application/json")
    engine = create_engine(url)
    replace = {
        "sqlite": f"INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1",
        "postgresql": f"TRUNCATE {table} CASCADE",
    }
    with pytest.raises(exc.DBAPIError, match="only ever added to"), engine.begin() as connection:
        connection.execute(text(replace[engine.dialect.name]))
    engine.dispose()
    assert records.verify().sound


def test_the_reading_side_cannot_write(records: Records) -> None:
    with (
        pytest.raises(exc.DBAPIError, match=r"readonly|read-only"),
        records._engines.reader.begin() as connection,
    ):
        connection.execute(text("DELETE FROM numbers"))


def test_runs_that_are_delivered_at_once_make_one_chain(records: Records, url: str) -> None:
    def deliver(number: int) -> None:
        with Records.open(url, simulated=True) as mine:
            journal = small_run(f"r-{number}")
            for end in range(1, len(journal.lines) + 1):
                mine.deliver(journal.lines[:end])

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(deliver, range(16)))
    report = records.verify()
    assert report.problems == []
    assert (report.runs, report.entries) == (16, 32)


def test_numbers_are_given_once_each_even_at_once(records: Records, url: str) -> None:
    def take(_: int) -> list[str]:
        with Records.open(url, simulated=True) as mine:
            return [mine.next_number("run", 2026) for _ in range(5)]

    with ThreadPoolExecutor(4) as pool:
        given = [number for numbers in pool.map(take, range(8)) for number in numbers]
    assert sorted(given) == [f"R-2026-{n:04d}" for n in range(1, 41)]
    assert records.next_number("run", 2027) == "R-2027-0001"
    assert records.next_number("certificate", 2026) == "C-2026-0001"
    with pytest.raises(WrongInput, match="known: run, certificate, job, lot"):
        records.next_number("invoice", 2026)


def test_a_correction_keeps_what_was_recorded_and_moves_the_run(records: Records) -> None:
    journal = small_run()
    records.deliver(journal.lines)
    records.correct("r-1", by="Lead", reason="wrong label read", changes={"serial": "T-000124"})
    run = records.run("r-1")
    assert run.journal == journal.data
    assert run.serial == "T-000124"
    assert run.corrections[0].reason == "wrong label read"
    assert [past.id for past in records.history("T-000124")] == ["r-1"]
    with pytest.raises(WrongInput, match="near it: T-000124"):
        records.history("T-000123")
    assert records.verify().sound


def test_a_correction_needs_a_name_a_reason_and_something_correctable(records: Records) -> None:
    records.deliver(small_run().lines)
    for by, reason, changes in (
        ("", "reason", {}),
        ("name", " ", {}),
        ("name", "reason", {"conformity": "pass"}),
    ):
        with pytest.raises(WrongInput):
            records.correct("r-1", by=by, reason=reason, changes=changes)
    assert records.verify().entries == 2


def test_the_same_document_is_kept_once_however_often_it_is_entered(records: Records) -> None:
    for job in ("job 1", "job 2"):
        entry = records.enter(EntryKind.JOB, job, b"a photograph", "image/png")
        assert entry.content_sha256 == hashlib.sha256(b"a photograph").hexdigest()
    report = records.verify()
    assert report.sound
    assert (report.entries, report.documents) == (2, 1)
