"""Certificates of recorded runs: issued once, kept, and given out as they were issued."""

from __future__ import annotations

from acq.certificates.content import certificate_content
from acq.certificates.load_tables import figure_captions
from acq.certificates.typesetting import typeset
from acq.errors import BenchFailure, WrongInput
from acq.records.issuing import Issue
from acq.records.recorded_run import RecordedRun
from acq.records.records import Records
from acq.runs.journal import encode
from acq.runs.lot_journals import is_lot, piece_number


def certificate_of(
    records: Records,
    run: RecordedRun,
    *,
    approver: str | None = None,
    because: str | None = None,
    drawing: str | None = None,
) -> bytes:
    """Return the PDF of a closed run's certificate, issuing one where there is none yet.

    Who approves is `approver`, else the workshop's setting. `because` amends an issued one;
    a run that went on since its certificate gets a new one by itself. `drawing` is an SVG
    picture for a certificate that is issued now, in place of the one that the run kept.
    Raises WrongInput when the run is open, or when an issued certificate would change quietly;
    BenchClosed while its bench is closed, for what was not issued before.
    """
    if is_lot(run.opened):
        first = piece_number(run.number, 1)
        raise WrongInput(
            f"run {run.number} tested a lot: each of its cells has a certificate of its own"
            f" ({first} and on); `history SERIAL` tells which"
        )
    issued = records.issued_for(run.id)
    current = issued is not None and issued.journal_sha256 == run.digest
    if issued is not None and current and because is None:
        _same_approver(issued.issue, approver)
        return issued.pdf
    refuse_closed_bench(records, run)
    chosen = approver or approver_of(run)
    return records.issue_certificate(
        run, chosen, lambda issue: render(run, issue, drawing), because=because
    ).pdf


BRIDGE = "bridge"


class BenchClosed(BenchFailure):
    """The bench's check standard was out of control, and nobody has cleared it since."""


def refuse_closed_bench(records: Records, run: RecordedRun) -> None:
    """Raises BenchClosed while the bench of a run may give no certificates."""
    bench = (run.opened.get("bench") or {}).get("name")
    state = records.bench_state(str(bench)) if bench else None
    if state is not None and state.closed:
        raise BenchClosed(
            f"no certificate: bench {bench!r} was {state}; find out why, then:"
            f" bridgebench bench clear --name {str(bench)!r} --reason REASON"
        )


def render(run: RecordedRun, issue: Issue, drawing: str | None = None) -> bytes:
    """Return the PDF of a run under a number; pure: the same arguments give the same bytes."""
    attachment = encode(run.as_json())
    shown = drawing if drawing is not None else stored_drawing(run)
    figures = stored_figures(run)
    content = certificate_content(run, issue) | {"figures": figure_captions(figures)}
    return typeset(content, attachment, issue.issued_at, shown, tuple(figures.values()))


def stored_drawing(run: RecordedRun) -> str | None:
    """Return the picture of the bridge that the run kept last, None when it kept none."""
    return _figures(run).get(BRIDGE)


def stored_figures(run: RecordedRun) -> dict[str, str]:
    """Return the other pictures that the run kept, newest of each name, in its order."""
    return {name: svg for name, svg in _figures(run).items() if name != BRIDGE}


def _figures(run: RecordedRun) -> dict[str, str]:
    return {
        str(line.content["ask"]): str(line.content["got"]["svg"]) for line in run.effects("figure")
    }


def approver_of(run: RecordedRun) -> str | None:
    """Return who approves by the workshop's setting, None when it is signed by hand."""
    workshop = run.opened.get("workshop") or {}
    if workshop.get("performer_approves"):
        return str(run.opened["run"].get("performer") or "") or None
    return workshop.get("approver") or None


def _same_approver(issue: Issue, approver: str | None) -> None:
    if approver is not None and approver != issue.approver:
        raise WrongInput(
            f"certificate {issue.number} was issued with {issue.approver or 'no one'} as approver; "
            "to change that, amend it and say why: --amend REASON"
        )
