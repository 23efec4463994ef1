"""A run as the records hold it: read from its journal's bytes, not from the tables beside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from acq.records.ledger import Entry, EntryKind
from acq.records.story import (
    OPEN,
    ClosedCheck,
    Closing,
    checks_in,
    closing_of,
    digest_of,
    latest_of_each,
    moment_of,
    opened_at,
    parse_lines,
)
from acq.runs.journal import NOTHING_BEFORE, Line


@dataclass(frozen=True, slots=True)
class Correction:
    """What was corrected in a run's record after the fact, by whom and why."""

    by: str
    at: str  # UTC, ISO 8601
    reason: str
    changes: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """One run with all that its journal says. `opened` is the journal's first line."""

    journal: bytes
    lines: tuple[Line, ...]
    checks: tuple[ClosedCheck, ...]  # the closings that hold, in order
    replaced: tuple[ClosedCheck, ...]  # earlier attempts, kept
    closing: Closing
    entries: tuple[Entry, ...]  # of the ledger, about this run
    corrections: tuple[Correction, ...]

    @classmethod
    def of(
        cls,
        run_id: str,
        journal: bytes,
        entries: tuple[Entry, ...] = (),
        corrections: tuple[Correction, ...] = (),
    ) -> RecordedRun:
        """Return the run that a journal tells; raises JournalBroken when its chain is broken."""
        raws = journal.splitlines(keepends=True)
        lines = tuple(parse_lines(run_id, raws, first=1, previous=NOTHING_BEFORE))
        holding, replaced = latest_of_each(checks_in(lines))
        return cls(
            journal,
            lines,
            tuple(holding),
            tuple(replaced),
            closing_of(lines[0], lines),
            entries,
            corrections,
        )

    @property
    def opened(self) -> Mapping[str, Any]:
        """The journal's first line: run, cell, sheets, plan, bench, versions, workshop ..."""
        return self.lines[0].content

    @property
    def id(self) -> str:
        return str(self.opened["run"]["id"])

    @property
    def number(self) -> str:
        return str(self.opened["run"]["number"])

    @property
    def serial(self) -> str:
        """The cell's serial, as corrected."""
        serial = str((self.opened.get("cell") or {}).get("serial", ""))
        for correction in self.corrections:
            serial = correction.changes.get("serial", serial)
        return serial

    @property
    def simulated(self) -> bool:
        return bool(self.opened["run"]["simulated"])

    @property
    def is_open(self) -> bool:
        """Tell whether the run has not ended, or went on after it had."""
        return self.closing.state == OPEN

    @property
    def opened_at(self) -> datetime:
        return opened_at(self.lines[0])

    @property
    def digest(self) -> str:
        """SHA-256 of the journal's bytes."""
        return digest_of(self.journal)

    @property
    def closing_entry(self) -> Entry | None:
        """The newest ledger entry that closes the run."""
        closed = [entry for entry in self.entries if entry.kind == EntryKind.RUN_CLOSED]
        return closed[-1] if closed else None

    def moment(self, t_ns: int) -> datetime:
        """Return bench time as a moment in UTC."""
        return moment_of(self.lines[0], t_ns)

    def findings(self) -> Iterator[tuple[ClosedCheck, Mapping[str, Any]]]:
        """Yield (check, finding) for each check whose result holds, in order."""
        for check in self.checks:
            for found in check.findings:
                yield check, found.content

    def effects(self, kind: str) -> Iterator[Line]:
        """Yield the journal's effects of one kind, such as "read"."""
        return (line for line in self.lines if line.content.get("kind") == kind)

    def as_json(self) -> dict[str, Any]:
        """Return one document: what was found, and the journal's own lines to check it by."""
        entry = self.closing_entry
        return {
            "format": "bridgebench run 1",
            "run": {
                **self.opened["run"],
                "state": self.closing.state,
                "closed_at": self.closing.closed_at and self.closing.closed_at.isoformat(),
                "exit_code": self.closing.exit_code,
                "conformity": self.closing.conformity,
            },
            "serial": self.serial,
            "checks": [_check_as_json(check) for check in self.checks],
            "replaced": [_check_as_json(check) for check in self.replaced],
            "corrections": [
                {"by": c.by, "at": c.at, "reason": c.reason, "changes": dict(c.changes)}
                for c in self.corrections
            ],
            "ledger": entry.as_json() if entry else None,
            "journal_sha256": self.digest,
            "journal": [line.raw.decode().removesuffix("\n") for line in self.lines],
        }


def _check_as_json(check: ClosedCheck) -> dict[str, Any]:
    return {
        "check": check.name,
        "line": check.line,
        "attempt": check.attempt,
        "state": check.state,
        "because": check.because,
        "findings": [found.content for found in check.findings],
    }
