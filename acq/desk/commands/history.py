"""`bridgebench history SERIAL`: every recorded run of one cell, and how its values moved."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import click

from acq.desk.exit_codes import ExitCode

if TYPE_CHECKING:
    from acq.records.history import PastFinding, PastRun
    from acq.records.records import Records

_SHOWN_RUNS = 4  # columns of the table of values: the newest runs


@click.command()
@click.argument("serial")
@click.option("--records", "records_url", help="Database address; or BRIDGEBENCH_RECORDS.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def history(serial: str, records_url: str | None, as_json: bool) -> ExitCode:
    """Show the recorded runs of the cell SERIAL, newest first, and its values over the runs."""
    from acq.errors import WrongInput
    from acq.records.opening import existing

    told: list[tuple[Records, tuple[PastRun, ...]]] = []
    unknown: list[str] = []
    with existing(records_url) as opened:
        for records in opened:
            try:
                told.append((records, records.history(serial)))
            except WrongInput as error:
                unknown.append(str(error))
    if not told:
        raise WrongInput("; ".join(unknown))
    if as_json:
        documents = [run_as_json(records, run) for records, runs in told for run in runs]
        click.echo(json.dumps({"serial": serial, "runs": documents}, ensure_ascii=False, indent=2))
        return ExitCode.DONE
    for records, runs in told:
        for line in history_lines(serial, runs, simulated=records.simulated, width=_width()):
            click.echo(line)
    return ExitCode.DONE


def run_as_json(records: Records, run: PastRun) -> dict[str, Any]:
    """Return one run of a history as plain values, SI."""
    return {
        "run": run.number,
        "id": run.id,
        "simulated": records.simulated,
        "sequence": run.sequence,
        "opened_at": run.opened_at.isoformat(),
        "closed_at": run.closed_at and run.closed_at.isoformat(),
        "state": run.state,
        "conformity": run.conformity,
        "indication_only": run.indication_only,
        "findings": [
            {
                "name": found.name,
                "check": found.check,
                "quantity": found.quantity,
                "unit": found.unit,
                "value": found.value,
                "limit_kind": found.limit_kind,
                "expanded_uncertainty": found.expanded_uncertainty,
                "conformity": found.conformity,
            }
            for found in run.findings
        ],
    }


def history_lines(
    serial: str, runs: Sequence[PastRun], *, simulated: bool, width: int | None = None
) -> Iterator[str]:
    """Yield the lines for a person: the runs, then the values of the newest side by side.

    Side by side stand as many as `width` letters hold, one at least.
    """
    if simulated:
        yield "SIMULATED runs: no real instrument and no real cell"
    yield f"{serial}  {runs[0].type or ''}".rstrip()
    for run in runs:
        yield "  " + _run_line(run)
    for shown in range(min(_SHOWN_RUNS, len(runs)), 0, -1):
        newest = runs[:shown]
        rows = [["", *(run.number for run in newest)], *_value_rows(newest)]
        lines = list(_aligned(rows))
        if width is None or max(map(len, lines)) <= width:
            break
    if len(rows) > 1:
        yield ""
        yield from lines


def _width() -> int | None:
    """Return how many letters a line of the terminal holds; None: a pipe holds any."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def _run_line(run: PastRun) -> str:
    parts = [f"{run.opened_at:%Y-%m-%d %H:%M} UTC", run.number, run.sequence, run.state]
    parts.append(run.conformity or "nothing judged")
    if run.indication_only:
        parts.append("indication only")
    return "  ".join(parts)


def _value_rows(runs: Sequence[PastRun]) -> Iterator[list[str]]:
    names = dict.fromkeys(found.name for run in runs for found in run.findings)
    for name in names:
        of_runs = [next((f for f in run.findings if f.name == name), None) for run in runs]
        yield [name, *(_value(found) for found in of_runs)]


def _value(found: PastFinding | None) -> str:
    """Return a value as the certificate gives it, with a mark where it is not accepted."""
    if found is None:
        return "-"
    from acq.desk.finding_text import MARKS, value_text

    text = value_text(
        {
            "value": found.value,
            "unit": found.unit,
            "limit_kind": found.limit_kind,
            "expanded_uncertainty": found.expanded_uncertainty,
        }
    )
    mark = MARKS.get(found.conformity or "", "")
    return text if found.conformity in (None, "pass") else f"{mark} {text}"


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        cells = [text.ljust(width) for text, width in zip(row, widths, strict=True)]
        yield ("  " + "  ".join(cells)).rstrip()
