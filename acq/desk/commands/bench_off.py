"""`bridgebench bench off FILE`: switch everything off and prove it, without a run.

For the moment after a run and both its guardians were killed, when nobody is left to do it.
"""

from __future__ import annotations

from pathlib import Path

import click

from acq.desk.bench_in_use import VARIABLE, bench_options
from acq.desk.exit_codes import ExitCode


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path), envvar=VARIABLE)
@bench_options
def off(file: Path | None, simulated: bool, scenario: str) -> ExitCode:
    """Switch test voltage, supply, source and relays of FILE off, and prove each.

    Refused while a run has the bench: that one switches off itself, when it is stopped. Exit
    code 3: something is not proven off; switch it off by hand.
    """
    from acq.bench.making_safe import make_safe
    from acq.desk.bench_in_use import bench_in_use

    failed = False
    with bench_in_use(file, simulated=simulated, scenario=scenario) as used:
        for outcome in make_safe(used.file, used.folder, used.time):
            failed = failed or not outcome.proven
            word = "off, proven" if outcome.proven else f"NOT proven off: {outcome.reason}"
            click.echo(f"{outcome.role}: {word}", err=not outcome.proven)
        by_hand = [role for role, entry in used.file.instruments.items() if entry.by_hand]
    if by_hand:
        click.echo(f"switch off by hand, if they are on: {', '.join(by_hand)}", err=True)
    return ExitCode.BENCH if failed else ExitCode.DONE
