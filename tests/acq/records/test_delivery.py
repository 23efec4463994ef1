"""Deliveries: in order, once per line, whole checks, whatever happened in between."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acq.errors import BenchFailure, WrongInput
from acq.records.records import Records
from acq.records.story import JournalBroken
from tests.acq.records.journals import finding, opened, small_run


def test_a_run_comes_back_with_its_findings_and_its_exact_bytes(records: Records) -> None:
    journal = small_run()
    assert records.deliver(journal.lines) == len(journal.lines)
    run = records.run("r-1")
    assert run.journal == journal.data
    assert [found["value"] for _, found in run.findings()] == [385.13, -6.4e-6]
    assert (run.closing.state, run.closing.exit_code, run.closing.conformity) == (
        "finished",
        0,
        "pass",
    )


def test_times_come_back_in_utc(records: Records) -> None:
    journal = opened(opened_at="2026-03-02T09:30:00+01:00").check("a").close()
    records.deliver(journal.lines)
    (run,) = records.history("T-000123")
    assert run.opened_at.isoformat() == "2026-03-02T08:30:00+00:00"
    # opened at second 5 of bench time, closed four lines later, one second each
    assert run.closed_at is not None
    assert run.closed_at.isoformat() == "2026-03-02T08:30:04+00:00"


def test_what_is_delivered_twice_is_kept_once(records: Records) -> None:
    journal = small_run()
    records.deliver(journal.lines)
    head = records.head()
    assert records.deliver(journal.lines) == len(journal.lines)
    assert records.head() == head
    (run,) = records.history("T-000123")
    assert len(run.findings) == 2
    assert records.run("r-1").journal == journal.data


def test_an_unfinished_check_waits_for_its_end(records: Records) -> None:
    journal = opened().check("a", finding()).start_check("b", finding("second", 1.0))
    assert records.deliver(journal.lines) == 5
    assert records.delivered_up_to("r-1") == 5
    (run,) = records.history("T-000123")
    assert [found.name for found in run.findings] == ["resistance Ex+ Ex-"]
    assert run.state == "open"


def test_a_later_stretch_is_taken_with_the_runs_id(records: Records) -> None:
    journal = small_run()
    records.deliver(journal.lines[:5])
    assert records.deliver(journal.lines[3:], "r-1") == len(journal.lines)
    assert records.run("r-1").journal == journal.data


def test_a_stretch_with_lines_missing_before_it_is_refused(records: Records) -> None:
    journal = small_run()
    records.deliver(journal.lines[:5])
    with pytest.raises(JournalBroken, match="reach up to line 5"):
        records.deliver(journal.lines[6:], "r-1")


def test_a_stretch_without_the_runs_id_is_refused(records: Records) -> None:
    with pytest.raises(BenchFailure, match="without the run's id"):
        records.deliver(small_run().lines[2:])


def test_another_journal_under_the_same_run_is_refused_with_its_line(records: Records) -> None:
    records.deliver(small_run().lines)
    other = opened().check("pair resistance, Ex+ Ex-", finding(value=1.0)).close()
    with pytest.raises(JournalBroken, match=f"line {len(other.lines)}: differs") as caught:
        records.deliver(other.lines)
    assert caught.value.line == len(other.lines)


def test_a_line_that_was_changed_is_refused_and_nothing_of_its_delivery_is_kept(
    records: Records,
) -> None:
    journal = small_run()
    journal.lines[2] = journal.lines[2].replace(b"385.13", b"385.14")
    with pytest.raises(JournalBroken, match="line 4") as caught:
        records.deliver(journal.lines)
    assert caught.value.line == 4
    assert records.delivered_up_to("r-1") == 0


@pytest.mark.parametrize("torn", [b"", b"{", b"[1]\n", b'{"line":1}\n', b'{"a":1}'])
def test_what_is_no_journal_line_is_refused(records: Records, torn: bytes) -> None:
    with pytest.raises(BenchFailure):
        records.deliver([torn])
    with pytest.raises(BenchFailure):
        records.deliver([*opened().lines, torn])


def test_findings_of_an_attempt_that_was_cut_off_do_not_count(records: Records) -> None:
    journal = opened().check("a", finding("first", 1.0))
    journal.start_check("b", finding("cut off", 2.0))
    journal.add("resumed", attempt=2)
    journal.check("b", finding("whole", 3.0), attempt=2).close()
    records.deliver(journal.lines)
    (run,) = records.history("T-000123")
    assert [found.name for found in run.findings] == ["first", "whole"]


def test_of_a_repeated_check_the_latest_result_holds_and_both_are_kept(records: Records) -> None:
    journal = opened().check("a", finding("zero", 1.0), state="repeated", because="bumped")
    journal.check("a", finding("zero", 2.0), attempt=2).close()
    records.deliver(journal.lines)
    (run,) = records.history("T-000123")
    assert [found.value for found in run.findings] == [2.0]
    recorded = records.run("r-1")
    assert [found["value"] for _, found in recorded.findings()] == [2.0]
    assert [check.because for check in recorded.replaced] == ["bumped"]
    assert [found.content["value"] for found in recorded.replaced[0].findings] == [1.0]


def test_a_run_taken_up_after_its_closing_is_open_and_closes_again(records: Records) -> None:
    journal = opened().check("a").close("interrupted", 130, "withheld")
    records.deliver(journal.lines)
    assert records.run("r-1").closing.state == "interrupted"
    journal.add("resumed", attempt=2).check("b", finding(), attempt=2)
    records.deliver(journal.lines)
    assert records.run("r-1").is_open
    journal.close()
    entry = records.close_run(journal.lines)
    run = records.run("r-1")
    assert run.closing.state == "finished"
    assert [e.kind for e in run.entries] == ["run-opened", "run-closed", "run-closed"]
    assert entry.content_sha256 == hashlib.sha256(journal.data).hexdigest()
    assert records.verify().sound


def test_closing_a_journal_that_is_not_closed_is_refused(records: Records) -> None:
    with pytest.raises(BenchFailure, match="does not end with its closing"):
        records.close_run(opened().check("a").start_check("b").lines)
    with pytest.raises(BenchFailure, match="has no closing"):
        records.close_run(opened("r-2").check("a").lines)


def test_real_and_simulated_runs_never_share_records(records: Records) -> None:
    with pytest.raises(WrongInput, match="hold simulated runs only"):
        records.deliver(small_run(simulated=False).lines)


def test_withheld_findings_have_no_value(records: Records) -> None:
    withheld = finding("zero", None, expanded_uncertainty=None, conformity="withheld", limits=[])
    records.deliver(opened().check("zero", withheld, state="withheld").close().lines)
    (found,) = records.history("T-000123")[0].findings
    assert (found.value, found.conformity) == (None, "withheld")


def test_floats_come_back_exact(records: Records) -> None:
    values = [0.1 + 0.2, 5e-324, 1.7976931348623157e308, -6.4e-6, 2.0**-1074, 1 / 3]
    journal = opened().check("a", *(finding(f"f{n}", v) for n, v in enumerate(values))).close()
    records.deliver(journal.lines)
    assert [found.value for found in records.history("T-000123")[0].findings] == values


def test_a_text_that_a_server_cannot_keep_does_not_stop_a_delivery(records: Records) -> None:
    records.deliver(opened().check("a", finding("nul \0 here")).close().lines)
    assert records.run("r-1").journal.count(b"nul \\u0000 here") == 2
    assert records.verify().sound


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cuts=st.lists(st.integers(1, 40), max_size=6), again=st.booleans())
def test_any_way_of_cutting_a_journal_gives_the_same_records(
    records: Records, cuts: list[int], again: bool
) -> None:
    run_id = f"r-{len(cuts)}-{'-'.join(map(str, cuts))}-{again}"
    journal = opened(run_id, serial=run_id)
    for number in range(6):
        journal.check(f"check {number}", finding(f"finding {number}", float(number)), readings=2)
    journal.close()
    for cut in sorted(cuts):
        records.deliver(journal.lines[:cut])
        if again:
            records.deliver(journal.lines[: cut // 2 + 1])
    records.close_run(journal.lines)
    (run,) = records.history(run_id)
    assert [found.value for found in run.findings] == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    assert [entry.kind for entry in records.run(run_id).entries] == ["run-opened", "run-closed"]
    assert records.run(run_id).journal == journal.data
