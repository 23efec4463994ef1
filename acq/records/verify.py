"""Checks that the records are what was once written: every digest, every link, every chain.

Also that the tables beside the journals still say what the journals say. What is broken is
named. A cut-off end shows only against a head that was printed elsewhere.
"""

from __future__ import annotations

import json
import zlib
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from acq.records import ledger
from acq.records.ledger import Entry, EntryKind
from acq.records.report import Report
from acq.records.story import digest_of
from acq.records.tables import certificates, checks, documents, findings, journal_parts, runs
from acq.records.verify_run import OF_RUNS, unpacked, verify_run
from acq.runs.journal import NOTHING_BEFORE


def verify(connection: Connection, expected_head: str | None = None, *, simulated: bool) -> Report:
    """Look at everything; `expected_head` is a head that a certificate printed.

    `simulated` says which kind of runs these records may hold.
    """
    report = Report()
    listed = list(ledger.entries(connection))
    _verify_links(report, listed)
    if expected_head is not None and expected_head not in report.links:
        report.lacks(expected_head)
    _verify_documents(connection, report, listed)
    known = list(connection.scalars(select(runs.c.id).order_by(runs.c.id)))
    by_subject: dict[str, list[Entry]] = defaultdict(list)
    for entry in listed:
        by_subject[entry.subject].append(entry)
    for run_id in known:
        verify_run(connection, report, run_id, by_subject[run_id], simulated=simulated)
    _verify_strays(connection, report, listed, set(known))
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
        content = unpacked(row.packed)
        if content is None or digest_of(content) != row.sha256:
            report.broken(f"document {row.sha256}", "was changed: its digest is another")
    report.documents = len(kept)
    report.kept = frozenset(kept)
    for entry in listed:
        if entry.kind not in OF_RUNS and entry.content_sha256 not in kept:
            report.broken(_name(entry), "speaks of a document that is missing")


def _verify_strays(
    connection: Connection, report: Report, listed: Sequence[Entry], known: set[str]
) -> None:
    """What speaks of a run that is not there."""
    for entry in listed:
        if entry.kind in OF_RUNS and entry.subject not in known:
            report.broken(_name(entry), "speaks of a run that is missing")
    for table in (journal_parts, checks, findings):
        for run_id in connection.scalars(select(table.c.run_id).distinct()):
            if run_id not in known:
                report.broken(f"run {run_id}", f"is missing but has rows in {table.name}")


def _verify_certificates(connection: Connection, report: Report, listed: Sequence[Entry]) -> None:
    entered = {entry.subject: entry for entry in listed if entry.kind == EntryKind.CERTIFICATE}
    for row in connection.execute(select(certificates)):
        where = f"certificate {row.number}"
        entry = entered.pop(row.number, None)
        if entry is None or entry.position != row.position:
            report.broken(where, "is not what the ledger entered")
            continue
        if row.pdf_sha256 not in report.kept:
            report.broken(where, "has lost its file")
        said = _document(connection, entry.content_sha256)
        if (said.get("run"), said.get("pdf_sha256")) != (row.run_id, row.pdf_sha256):
            report.broken(where, "is of another run or another file than the ledger says")
    for number in entered:
        report.broken(f"certificate {number}", "is in the ledger but not among the certificates")


def _document(connection: Connection, sha256: str) -> dict[str, Any]:
    """Return a kept JSON document; nothing when it is damaged, which is told elsewhere."""
    try:
        said = json.loads(ledger.document(connection, sha256) or b"{}")
    except (ValueError, zlib.error):
        return {}
    return said if isinstance(said, dict) else {}


def _name(entry: Entry) -> str:
    return f"ledger entry {entry.position} ({entry.kind} {entry.subject})"
