"""Whether one recorded run is what its journal once was, and its tables what the journal says."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, select

from acq.records.delivery import (
    CHECK_COLUMNS,
    FINDING_COLUMNS,
    check_rows,
    finding_rows,
    run_values,
)
from acq.records.history import corrections
from acq.records.ledger import Entry, EntryKind
from acq.records.report import Report
from acq.records.story import JournalBroken, checks_in, closing_of, parse_lines
from acq.records.tables import checks, findings, journal_parts, runs
from acq.runs.journal import NOTHING_BEFORE, Line

OF_RUNS = (EntryKind.RUN_OPENED, EntryKind.RUN_CLOSED)


def verify_run(
    connection: Connection, report: Report, run_id: str, mine: list[Entry], *, simulated: bool
) -> None:
    """Look at one run: its journal's chain, its ledger entries, what the tables say of it."""
    report.runs += 1
    where = f"run {run_id}"
    lines = _lines(connection, report, run_id)
    if not lines:
        return
    report.lines += len(lines)
    _verify_entries(report, where, lines, mine)
    try:
        if lines[0].content["run"]["simulated"] != simulated:
            report.broken(where, "is simulated among real runs, or the other way round")
        expected = _expected(connection, run_id, lines, mine)
    except (KeyError, TypeError, ValueError, AttributeError, zlib.error) as error:
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
        content = unpacked(part.packed)
        lines = (content or b"").splitlines(keepends=True)
        told = (part.first_line, part.last_line)
        if content is None or told != (len(raws) + 1, len(raws) + len(lines)):
            report.broken(f"run {run_id}", f"journal part from line {part.first_line} is damaged")
            return []
        raws += lines
    if not raws:
        report.broken(f"run {run_id}", "has no journal")
    try:
        return parse_lines(run_id, raws, first=1, previous=NOTHING_BEFORE)
    except JournalBroken as error:
        report.broken(f"run {run_id}", f"journal line {error.line} is broken: {error}")
        return []


def _verify_entries(report: Report, where: str, lines: list[Line], mine: list[Entry]) -> None:
    """Each opening and closing in the journal has its entry with the right digest, in order."""
    due = list(_due(lines))
    have = [(entry.kind, entry.content_sha256) for entry in mine if entry.kind in OF_RUNS]
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


def unpacked(packed: bytes) -> bytes | None:
    """Return what was packed, None when it is damaged."""
    try:
        return zlib.decompress(packed)
    except zlib.error:
        return None
