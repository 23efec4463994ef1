"""Whether a bench may give certificates.

Closing and clearing are ledger entries about the bench's name: the newest one holds. Nothing is
taken back; who cleared it, and why, stays.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from acq.errors import WrongInput
from acq.records import ledger
from acq.records.ledger import Entry, EntryKind
from acq.runs.journal import encode

JSON = "application/json"
_KINDS = (EntryKind.BENCH_CLOSED, EntryKind.BENCH_CLEARED)


@dataclass(frozen=True, slots=True)
class BenchState:
    """The newest word about a bench, as it was entered."""

    bench: str
    closed: bool
    because: str
    by: str  # a person who cleared, or the run that closed
    at: datetime

    def __str__(self) -> str:
        word = "closed" if self.closed else "cleared"
        return f"{word} {self.at:%Y-%m-%d %H:%M} UTC by {self.by}: {self.because}"


def bench_state(connection: Connection, bench: str) -> BenchState | None:
    """Return the newest word about a bench, None while there is none: it is open then."""
    about = _about(connection, bench)
    return _state(connection, bench, about[-1]) if about else None


def started_anew_at(connection: Connection, bench: str) -> int:
    """Return the ledger position from which on charts of this bench begin; 0: from the start."""
    for entry in reversed(_about(connection, bench)):
        if entry.kind == EntryKind.BENCH_CLEARED and _said(connection, entry)["anew"]:
            return entry.position
    return 0


def close_bench(
    connection: Connection, bench: str, because: str, run: str, when: datetime
) -> Entry | None:
    """Close a bench for certificates; None when it is closed already."""
    state = bench_state(connection, bench)
    if state is not None and state.closed:
        return None
    content: dict[str, str | bool] = {"bench": bench, "because": because, "by": f"run {run}"}
    return _enter(connection, EntryKind.BENCH_CLOSED, bench, content, when)


def clear_bench(
    connection: Connection, bench: str, reason: str, by: str, when: datetime, *, anew: bool
) -> Entry:
    """Open a closed bench again; `anew`: charts begin with what is measured from now on.

    Raises WrongInput when it is not closed, or without a name or reason.
    """
    state = bench_state(connection, bench)
    if state is None or not state.closed:
        raise WrongInput(f"bench {bench!r} is not closed")
    if not reason.strip() or not by.strip():
        raise WrongInput("clearing a bench needs a name and a reason")
    content: dict[str, str | bool] = {"bench": bench, "because": reason, "by": by, "anew": anew}
    return _enter(connection, EntryKind.BENCH_CLEARED, bench, content, when)


def _about(connection: Connection, bench: str) -> list[Entry]:
    return [entry for entry in ledger.entries(connection, bench) if entry.kind in _KINDS]


def _said(connection: Connection, entry: Entry) -> dict[str, Any]:
    said: dict[str, Any] = json.loads(ledger.document(connection, entry.content_sha256) or b"{}")
    return said


def _state(connection: Connection, bench: str, entry: Entry) -> BenchState:
    said = _said(connection, entry)
    closed = entry.kind == EntryKind.BENCH_CLOSED
    return BenchState(bench, closed, said["because"], said["by"], entry.entered_at)


def _enter(
    connection: Connection,
    kind: EntryKind,
    bench: str,
    content: dict[str, str | bool],
    when: datetime,
) -> Entry:
    kept = ledger.keep_document(connection, encode({**content, "at": when.isoformat()}), JSON)
    return ledger.append(connection, kind, bench, kept, when)
