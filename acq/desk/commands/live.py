"""`bridgebench live`: excitation, output and weight of one cell as it is now."""

from __future__ import annotations

import sys
from typing import Any

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.numbers import POSITIVE
from acq.desk.reading_options import DURATION, reading_options


@click.command()
@reading_options
@click.option("--for", "seconds", type=DURATION, help="End by itself after this time.")
@click.option("--every", "every_s", type=DURATION, default="1 s", help="Between plain lines.")
@click.option("--filter", "filter_name", metavar="NAME", help="mean 8, median 5 mean 8, lag 2 s.")
@click.option("--gravity", type=POSITIVE, help="Gravity of the place, m/s2: for N beside kg.")
@click.option("--plain", is_flag=True, help="Lines instead of a page, on a terminal too.")
def live(
    seconds: float | None,
    every_s: float,
    filter_name: str | None,
    gravity: float | None,
    plain: bool,
    **wanted: Any,
) -> ExitCode:
    """Show excitation, mV, mV/V, % of rated output and weight of a cell.

    Nothing is zeroed by itself. Keys on the page, or from any terminal as `bridgebench answer RUN
    TEXT`: zero because REASON, zero off, tare, tare off, calibrate zero, calibrate 100 kg,
    filter NAME, unit kg, mark TEXT, reset, quit; on the simulated bench also: load 100 kg.
    """
    from acq.analysis.filters import filter_named
    from acq.desk.reading_run import Wanted, conduct
    from acq.errors import WrongInput
    from acq.runs.sequence import Plan

    given = {"seconds": seconds, "filter": filter_name, "gravity": gravity}
    changes = {key: value for key, value in given.items() if value is not None}

    def changed(plan: Plan) -> Plan:
        if getattr(plan, "weighing", None) is None:
            raise WrongInput(f"plan {plan.name!r} has no [weighing]")
        document = plan.model_dump(mode="json")
        document["weighing"] |= changes
        try:
            filter_named(document["weighing"]["filter"])
        except ValueError as error:
            raise WrongInput(str(error)) from None
        return type(plan).model_validate(document)

    on_page = sys.stdout.isatty() and not plain
    if wanted["simulated"] and wanted["pace"] is None and on_page:
        wanted["pace"] = 1.0  # for a person to watch
    return conduct(Wanted(sequence="live", every_s=every_s, screen=not plain, **wanted), changed)
