"""Finding runs again: by serial, by number, by id; and what is near when there is none."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import datetime

from sqlalchemy import Connection, Row, select

from acq.errors import WrongInput
from acq.records import ledger
from acq.records.delivery import journal_of
from acq.records.ledger import EntryKind
from acq.records.recorded_run import Correction, RecordedRun
from acq.records.tables import checks, findings, runs
from acq.runs.fit_for_use import LastCheck, out_of_order

_NEAR = 3


@dataclass(frozen=True, slots=True)
class PastFinding:
    """One finding of an earlier run, in SI units."""

    name: str
    check: str
    quantity: str | None
    unit: str | None
    value: float | None
    limit_kind: str | None
    expanded_uncertainty: float | None
    conformity: str | None


@dataclass(frozen=True, slots=True)
class PastRun:
    """One run of a serial's history, with the findings of the checks that hold."""

    id: str
    number: str
    sequence: str
    serial: str
    type: str | None
    opened_at: datetime
    closed_at: datetime | None
    state: str
    conformity: str | None
    indication_only: bool
    findings: tuple[PastFinding, ...]


def history(connection: Connection, serial: str) -> tuple[PastRun, ...]:
    """Return a serial's runs, newest first; none when the serial is unknown."""
    wanted = (
        select(runs)
        .where(runs.c.serial == serial)
        .order_by(runs.c.opened_at.desc(), runs.c.number.desc(), runs.c.id)
    )
    return tuple(_past_run(connection, row) for row in connection.execute(wanted))


def run(connection: Connection, name: str) -> RecordedRun | None:
    """Return a run by its id or its number, None when there is none.

    Raises WrongInput when several runs carry the number.
    """
    ids = list(connection.scalars(select(runs.c.id).where(runs.c.id == name)))
    ids = ids or list(
        connection.scalars(select(runs.c.id).where(runs.c.number == name).order_by(runs.c.id))
    )
    if len(ids) > 1:
        raise WrongInput(f"{len(ids)} runs carry the number {name}; say which: {', '.join(ids)}")
    return recorded(connection, ids[0]) if ids else None


def recorded(connection: Connection, run_id: str) -> RecordedRun:
    """Return the run of a known id, read from its journal."""
    entries = tuple(ledger.entries(connection, run_id))
    return RecordedRun.of(
        run_id, journal_of(connection, run_id), entries, corrections(connection, entries)
    )


def corrections(connection: Connection, entries: Iterable[ledger.Entry]) -> tuple[Correction, ...]:
    """Return the corrections among a run's entries, oldest first."""
    kept = [e.content_sha256 for e in entries if e.kind == EntryKind.CORRECTION]
    documents = (json.loads(ledger.document(connection, sha256) or b"{}") for sha256 in kept)
    return tuple(Correction(d["by"], d["at"], d["reason"], d["changes"]) for d in documents if d)


def newest_on_bench(connection: Connection, sequence: str, bench: str) -> LastCheck | None:
    """Return the newest finished run of a sequence on a bench, None for none.

    Runs for indication only do not count.
    """
    wanted = (
        select(runs.c.id, runs.c.number, runs.c.serial, runs.c.closed_at)
        .where(runs.c.sequence == sequence, runs.c.state == "finished")
        .where(runs.c.indication_only.is_(False), runs.c.closed_at.is_not(None))
        .order_by(runs.c.closed_at.desc())
    )
    for row in connection.execute(wanted):
        run = recorded(connection, row.id)
        if (run.opened.get("bench") or {}).get("name") == bench:
            return LastCheck(
                number=row.number,
                serial=row.serial,
                at=row.closed_at,
                passed=not any(out_of_order(found) for _, found in run.findings()),
            )
    return None


def near_serials(connection: Connection, serial: str) -> list[str]:
    """Return recorded serials that look like this one."""
    return _near(serial, connection.scalars(select(runs.c.serial).distinct()))


def near_runs(connection: Connection, name: str) -> list[str]:
    """Return numbers and ids of runs that look like this one, the newest runs first."""
    newest = select(runs.c.number, runs.c.id).order_by(runs.c.opened_at.desc()).limit(1000)
    names = [text for row in connection.execute(newest) for text in row]
    return _near(name, dict.fromkeys(names)) or names[:1]


def _near(name: str, names: Iterable[str]) -> list[str]:
    by_lower: dict[str, str] = {}
    for known in names:
        by_lower.setdefault(known.lower(), known)
    found = difflib.get_close_matches(name.lower(), by_lower, n=_NEAR, cutoff=0.5)
    return [by_lower[lower] for lower in found]


def _past_run(connection: Connection, row: Row[tuple[object, ...]]) -> PastRun:
    values = row._mapping
    names = [f.name for f in fields(PastRun) if f.name != "findings"]
    found = _past_findings(connection, values["id"])
    return PastRun(**{name: values[name] for name in names}, findings=found)


def _past_findings(connection: Connection, run_id: str) -> tuple[PastFinding, ...]:
    names = [f.name for f in fields(PastFinding) if f.name != "check"]
    wanted = (
        select(checks.c.name.label("check"), checks.c.line, *(findings.c[name] for name in names))
        .join_from(
            findings,
            checks,
            (findings.c.run_id == checks.c.run_id) & (findings.c.check_line == checks.c.line),
        )
        .where(findings.c.run_id == run_id)
        .order_by(findings.c.line)
    )
    rows = connection.execute(wanted).mappings().all()
    newest = _newest_checks(connection, run_id)
    return tuple(
        PastFinding(check=row["check"], **{name: row[name] for name in names})
        for row in rows
        if newest[row["check"]] == row["line"]
    )


def _newest_checks(connection: Connection, run_id: str) -> dict[str, int]:
    wanted = select(checks.c.name, checks.c.line).where(checks.c.run_id == run_id)
    return {row.name: row.line for row in connection.execute(wanted.order_by(checks.c.line))}
