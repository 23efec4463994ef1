"""`bridgebench bench check FILE`: every instrument there, the right one, and calibrated?"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acq.desk.bench_in_use import VARIABLE, bench_options
from acq.desk.exit_codes import ExitCode
from acq.desk.tables import Table

if TYPE_CHECKING:
    from acq.bench.bench_check import CheckedRole


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path), envvar=VARIABLE)
@bench_options
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def check(file: Path | None, simulated: bool, scenario: str, as_json: bool) -> ExitCode:
    """Open every instrument of FILE, prove who it is, read its error queue, show what is due.

    Nothing is switched on. Exit code 3: an instrument is not fit for use, one line says why.
    """
    from acq.bench.bench_check import check_bench
    from acq.bench.bench_file import ROLES
    from acq.desk.bench_in_use import bench_in_use
    from acq.desk.tables import show
    from acq.runs.fit_for_use import loads_overdue

    with bench_in_use(file, simulated=simulated, scenario=scenario) as used:
        today = used.today()
        roles = list(check_bench(used.file, used.folder, used.time, today))
    absent = [role for role in ROLES if role not in used.file.instruments]
    if as_json:
        document = {
            "bench": used.file.name,
            "simulated": used.simulated,
            "today": today.isoformat(),
            "absent": absent,
            "roles": [as_document(role, today) for role in roles],
        }
        click.echo(json.dumps(document, ensure_ascii=False, indent=2))
    else:
        simulated_mark = "SIMULATED " if used.simulated else ""
        show([found_table(f"{simulated_mark}{used.file.name}", roles), calibrations(roles, today)])
        if absent:
            click.echo(f"not on this bench: {', '.join(absent)}")
    failures = [line for role in roles for line in role.failures]
    failures += [f"calibration overdue: {line}" for line in loads_overdue(used.file, today)]
    for line in failures:
        click.echo(f"bridgebench: {line}", err=True)
    return ExitCode.BENCH if failures else ExitCode.DONE


def found_table(title: str, roles: Sequence[CheckedRole]) -> Table:
    """Return who answered, and what stood in the error queues."""
    rows = tuple(
        (
            role.role,
            "by hand" if role.entry.by_hand else role.entry.resource,
            role.said or "-",
            "; ".join(role.complaints) or ("none" if role.asked else "not asked"),
        )
        for role in roles
    )
    return Table(title, ("role", "where", "says it is", "errors found"), rows)


def calibrations(roles: Sequence[CheckedRole], today: date) -> Table:
    """Return serial numbers, certificates and dates."""
    rows = tuple(
        (
            role.role,
            role.entry.serial or "-",
            role.entry.certificate or "-",
            str(role.entry.calibrated or "-"),
            str(role.entry.due or "-"),
            role.calibration(today),
        )
        for role in roles
    )
    columns = ("role", "serial", "certificate", "calibrated", "due", "")
    return Table(f"Calibration on {today}", columns, rows)


def as_document(role: CheckedRole, today: date) -> dict[str, Any]:
    """Return one role as plain values."""
    entry = role.entry
    return {
        "role": role.role,
        "by_hand": entry.by_hand,
        "resource": entry.resource or None,
        "identity": role.said or None,
        "complaints": list(role.complaints),
        "serial": entry.serial or None,
        "certificate": entry.certificate or None,
        "laboratory": entry.laboratory or None,
        "calibrated": entry.calibrated and entry.calibrated.isoformat(),
        "due": entry.due and entry.due.isoformat(),
        "days_left": role.days_left(today),
        "failures": list(role.failures),
    }
