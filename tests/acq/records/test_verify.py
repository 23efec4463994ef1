"""Whatever is changed behind the records' back is found and named."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Connection, create_engine, text

from acq.records.ledger import EntryKind
from acq.records.records import Records
from tests.acq.records.journals import finding, opened, small_run


def fill(records: Records) -> None:
    records.deliver(small_run("r-1").lines)
    records.deliver(small_run("r-2", serial="T-000777").lines)
    records.issue_certificate(records.run("r-1"), "Approver", lambda _: b"a certificate")
    records.correct("r-2", by="Lead", reason="label", changes={"serial": "T-000778"})
    records.deliver(opened("r-3").check("a", finding()).lines)


def tamper(url: str, act: Callable[[Connection], Any]) -> None:
    """Change records as somebody would who takes the triggers and keys away first."""
    engine = create_engine(url)
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET session_replication_role = replica"))
        else:
            names = connection.scalars(
                text("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            ).all()
            for name in names:
                connection.execute(text(f"DROP TRIGGER {name}"))
        act(connection)
    engine.dispose()


def sql(statement: str, **values: Any) -> Callable[[Connection], Any]:
    return lambda connection: connection.execute(text(statement), values)


def change_journal(connection: Connection) -> None:
    where = "WHERE run_id = 'r-1' AND first_line = 1"
    packed = connection.scalar(text(f"SELECT packed FROM journal_parts {where}"))
    assert isinstance(packed, bytes)
    changed = zlib.compress(zlib.decompress(packed).replace(b"385.13", b"385.31"))
    connection.execute(text(f"UPDATE journal_parts SET packed = :p {where}"), {"p": changed})


def change_last_line(connection: Connection) -> None:
    """The chain of a journal says nothing of its last line: the ledger's digest must."""
    where = "WHERE run_id = 'r-1' AND first_line = 1"
    packed = connection.scalar(text(f"SELECT packed FROM journal_parts {where}"))
    assert isinstance(packed, bytes)
    changed = zlib.compress(zlib.decompress(packed).replace(b'"exit_code":0', b'"exit_code":1'))
    connection.execute(text(f"UPDATE journal_parts SET packed = :p {where}"), {"p": changed})


CASES: dict[str, tuple[Callable[[Connection], Any], str, str]] = {
    "a value in the table": (
        sql("UPDATE findings SET value = 385.0 WHERE run_id = 'r-1' AND unit = 'ohm'"),
        "run r-1",
        "says 385.0 for value in findings 'resistance Ex\\+ Ex-', where its journal says 385.13",
    ),
    "a conformity in the table": (
        sql("UPDATE findings SET conformity = 'fail' WHERE run_id = 'r-2'"),
        "run r-2",
        "says 'fail' for conformity",
    ),
    "a check taken away": (
        sql("DELETE FROM checks WHERE run_id = 'r-1' AND name = 'zero balance'"),
        "run r-1",
        "has 1 rows in checks where its journal tells 2",
    ),
    "a run moved without a correction": (
        sql("UPDATE runs SET serial = 'T-000999' WHERE id = 'r-1'"),
        "run r-1",
        "says 'T-000999' for serial in runs",
    ),
    "a reading in the journal": (change_journal, "run r-1", "journal line 4 is broken"),
    "the last line of a journal": (
        change_last_line,
        "run r-1",
        "is not what the ledger says under run-closed",
    ),
    "a journal that is no journal": (
        sql("UPDATE journal_parts SET packed = :p WHERE run_id = 'r-2'", p=b"nothing"),
        "run r-2",
        "journal part from line 1 is damaged",
    ),
    "a digest in the ledger": (
        sql("UPDATE ledger SET content_sha256 = :d WHERE position = 2", d="f" * 64),
        r"ledger entry 2 \(run-closed r-1\)",
        "was changed: its link is not that of its content",
    ),
    "a link in the ledger": (
        sql("UPDATE ledger SET link = :d WHERE position = 2", d="f" * 64),
        r"ledger entry 3 \(run-opened r-2\)",
        "does not carry the link of the entry before it",
    ),
    "the moment of an entry": (
        sql("UPDATE ledger SET entered_at = '2020-01-01 00:00:00.000000' WHERE position = 1"),
        "ledger entry 1",
        "was changed",
    ),
    "an entry taken out of the middle": (
        sql("DELETE FROM ledger WHERE position = 3"),
        "ledger entry 4",
        "an entry is missing before it",
    ),
    "the closing of a run cut off with its run": (
        sql("DELETE FROM ledger WHERE position = 4"),
        "run r-2",
        "has no ledger entry run-closed",
    ),
    "a certificate's bytes": (
        sql("UPDATE documents SET packed = :p WHERE media_type = 'application/pdf'", p=b"x\x9c"),
        "document ",
        "was changed: its digest is another",
    ),
    "a document taken away": (
        sql("DELETE FROM documents WHERE media_type = 'application/json'"),
        "ledger entry 5",
        "speaks of a document that is missing",
    ),
    "a certificate given to another run": (
        sql("UPDATE certificates SET run_id = 'r-2'"),
        "certificate R-1-C",
        "is of another run",
    ),
    "a certificate taken away": (
        sql("DELETE FROM certificates"),
        "certificate R-1-C",
        "is in the ledger but not among the certificates",
    ),
}


def test_untouched_records_are_sound(records: Records) -> None:
    fill(records)
    report = records.verify(records.head())
    assert report.problems == []
    assert (report.runs, report.entries, report.documents) == (3, 7, 3)
    assert report.head == records.head()


@pytest.mark.parametrize("case", CASES)
def test_a_change_is_named(records: Records, url: str, case: str) -> None:
    fill(records)
    act, where, what = CASES[case]
    tamper(url, act)
    problems = records.verify().problems
    assert problems
    assert any(re.match(where, p.where) and re.search(what, p.what) for p in problems), problems


def test_only_the_broken_run_is_named(records: Records, url: str) -> None:
    fill(records)
    tamper(url, change_journal)
    assert {problem.where for problem in records.verify().problems} == {"run r-1"}


def test_a_cut_off_end_shows_against_a_printed_head(records: Records, url: str) -> None:
    fill(records)
    printed = records.head()
    cut = records.enter(EntryKind.JOB, "job", b"{}", "application/json")
    assert records.verify(printed).sound
    tamper(url, sql("DELETE FROM ledger WHERE position = :p", p=cut.position))
    assert records.verify().sound  # a chain cannot show it
    (problem,) = records.verify(cut.link).problems
    assert "its end was cut off" in problem.what
