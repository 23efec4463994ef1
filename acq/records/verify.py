"""Checks that the records are what was once written: every digest, every link, every chain.

Also that the tables beside the journals still say what the journals say. What is broken is
named. A cut-off end shows only against a head that was printed elsewhere.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from acq.records import ledger
from acq.records.delivery import (
    CHECK_COLUMNS,
    FINDING_COLUMNS,
    check_rows,
    finding_rows,
    run_values,
)
from acq.records.history import corrections
from acq.records.ledger import Entry, EntryKind
from acq.records.story import JournalBroken, checks_in, closing_of, digest_of, parse_lines
from acq.records.tables import certificates, checks, documents, findings, journal_parts, runs
from acq.runs.journal import NOTHING_BEFORE, Line

_OF_RUNS = (EntryKind.RUN_OPENED, EntryKind.RUN_CLOSED)


@dataclass(frozen=True, slots=True)
class Problem:
    """One broken record: which, and what is wrong with it."""

    where: str
    what: str


@dataclass(slots=True)
class Report:
    """What was looked at and what was found broken."""

    entries: int = 0
    runs: int = 0
    lines: int = 0
    documents: int = 0
    head: str = NOTHING_BEFORE
    links: frozenset[str] = frozenset()
    problems: list[Problem] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        return not self.problems

    def broken(self, where: str, what: str) -> None:
        self.problems.append(Problem(where, what))

    def lacks(self, head: str) -> None:
        """Note that a head which was printed elsewhere is not here."""
        self.broken(
            "ledger",
            f"has no entry with the head {head}: its end was cut off, or the head comes from "
            "other records",
        )


def verify(connection: Connection, expected_head: str | None = None) -> Report:
    """Look at everything; `expected_head` is a head that a certificate printed."""
    report = Report()
    listed = list(ledger.entries(connection))
    _verify_links(report, listed)
    if expected_head is not None and expected_head not in report.links:
        report.lacks(expected_head)
    _verify_documents(connection, report, listed)
    by_subject: dict[str, list[Entry]] = defaultdict(list)
    for entry in listed:
        by_subject[entry.subject].append(entry)
    for run_id in list(connection.scalars(select(runs.c.id).order_by(runs.c.id))):
        _verify_run(connection, report, run_id, by_subject[run_id])
    _verify_certificates(connection, report, listed)
    return report


def _verify_links(report: Report, listed: Sequence[Entry]) -> None:
    previous = NOTHING_BEFORE
    for position, entry in enumerate(listed, start=1):
        where = _name(entry)
        if entry.position != position:
            report.broken(where, f"stands at place {position}: an entry is missing before it")
            break
        if entry.previous != previous:
            report.broken(where, "does not carry the link of the entry before it")
        if entry.link != entry.right_link:
            report.broken(where, "was changed: its link is not that of its content")
        previous = entry.link
    report.entries = len(listed)
    report.head = listed[-1].link if listed else NOTHING_BEFORE
    report.links = frozenset(entry.link for entry in listed)


def _verify_documents(connection: Connection, report: Report, listed: Sequence[Entry]) -> None:
    kept: set[str] = set()
    for row in connection.execute(select(documents.c.sha256, documents.c.packed)):
        kept.add(row.sha256)
        content = _unpacked(row.packed)
        if content is None or digest_of(content) != row.sha256:
            report.broken(f"document {row.sha256}", "was changed: its digest is another")
    report.documents = len(kept)
    for entry in listed:
        if entry.kind not in _OF_RUNS and entry.content_sha256 not in kept:
            report.broken(_name(entry), "speaks of a document that is missing")


def _verify_run(connection: Connection, report: Report, run_id: str, mine: list[Entry]) -> None:
    report.runs += 1
    where = f"run {run_id}"
    lines = _lines(connection, report, run_id)
    if not lines:
        return
    report.lines += len(lines)
    _verify_entries(report, where, lines, mine)
    try:
        expected = _expected(connection, run_id, lines, mine)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        report.broken(where, f"has a journal that cannot be read: {error}")
        return
    for table, rows in expected.items():
        for what in _differences(table, _stored(connection, table, run_id), rows):
            report.broken(where, what)


def _lines(connection: Connection, report: Report, run_id: str) -> list[Line]:
    parts = (
        select(journal_parts)
        .where(journal_parts.c.run_id == run_id)
        .order_by(journal_parts.c.first_line)
    )
    raws: list[bytes] = []
    for part in connection.execute(parts):
        content = _unpacked(part.packed)
        if content is None:
            report.broken(f"run {run_id}", f"journal part from line {part.first_line} is damaged")
            return []
        raws += content.splitlines(keepends=True)
    try:
        return parse_lines(run_id, raws, first=1, previous=NOTHING_BEFORE)
    except JournalBroken as error:
        report.broken(f"run {run_id}", f"journal line {error.line} is broken: {error}")
        return []


def _verify_entries(report: Report, where: str, lines: list[Line], mine: list[Entry]) -> None:
    """Each opening and closing in the journal has its entry with the right digest, in order."""
    due = list(_due(lines))
    have = [(entry.kind, entry.content_sha256) for entry in mine if entry.kind in _OF_RUNS]
    for number, (kind, sha256) in enumerate(due):
        if number >= len(have):
            report.broken(where, f"has no ledger entry {kind}")
        elif have[number] != (kind, sha256):
            report.broken(where, f"is not what the ledger says under {kind}: the digest is another")
    if len(have) > len(due):
        report.broken(where, "has fewer openings and closings than the ledger says")


def _due(lines: Iterable[Line]) -> Iterator[tuple[EntryKind, str]]:
    so_far = hashlib.sha256()
    for line in lines:
        so_far.update(line.raw)
        if line.what == "opened":
            yield EntryKind.RUN_OPENED, line.digest
        elif line.what == "closed":
            yield EntryKind.RUN_CLOSED, so_far.hexdigest()


def _expected(
    connection: Connection, run_id: str, lines: list[Line], mine: list[Entry]
) -> dict[str, list[dict[str, Any]]]:
    """Return what the tables must say about a run, made again from its journal."""
    run = {
        **run_values(lines[0]),
        "delivered_up_to": lines[-1].number,
        "head": lines[-1].digest,
        **asdict(closing_of(lines[0], lines)),
    }
    for correction in corrections(connection, mine):
        run |= correction.changes
    closed = checks_in(lines)
    return {
        "runs": [run],
        "checks": [
            dict(zip(CHECK_COLUMNS, row, strict=True)) for row in check_rows(run_id, closed)
        ],
        "findings": [
            dict(zip(FINDING_COLUMNS, row, strict=True)) for row in finding_rows(run_id, closed)
        ],
    }


def _stored(connection: Connection, table: str, run_id: str) -> list[dict[str, Any]]:
    if table == "runs":
        wanted = select(runs).where(runs.c.id == run_id)
    else:
        of = {"checks": checks, "findings": findings}[table]
        wanted = select(of).where(of.c.run_id == run_id).order_by(of.c.line)
    return [dict(row) for row in connection.execute(wanted).mappings()]


def _differences(
    table: str, stored: list[dict[str, Any]], expected: list[dict[str, Any]]
) -> Iterator[str]:
    if len(stored) != len(expected):
        yield f"has {len(stored)} rows in {table} where its journal tells {len(expected)}"
        return
    for have, due in zip(stored, expected, strict=True):
        for column, value in due.items():
            if have[column] != value:
                which = f" {have['name']!r}" if "name" in have else ""
                yield (
                    f"says {have[column]!r} for {column} in {table}{which}, "
                    f"where its journal says {value!r}"
                )


def _verify_certificates(connection: Connection, report: Report, listed: Sequence[Entry]) -> None:
    entered = {entry.subject: entry for entry in listed if entry.kind is EntryKind.CERTIFICATE}
    for row in connection.execute(select(certificates)):
        where = f"certificate {row.number}"
        entry = entered.pop(row.number, None)
        if entry is None or entry.position != row.position:
            report.broken(where, "is not what the ledger entered")
            continue
        said = json.loads(ledger.document(connection, entry.content_sha256) or b"{}")
        if (said.get("run"), said.get("pdf_sha256")) != (row.run_id, row.pdf_sha256):
            report.broken(where, "is of another run or another file than the ledger says")
    for number in entered:
        report.broken(f"certificate {number}", "is in the ledger but not among the certificates")


def _unpacked(packed: bytes) -> bytes | None:
    try:
        return zlib.decompress(packed)
    except zlib.error:
        return None


def _name(entry: Entry) -> str:
    return f"ledger entry {entry.position} ({entry.kind} {entry.subject})"
