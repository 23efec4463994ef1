"""`bridgebench validate`: published figures computed by the installed copy, kept as a record."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from acq.desk.exit_codes import ExitCode

if TYPE_CHECKING:
    from acq.records.records import Records


@click.command()
@click.option("--by", "person", default="", help="Who validates; the login name by default.")
@click.option("--kept", is_flag=True, help="Show the newest validation in the records instead.")
@click.option("--records", "url", help="Database address; or BRIDGEBENCH_RECORDS.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def validate(person: str, kept: bool, url: str | None, as_json: bool) -> ExitCode:
    """Compute published check values with this copy and its libraries, and keep the outcome.

    Exit code 0 when all agree, 5 when one does not: then this copy must not judge cells.
    """
    from acq.records.records import Records

    with Records.open(url, simulated=False) as records:
        document = _newest(records) if kept else _validated(records, person)
        place = records.place
    if as_json:
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        _show(document)
        click.echo(f"{'kept since ' + document['at'][:10] if kept else 'kept'} in {place}")
    return ExitCode.DONE if document["agree"] == len(document["checks"]) else ExitCode.OUR_BUG


def _validated(records: Records, person: str) -> dict[str, Any]:
    from datetime import UTC, datetime

    from acq.desk.person import login_name
    from acq.records.ledger import EntryKind
    from acq.runs.journal import encode
    from acq.validation.validation import document, run_all

    found = document(run_all(), person or login_name())
    found["at"] = datetime.now(UTC).isoformat(timespec="seconds")
    version = f"bridgebench {found['versions']['bridgebench']}"
    records.enter(EntryKind.VALIDATION, version, encode(found), "application/json")
    return found


def _newest(records: Records) -> dict[str, Any]:
    from acq.errors import WrongInput
    from acq.records.ledger import EntryKind

    content = records.newest_document(EntryKind.VALIDATION)
    if content is None:
        raise WrongInput(f"no validation in {records.place} yet: bridgebench validate")
    found: dict[str, Any] = json.loads(content)
    return found


def _show(document: dict[str, Any]) -> None:
    section = ""
    for check in document["checks"]:
        if check["section"] != section:
            section = check["section"]
            click.echo(f"\n{section}")
        click.echo(f"  {'agrees ' if check['agrees'] else 'DIFFERS'}  {_line(check)}")
    versions = ", ".join(f"{name} {number}" for name, number in document["versions"].items())
    click.echo(f"\n{document['agree']} of {len(document['checks'])} agree: {versions}")


def _line(check: dict[str, Any]) -> str:
    unit = f" {check['unit']}" if check["unit"] else ""
    computed = f"{check['computed']:.9g}" if check["computed"] is not None else check["problem"]
    doubt = "" if check["confirmed"] else ", from memory"
    published = f"published {check['published']:.9g}{unit}"
    return f"{check['name']}: {computed}, {published} ({check['source']}{doubt})"
