"""`bridgebench bench clear`: open a bench for certificates again, with a reason that stays."""

from __future__ import annotations

from pathlib import Path

import click

from acq.desk.bench_in_use import VARIABLE
from acq.desk.exit_codes import ExitCode
from acq.desk.person import login_name


@click.command()
@click.option("--bench", type=click.Path(path_type=Path), envvar=VARIABLE, help="Bench file.")
@click.option("--name", default="", help="The bench's name, instead of its file.")
@click.option("--reason", required=True, help="What was found and done.")
@click.option("--by", default="", help="Who clears it; the login name by default.")
@click.option("--anew", is_flag=True, help="Its charts begin anew, as after a calibration.")
@click.option("--records", "records_url", help="Database address; or BRIDGEBENCH_RECORDS.")
def clear(
    bench: Path | None, name: str, reason: str, by: str, anew: bool, records_url: str | None
) -> ExitCode:
    """Let a bench give certificates again that its check standard closed."""
    from acq.bench.bench_file import read_bench_file
    from acq.errors import WrongInput
    from acq.records.opening import existing, first_that_knows

    if not name and bench is None:
        raise WrongInput(f"which bench? give --name, or --bench FILE (or {VARIABLE})")
    if not name and bench is not None:
        name = read_bench_file(bench).name
    who = by or login_name()
    with existing(records_url) as opened:
        records, _ = first_that_knows(
            opened, lambda each: each.clear_bench(name, reason, who, anew=anew)
        )
        click.echo(f"bench {name!r} in {records.place}: {records.bench_state(name)}", err=True)
    return ExitCode.DONE
