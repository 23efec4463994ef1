"""`bridgebench log`: readings of one cell for hours or days."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.numbers import POSITIVE
from acq.desk.reading_options import DURATION, reading_options


@click.command()
@reading_options
@click.option("--for", "seconds", type=DURATION, help="How long: '90 s', '8 h', '3 d'.")
@click.option("--every", "every_s", type=DURATION, help="One reading in this time; else all.")
@click.option("--plc", type=POSITIVE, help="Integration time of the signal, power line cycles.")
@click.option(
    "--excitation-by",
    type=click.Choice(("best", "second-dmm", "dmm", "supply", "none")),
    help="Who reads the excitation.",
)
@click.option("--unexcited", is_flag=True, help="Switch nothing on: whatever is on the leads.")
@click.option("--output", "-o", type=click.Path(path_type=Path), help="Also a table at the end.")
def log(
    seconds: float | None,
    every_s: float | None,
    plc: float | None,
    excitation_by: str | None,
    unexcited: bool,
    output: Path | None,
    **wanted: Any,
) -> ExitCode:
    """Log signal, excitation and temperature of a cell, as fast as the instruments give.

    Each reading is kept with its time, a count and the instrument's own text; what is missing is
    marked as a gap. Nothing that was told to be on the disk is lost by a crash: `resume` goes on.
    """
    from acq.desk.reading_run import Wanted, conduct
    from acq.runs.sequence import Plan

    given = {
        "seconds": seconds,
        "every_s": every_s,
        "power_line_cycles": plc,
        "excitation_by": excitation_by,
        "excited": False if unexcited else None,
        "slow_every_s": every_s,
        "block_readings": 0 if every_s else None,
    }
    changes = {key: value for key, value in given.items() if value is not None}

    def changed(plan: Plan) -> Plan:
        from acq.errors import WrongInput

        table = getattr(plan, "log", None)
        if table is None:
            raise WrongInput(f"plan {plan.name!r} has no [log]")
        document = plan.model_dump(mode="json")
        document["log"] |= changes
        return type(plan).model_validate(document)

    if output is not None:
        _refuse(output)
    return conduct(Wanted(sequence="log", every_s=0.0, screen=False, **wanted), changed, output)


def _refuse(output: Path) -> None:
    """Before hours are spent."""
    from acq.desk.log_export import SUFFIXES
    from acq.desk.writing import refuse_unwritable
    from acq.errors import WrongInput

    refuse_unwritable(output)
    if output.suffix.lower() not in SUFFIXES:
        raise WrongInput(f"{output}: the suffix is one of {', '.join(SUFFIXES)}")
