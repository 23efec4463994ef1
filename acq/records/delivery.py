"""From a journal into the records: in order, once per line, whole checks, one transaction.

A server that was away simply gets everything later: what it already has is compared, not
written again. The tables about checks and findings are a projection of the lines.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, insert, select, update

from acq.errors import BenchFailure, WrongInput
from acq.records import ledger
from acq.records.bulk import insert_rows
from acq.records.ledger import EntryKind
from acq.records.story import (
    ClosedCheck,
    JournalBroken,
    checks_in,
    closing_of,
    digest_of,
    moment_of,
    opened_at,
    parse_lines,
    up_to_boundary,
)
from acq.records.tables import checks, findings, journal_parts, runs
from acq.runs.journal import NOTHING_BEFORE, Line

CHECK_COLUMNS = ("run_id", "line", "name", "attempt", "state", "because")
FINDING_COLUMNS = (
    "run_id",
    "line",
    "check_line",
    "name",
    "quantity",
    "unit",
    "value",
    "limit_kind",
    "expanded_uncertainty",
    "conformity",
)


def deliver(
    connection: Connection, journal_lines: Sequence[bytes], run_id: str | None, *, simulated: bool
) -> int:
    """Take over the lines that are new; return the line up to which the records now reach.

    Raises JournalBroken when lines do not follow each other or what is recorded,
    WrongInput when a simulated run meets records of real ones or the other way round.
    """
    given = parse_any(journal_lines[0])
    start, run_id = given.number, run_id or _run_id(given)
    known = _known(connection, run_id)
    reached, head = (known["delivered_up_to"], known["head"]) if known else (0, NOTHING_BEFORE)
    if start > reached + 1:
        raise JournalBroken(run_id, start, f"the records reach up to line {reached} only")
    _compare(connection, run_id, journal_lines, start, reached, head)
    new = parse_lines(
        run_id, journal_lines[reached + 1 - start :], first=reached + 1, previous=head
    )
    taken = up_to_boundary(new)
    if not taken:
        return reached
    first = taken[0] if known is None else _first_line(connection, run_id)
    if known is None:
        _open(connection, run_id, first, simulated=simulated)
    _keep(connection, run_id, first, taken, simulated=simulated)
    return taken[-1].number


def journal_of(connection: Connection, run_id: str) -> bytes:
    """Return the delivered bytes of a run's journal."""
    parts = (
        select(journal_parts.c.packed)
        .where(journal_parts.c.run_id == run_id)
        .order_by(journal_parts.c.first_line)
    )
    return b"".join(map(zlib.decompress, connection.scalars(parts)))


def check_rows(run_id: str, closed: Iterable[ClosedCheck]) -> list[tuple[Any, ...]]:
    """Return the rows of `checks`, in CHECK_COLUMNS."""
    return [(run_id, c.line, stored(c.name), c.attempt, c.state, stored(c.because)) for c in closed]


def finding_rows(run_id: str, closed: Iterable[ClosedCheck]) -> list[tuple[Any, ...]]:
    """Return the rows of `findings`, in FINDING_COLUMNS."""
    return [
        (run_id, found.line, check.line, *(_column(found.content, c) for c in FINDING_COLUMNS[3:]))
        for check in closed
        for found in check.findings
    ]


def run_values(first: Line) -> dict[str, Any]:
    """Return what the first line says for the table of runs."""
    run, cell = first.content["run"], first.content.get("cell") or {}
    return {
        "number": stored(str(run["number"])),
        "sequence": stored(str(run["sequence"])),
        "serial": stored(str(cell.get("serial", ""))),
        "type": stored(cell.get("type")),
        "opened_at": opened_at(first),
        "performer": stored(run.get("performer")),
        "indication_only": bool(run.get("indication_only", False)),
    }


def stored(text: str | None) -> str | None:
    """Return text without the NUL that PostgreSQL cannot keep."""
    return None if text is None else text.replace("\0", "\N{REPLACEMENT CHARACTER}")


def _column(finding: Any, column: str) -> Any:
    value = finding.get(column)
    if column in ("value", "expanded_uncertainty"):
        return None if value is None else float(value)
    return stored(value)


def _run_id(line: Line) -> str:
    if line.what != "opened":
        raise BenchFailure("lines of a journal came without its first one and without the run's id")
    return str(line.content["run"]["id"])


def parse_any(raw: bytes) -> Line:
    """Return one line, without looking at its neighbours."""
    try:
        content = json.loads(raw)
        return Line(raw, {**content, "line": int(content["line"]), "what": content["what"]})
    except (ValueError, KeyError, TypeError):
        raise BenchFailure("what came for the records is not a line of a journal") from None


def _known(connection: Connection, run_id: str) -> RowMapping | None:
    return connection.execute(select(runs).where(runs.c.id == run_id)).mappings().first()


def _compare(
    connection: Connection,
    run_id: str,
    lines: Sequence[bytes],
    start: int,
    reached: int,
    head: str,
) -> None:
    """Raise JournalBroken when lines that are recorded already are not the recorded ones.

    The chain of digests makes the last common line stand for all before it.
    """
    common = min(reached, start + len(lines) - 1)
    if common < start:
        return
    if common == reached:
        recorded = head
    else:
        recorded = digest_of(journal_of(connection, run_id).splitlines(keepends=True)[common - 1])
    if digest_of(lines[common - start]) != recorded:
        raise JournalBroken(run_id, common, "differs from what is recorded under the same run")


def _first_line(connection: Connection, run_id: str) -> Line:
    packed = connection.scalar(
        select(journal_parts.c.packed)
        .where(journal_parts.c.run_id == run_id)
        .order_by(journal_parts.c.first_line)
        .limit(1)
    )
    return parse_any(zlib.decompress(packed or b"").splitlines(keepends=True)[0])


def _open(connection: Connection, run_id: str, first: Line, *, simulated: bool) -> None:
    if first.what != "opened" or first.content["run"]["id"] != run_id:
        raise JournalBroken(run_id, first.number, "does not open this run")
    if bool(first.content["run"]["simulated"]) != simulated:
        kinds = ("real", "simulated") if not simulated else ("simulated", "real")
        raise WrongInput(
            f"run {run_id} is {kinds[1]} and these records hold {kinds[0]} runs only; "
            "name others with --records"
        )
    closing = {"delivered_up_to": 0, "head": NOTHING_BEFORE, "state": "open"}
    connection.execute(insert(runs), {"id": run_id, **run_values(first), **closing})


def _keep(
    connection: Connection, run_id: str, first: Line, taken: Sequence[Line], *, simulated: bool
) -> None:
    part = {
        "run_id": run_id,
        "first_line": taken[0].number,
        "last_line": taken[-1].number,
        "packed": ledger.pack(b"".join(line.raw for line in taken)),
    }
    connection.execute(insert(journal_parts), part)
    closed = checks_in(taken)
    insert_rows(connection, checks, CHECK_COLUMNS, check_rows(run_id, closed))
    insert_rows(connection, findings, FINDING_COLUMNS, finding_rows(run_id, closed))
    _enter(connection, run_id, first, taken, simulated=simulated)
    reach = {"delivered_up_to": taken[-1].number, "head": taken[-1].digest}
    # a resumed run is open again, so what was known of its end never comes from the table
    closing = asdict(closing_of(first, taken))
    connection.execute(update(runs).where(runs.c.id == run_id).values(**reach, **closing))


def _enter(
    connection: Connection, run_id: str, first: Line, taken: Sequence[Line], *, simulated: bool
) -> None:
    for line in taken:
        if line.what == "opened":
            kind, content = EntryKind.RUN_OPENED, line.raw
        elif line.what == "closed":
            kind, content = EntryKind.RUN_CLOSED, _up_to(connection, run_id, line)
        else:
            continue
        # simulated runs use bench time: the same seed gives the same links
        when = moment_of(first, line.content["t"]) if simulated else datetime.now(UTC)
        ledger.append(connection, kind, run_id, digest_of(content), when)


def _up_to(connection: Connection, run_id: str, last: Line) -> bytes:
    lines = journal_of(connection, run_id).splitlines(keepends=True)
    return b"".join(lines[: last.number])
