"""Issued certificates and corrections: documents that the ledger speaks of.

A certificate is typeset once, inside the transaction that enters it, and kept as it was
issued: asked for again, the same bytes come out, whatever the typesetter's version by then.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, insert, select, update

from acq.errors import WrongInput
from acq.records import ledger
from acq.records.ledger import Entry, EntryKind
from acq.records.numbers import next_number
from acq.records.recorded_run import RecordedRun
from acq.records.tables import certificates, runs
from acq.runs.journal import encode

JSON = "application/json"
PDF = "application/pdf"
_CORRECTABLE = ("serial",)


@dataclass(frozen=True, slots=True)
class Issue:
    """What a certificate is issued as, before it is typeset."""

    number: str
    issued_at: datetime
    head: str  # of the ledger, just before the certificate's own entry
    approver: str | None
    replaces: str | None = None  # number of the certificate that this one amends
    because: str | None = None


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate as it was issued."""

    issue: Issue
    entry: Entry
    journal_sha256: str
    pdf: bytes


def issue_certificate(
    connection: Connection,
    run: RecordedRun,
    approver: str | None,
    typeset: Callable[[Issue], bytes],
    *,
    because: str | None = None,
) -> Issued:
    """Number, typeset, keep and enter a certificate; the caller holds the writing transaction.

    `because` amends the one issued before it (ISO/IEC 17025:2017, 7.8.8).
    Raises WrongInput when the run is open, or when there is nothing to amend.
    """
    if run.is_open:
        raise WrongInput(f"run {run.number} is not closed; resume it first")
    former = issued_for(connection, run.id)
    if because is not None and former is None:
        raise WrongInput(f"run {run.number} has no certificate yet that could be amended")
    issue = _issue(connection, run, approver, former, because)
    pdf = typeset(issue)
    sha256 = ledger.keep_document(connection, pdf, PDF)
    content = encode({**_as_json(issue), **_about(run), "pdf_sha256": sha256})
    kept = ledger.keep_document(connection, content, JSON)
    entry = ledger.append(connection, EntryKind.CERTIFICATE, issue.number, kept, issue.issued_at)
    row = {"number": issue.number, "run_id": run.id, "position": entry.position}
    connection.execute(insert(certificates), {**row, "pdf_sha256": sha256})
    return Issued(issue, entry, run.digest, pdf)


def issued_for(connection: Connection, run_id: str) -> Issued | None:
    """Return the newest certificate of a run, None when there is none."""
    newest = (
        select(certificates)
        .where(certificates.c.run_id == run_id)
        .order_by(certificates.c.position.desc())
        .limit(1)
    )
    row = connection.execute(newest).mappings().first()
    if row is None:
        return None
    (entry,) = ledger.entries(connection, row["number"])
    said = json.loads(ledger.document(connection, entry.content_sha256) or b"{}")
    pdf = ledger.document(connection, row["pdf_sha256"]) or b""
    return Issued(_from_json(said), entry, said["journal_sha256"], pdf)


def correct(
    connection: Connection,
    run: RecordedRun,
    *,
    by: str,
    reason: str,
    changes: Mapping[str, str],
    when: datetime,
) -> Entry:
    """Enter a correction of a run; what was recorded stays.

    Raises WrongInput without a name or reason, or for what cannot be corrected.
    """
    if not by.strip() or not reason.strip():
        raise WrongInput("a correction needs a name and a reason")
    if unknown := [key for key in changes if key not in _CORRECTABLE]:
        raise WrongInput(f"{unknown[0]!r} cannot be corrected; allowed: {', '.join(_CORRECTABLE)}")
    if empty := [key for key, value in changes.items() if not value.strip()]:
        raise WrongInput(f"a correction needs the new {empty[0]}")
    content = {
        "run": run.id,
        "by": by,
        "at": when.astimezone(UTC).isoformat(),
        "reason": reason,
        "changes": dict(changes),
    }
    kept = ledger.keep_document(connection, encode(content), JSON)
    entry = ledger.append(connection, EntryKind.CORRECTION, run.id, kept, when)
    if changes:
        connection.execute(update(runs).where(runs.c.id == run.id).values(**changes))
    return entry


def _issue(
    connection: Connection,
    run: RecordedRun,
    approver: str | None,
    former: Issued | None,
    because: str | None,
) -> Issue:
    when = _closed_at(run) if run.simulated else datetime.now(UTC).replace(microsecond=0)
    return Issue(
        number=_number(connection, run, former, when),
        issued_at=when,
        head=ledger.head(connection),
        approver=approver,
        replaces=former.issue.number if former else None,
        because=because or (former and "the run went on after that certificate was issued") or None,
    )


def _number(connection: Connection, run: RecordedRun, former: Issued | None, when: datetime) -> str:
    """A simulated run's number comes from its scenario, so that the same seed gives it again."""
    if not run.simulated:
        return next_number(connection, "certificate", when.year)
    first = str(run.opened["run"].get("certificate_number") or f"{run.number}-C")
    if former is None:
        return first
    amended = select(certificates.c.number).where(certificates.c.run_id == run.id)
    return f"{first}-{len(list(connection.scalars(amended))) + 1}"


def _closed_at(run: RecordedRun) -> datetime:
    if run.closing.closed_at is None:
        raise WrongInput(f"run {run.number} is not closed; resume it first")
    return run.closing.closed_at.replace(microsecond=0)


def _about(run: RecordedRun) -> dict[str, str]:
    return {"run": run.id, "journal_sha256": run.digest}


def _as_json(issue: Issue) -> dict[str, str | None]:
    return {
        "number": issue.number,
        "issued_at": issue.issued_at.astimezone(UTC).isoformat(),
        "head": issue.head,
        "approver": issue.approver,
        "replaces": issue.replaces,
        "because": issue.because,
    }


def _from_json(said: Mapping[str, str | None]) -> Issue:
    return Issue(
        number=str(said["number"]),
        issued_at=datetime.fromisoformat(str(said["issued_at"])),
        head=str(said["head"]),
        approver=said["approver"],
        replaces=said["replaces"],
        because=said["because"],
    )
