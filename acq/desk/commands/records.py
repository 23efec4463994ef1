"""`bridgebench records ...`: whether they are sound, where they are, into and out of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acq.desk.exit_codes import ExitCode, worst

if TYPE_CHECKING:
    from acq.records.records import Records
    from acq.records.report import Report
    from acq.runs.journal import Line


@click.group()
def records() -> None:
    """Look after the records: whether they are sound, where they are, what they lack."""


_url = click.option("--records", "url", help="Database address; or BRIDGEBENCH_RECORDS.")
_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")


@records.command()
@click.option("--head", help="A ledger head that a certificate printed: shows a cut-off end.")
@_url
@_json
def verify(head: str | None, url: str | None, as_json: bool) -> ExitCode:
    """Check every digest, link and chain; name what is broken (exit code 3)."""
    from acq.records.opening import existing

    with existing(url) as opened:
        expected = _checked_head(head)
        reports = [(each, each.verify()) for each in opened]
        if expected is not None:
            _look_for(expected, reports)
    if as_json:
        click.echo(json.dumps([_report_as_json(*pair) for pair in reports], indent=2))
    else:
        for each, report in reports:
            _show(each, report)
    sound = all(report.sound for _, report in reports)
    return ExitCode.DONE if sound else ExitCode.BENCH


@records.command()
@_url
@_json
def where(url: str | None, as_json: bool) -> ExitCode:
    """Say where the records are kept."""
    from acq.records.opening import places

    told = [
        {"place": str(place), "exists": place.file is None or place.file.exists()}
        for place in places(url)
    ]
    if as_json:
        click.echo(json.dumps(told, indent=2))
        return ExitCode.DONE
    for each in told:
        click.echo(f"{each['place']}{'' if each['exists'] else '  (not made yet)'}")
    return ExitCode.DONE


@records.command()
@click.argument("number", metavar="[RUN]", required=False)
@click.option("--simulated", is_flag=True, help="All simulated runs instead of all real ones.")
@_url
def deliver(number: str | None, simulated: bool, url: str | None) -> ExitCode:
    """Deliver what the records lack of RUN, or of all runs on this computer."""
    from acq.errors import WrongInput
    from acq.records.records import Records
    from acq.runs.folders import find_run_folder, runs_root
    from acq.runs.journal import read_journal

    if number is not None:
        journals = [find_run_folder(number).journal]
    else:
        journals = sorted(runs_root(simulated=simulated).glob("*/journal.jsonl"))
    codes: list[ExitCode] = []
    told: list[list[Line]] = []
    for path in journals:
        try:
            told += filter(None, [read_journal(path)[0]])
        except WrongInput as error:  # one broken file does not keep the others back
            click.echo(f"bridgebench: {error}", err=True)
            codes.append(ExitCode.WRONG_INPUT)
    if not told:
        click.echo("no run on this computer has anything to deliver")
        return worst(codes)
    kind = bool(told[0][0].content["run"]["simulated"])
    with Records.open(url, simulated=kind) as opened:
        return worst([*codes, *(_deliver_one(opened, lines) for lines in told)])


def _deliver_one(opened: Records, lines: list[Line]) -> ExitCode:
    """Deliver one journal; one that the records refuse does not keep the others back."""
    from acq.records.story import JournalBroken
    from acq.runs.lot_journals import is_lot, piece_journals

    run = lines[0].content["run"]
    before = opened.delivered_up_to(run["id"])
    try:
        after = opened.deliver([line.raw for line in lines])
        if is_lot(lines[0].content) and lines[-1].content.get("state") == "finished":
            for piece in piece_journals(lines):
                opened.close_run(piece.lines)
    except JournalBroken as error:
        click.echo(f"bridgebench: {error}", err=True)
        return ExitCode.BENCH
    new = f"{after - before} lines delivered" if after > before else "nothing new"
    click.echo(f"{run['number']}: {new}, recorded up to line {after} of {len(lines)}")
    return ExitCode.DONE


@records.command()
@click.argument("run")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File; else stdout."
)
@_url
def export(run: str, output: Path | None, url: str | None) -> ExitCode:
    """Write RUN as one JSON document: findings, and the journal to check them by."""
    from acq.desk.writing import write_whole
    from acq.records.opening import existing, first_that_knows

    with existing(url) as opened:
        _, document = first_that_knows(opened, lambda each: each.export_run(run))
    text = json.dumps(document, ensure_ascii=False, indent=2) + "\n"
    if output is None:
        click.echo(text, nl=False)
    else:
        write_whole(output, text.encode())
    return ExitCode.DONE


@records.command()
@click.argument("run")
@click.option("--serial", required=True, help="The serial number that the run belongs to.")
@click.option("--reason", required=True, help="Why, in a sentence; it stands on the certificate.")
@click.option("--by", "person", default="", help="Who corrects; the login name by default.")
@_url
def correct(run: str, serial: str, reason: str, person: str, url: str | None) -> ExitCode:
    """Move RUN to another serial number; what was recorded stays, the correction is kept."""
    from acq.desk.person import login_name
    from acq.errors import WrongInput
    from acq.records.opening import existing, first_that_knows

    with existing(url) as opened:
        records, recorded = first_that_knows(opened, lambda each: each.run(run))
        if recorded.serial == serial:
            raise WrongInput(f"run {recorded.number} belongs to {serial} already")
        by = person or login_name()
        records.correct(recorded.id, by=by, reason=reason, changes={"serial": serial})
        issued = records.issued_for(recorded.id)
    click.echo(f"run {recorded.number}: {recorded.serial} is now {serial} ({by}: {reason})")
    judged = "its limits came from the papers of"
    click.echo(f"{judged} {recorded.serial}: run the test anew where they differ", err=True)
    if issued is not None:
        number = issued.issue.number
        click.echo(
            f"certificate {number} names {recorded.serial} still; issue its amendment:"
            f' bridgebench certificate {recorded.number} --amend "serial corrected"',
            err=True,
        )
    return ExitCode.DONE


def _checked_head(head: str | None) -> str | None:
    from acq.errors import WrongInput

    if head is None:
        return None
    text = "".join(head.split()).lower()
    if len(text) != 64 or not set(text) <= set("0123456789abcdef"):
        raise WrongInput("a ledger head is 64 digits 0-9 a-f, as the certificate prints it")
    return text


def _look_for(head: str, reports: list[tuple[Records, Report]]) -> None:
    """A head belongs to one of the records: only where none has it is something cut off."""
    if not any(head in report.links for _, report in reports):
        for _, report in reports:
            report.lacks(head)


def _report_as_json(each: Records, report: Report) -> dict[str, Any]:
    return {
        "place": each.place,
        "simulated": each.simulated,
        "sound": report.sound,
        "runs": report.runs,
        "journal_lines": report.lines,
        "ledger_entries": report.entries,
        "documents": report.documents,
        "head": report.head,
        "problems": [{"where": p.where, "what": p.what} for p in report.problems],
    }


def _show(each: Records, report: Report) -> None:
    kind = "simulated runs" if each.simulated else "runs"
    click.echo(f"{each.place}: {report.runs} {kind}, {report.lines} journal lines, ", nl=False)
    click.echo(f"{report.entries} ledger entries, {report.documents} documents")
    for problem in report.problems:
        click.echo(f"  broken: {problem.where} {problem.what}")
    if report.sound:
        click.echo(f"  sound; head {report.head}")
