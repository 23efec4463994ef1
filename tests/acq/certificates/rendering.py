"""A journal as a certificate, without records in between."""

from __future__ import annotations

from typing import Any

from acq.certificates.certificate import render
from acq.records.issuing import Issue
from acq.records.recorded_run import RecordedRun
from tests.acq.records.journals import WrittenJournal

HEAD = "0123456789abcdef" * 4


def recorded(journal: WrittenJournal) -> RecordedRun:
    return RecordedRun.of("run", journal.data)


def issue(run: RecordedRun, approver: str | None = "Sam Specimen", **other: Any) -> Issue:
    assert run.closing.closed_at is not None
    return Issue("C-2026-0017", run.closing.closed_at, HEAD, approver, **other)


def made(journal: WrittenJournal, **other: Any) -> bytes:
    run = recorded(journal)
    return render(run, issue(run, **other))
