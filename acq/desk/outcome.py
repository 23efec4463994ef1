"""What is said at the end of a run: findings, where the records and the certificate are."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from acq.certificates.certificate import BenchClosed, certificate_of
from acq.desk import lot_report
from acq.desk.exit_codes import ExitCode
from acq.desk.finding_text import MARKS
from acq.desk.junit import write_junit
from acq.desk.tables import show
from acq.errors import BenchFailure
from acq.records.records import Records
from acq.runs.conduct import Outcome
from acq.runs.lot_journals import is_lot


def report(
    outcome: Outcome, records: Records, *, as_json: bool, junit: Path | None = None
) -> ExitCode:
    """Make the certificate of a run that is recorded and closed, and say where everything is.

    `junit` is where the findings are written for a CI, if anywhere.
    """
    if junit is not None:
        write_junit(junit, outcome)
    if outcome.recorded and is_lot(records.run(outcome.number).opened):
        return _report_lot(outcome, records, as_json=as_json)
    certificate, refused = None, ""
    try:
        certificate = _certificate(outcome, records)
    except BenchClosed as error:
        refused = str(error)
    if as_json:
        document = records.export_run(outcome.number) if outcome.recorded else {}
        document |= {
            "exit_code": int(outcome.code),
            "message": outcome.message,
            "certificate": str(certificate) if certificate else None,
            "certificate_refused": refused or None,
            "journal_file": str(outcome.folder.journal),
        }
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
        return outcome.code
    if outcome.recorded:
        _summary(outcome, records)
    if certificate:
        click.echo(f"certificate: {certificate}")
    return _last_lines(outcome, records, refused)


def _report_lot(outcome: Outcome, records: Records, *, as_json: bool) -> ExitCode:
    """A lot has a table by cell, and each of its pieces a certificate of its own."""
    lot = records.run(outcome.number)
    pieces, written, refused, told = [], list[Path](), "", dict[str, Any]()
    if lot.closing.state == "finished":
        pieces = lot_report.pieces_of(records, lot)
        told = lot_report.document(lot, pieces)
        written, refused = lot_report.certificates(records, outcome.folder, pieces)
        lot_report.enter(records, told)
    if as_json:
        document = records.export_run(outcome.number) | {
            "lot_report": told or None,
            "exit_code": int(outcome.code),
            "message": outcome.message,
            "certificates": [str(path) for path in written],
            "certificate_refused": refused or None,
            "journal_file": str(outcome.folder.journal),
        }
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
        return outcome.code
    if pieces:
        click.echo()
        show(lot_report.parts(lot, pieces))
    if written:
        click.echo(f"certificates: {written[0].parent}, one of each cell")
    return _last_lines(outcome, records, refused)


def _last_lines(outcome: Outcome, records: Records, refused: str) -> ExitCode:
    """Why there is no certificate, where the records are, and how to go on."""
    if refused:
        click.echo(f"bridgebench: {refused}", err=True)
    click.echo(f"records:     {records.place}")
    say_the_end(outcome)
    return outcome.code


def say_the_end(outcome: Outcome) -> None:
    """Why a run ended before it was finished, and how to go on; nothing for a finished one."""
    if outcome.message:
        click.echo(f"bridgebench: {' '.join(outcome.message.split())}", err=True)
    if outcome.code in (ExitCode.BENCH, ExitCode.STOPPED, ExitCode.WRONG_INPUT):
        click.echo(f"to go on:    bridgebench resume {outcome.number}", err=True)


def _certificate(outcome: Outcome, records: Records) -> Path | None:
    """Only a finished run gets a certificate by itself."""
    finished = outcome.code in (ExitCode.DONE, ExitCode.FAILED, ExitCode.UNDECIDED)
    if not (outcome.recorded and finished):
        return None
    path = outcome.folder.path / f"{outcome.number}.pdf"
    pdf = certificate_of(records, records.run(outcome.number))
    try:
        path.write_bytes(pdf)
    except OSError as error:
        raise BenchFailure(f"{path} cannot be written: {error.strerror}") from error
    return path


def _summary(outcome: Outcome, records: Records) -> None:
    words: dict[str, int] = {}
    for check in records.run(outcome.number).checks:
        for finding in check.findings:
            word = finding.content["conformity"] or "told"
            words[word] = words.get(word, 0) + 1
    parts = [f"{count} {word}" for word, count in sorted(words.items(), key=lambda w: _order(w[0]))]
    click.echo(f"\n{outcome.number}: {', '.join(parts) or 'no finding'}")


def _order(word: str) -> int:
    return [*MARKS, "told"].index(word)
