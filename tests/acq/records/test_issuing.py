"""A certificate is typeset once and kept as it was issued."""

from __future__ import annotations

import pytest

from acq.errors import WrongInput
from acq.records.issuing import Issue
from acq.records.records import Records
from tests.acq.records.journals import finding, opened, small_run


def typeset(issue: Issue) -> bytes:
    return f"%PDF {issue.number} {issue.head} {issue.replaces} {issue.because}".encode()


def test_a_certificate_prints_the_head_that_stood_before_it(records: Records) -> None:
    records.deliver(small_run().lines)
    head = records.head()
    issued = records.issue_certificate(records.run("r-1"), "Approver", typeset)
    assert issued.issue.head == head
    assert issued.entry.previous == head
    assert records.verify(head).sound


def test_a_certificate_comes_back_as_it_was_issued(records: Records) -> None:
    records.deliver(small_run().lines)
    issued = records.issue_certificate(records.run("r-1"), "Approver", typeset)
    assert records.issued_for("r-1") == issued
    assert records.issued_for("r-2") is None


def test_real_certificates_are_numbered_by_year_and_simulated_ones_by_their_run(
    real_records: Records, tmp_path: object
) -> None:
    for number in (1, 2):
        real_records.deliver(small_run(f"r-{number}", simulated=False).lines)
        issued = real_records.issue_certificate(real_records.run(f"r-{number}"), None, typeset)
        assert issued.issue.number == f"C-{issued.issue.issued_at.year}-{number:04d}"
    with Records.open(f"sqlite:///{tmp_path}/s.sqlite", simulated=True) as simulated:
        simulated.deliver(small_run().lines)
        issue = simulated.issue_certificate(simulated.run("r-1"), None, typeset).issue
        assert issue.number == "R-1-C"
        assert issue.issued_at == simulated.run("r-1").closing.closed_at


def test_an_amended_certificate_has_a_new_number_and_names_the_one_it_replaces(
    records: Records,
) -> None:
    records.deliver(small_run().lines)
    run = records.run("r-1")
    with pytest.raises(WrongInput, match="no certificate yet"):
        records.issue_certificate(run, None, typeset, because="customer's name")
    records.issue_certificate(run, None, typeset)
    amended = records.issue_certificate(run, None, typeset, because="customer's name")
    assert (amended.issue.number, amended.issue.replaces) == ("R-1-C-2", "R-1-C")
    assert amended.issue.because == "customer's name"
    assert records.issued_for("r-1") == amended
    assert records.verify().sound


def test_an_open_real_run_gets_no_certificate(real_records: Records) -> None:
    real_records.deliver(opened(simulated=False).check("a", finding()).lines)
    with pytest.raises(WrongInput, match="is not closed"):
        real_records.issue_certificate(real_records.run("r-1"), None, typeset)
    assert real_records.issued_for("r-1") is None


def test_an_open_run_gets_no_certificate_and_a_failed_typesetting_leaves_nothing(
    records: Records,
) -> None:
    records.deliver(opened().check("a", finding()).lines)
    with pytest.raises(WrongInput, match="is not closed"):
        records.issue_certificate(records.run("r-1"), None, typeset)
    records.deliver(small_run("r-2").lines)

    def fails(_: Issue) -> bytes:
        raise ValueError("no glyph")

    with pytest.raises(ValueError, match="no glyph"):
        records.issue_certificate(records.run("r-2"), None, fails)
    assert records.issued_for("r-2") is None
    assert records.verify().entries == 3
